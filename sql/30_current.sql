-- current_*: the rows that were taken, typed, in SI, with whole numbers as keys inside; one row per key.
-- reads: seen_*, set_aside_rows, landed_visits, taken_mended_visits, visit_places, landed_readings, taken_mended_readings, reading_places.
-- key: see each. The reference tables are made by the check stage with the queries of 31_reference.sql; these are the two
-- big ones. They are views: a row's place in landed_* is its place in *_places, so joining them costs next to nothing.

-- current_visits: key visit_no; visit_no 0… in order of install_no, visited_on, visit_id.
create or replace view current_visits as
select p.visit_no, v.visit_id, p.install_no, v.install_id, v.visited_on, v.technician_id, v.purpose::varchar as purpose,
       v.minutes_on_site, v.burner_hours, v.ignitions, v.exchanger_cleaning::varchar as exchanger_cleaning, v.trap_cleaned,
       v.media_renewed, v.electrodes_cleaned, v.burner_adjusted, v.trap_drain_found_s, v.trap_drain_left_s,
       v.condensate_ph_found, v.condensate_ph_left, v.system_pressure_kpa, v.notes, v.file_id, p.line
from landed_visits v positional join visit_places p
where p.visit_no >= 0
union all
select visit_no, visit_id, install_no, install_id, visited_on, technician_id, purpose::varchar,
       minutes_on_site, burner_hours, ignitions, exchanger_cleaning::varchar, trap_cleaned,
       media_renewed, electrodes_cleaned, burner_adjusted, trap_drain_found_s, trap_drain_left_s,
       condensate_ph_found, condensate_ph_left, system_pressure_kpa, notes, file_id, line
from taken_mended_visits;

-- current_readings: key test_no, or visit_no, stage, firing; test_no = visit_no * 4 + 2 (as left) + 1 (low fire).
-- readings_between: those of the landed rows from `first` to before `beyond`, and where that is the end, of the mended ones;
-- with the install_no of their visit, so that tests of an install are found without joining all visits.
create or replace macro readings_between(first, beyond) as table
select p.test_no >> 2 as visit_no, p.test_no, p.install_no, r.visit_id, r.stage::varchar as stage, r.firing::varchar as firing,
       r.o2_pct, r.co2_pct, r.co_ppm, r.co_air_free_ppm, r.flue_temp_c, r.air_temp_c, r.supply_temp_c, r.return_temp_c,
       r.flame_current_ua, r.analyser_id, r.file_id, p.line
from (from landed_readings where rowid >= first and rowid < beyond) r
positional join (from reading_places where rowid >= first and rowid < beyond) p
where p.test_no >= 0
union all
select visit_no, test_no, install_no, visit_id, stage::varchar, firing::varchar,
       o2_pct, co2_pct, co_ppm, co_air_free_ppm, flue_temp_c, air_temp_c, supply_temp_c, return_temp_c,
       flame_current_ua, analyser_id, file_id, line
from taken_mended_readings
where beyond = 9223372036854775807;

create or replace view current_readings as select * exclude (install_no) from readings_between(0, 9223372036854775807);
