-- observations: one value per row: install, series, visit and stage, with its cycle and the burner hours since that began.
-- reads: current_readings, current_visits, derived, findings, visit_clock, series_installs.   key: install_no, series_no, visit_no, stage.
-- A view of one branch per series, so that asking for one series reads that series only. A visit's as-found value belongs to
-- the cycle before its work, its as-left value to the cycle after. Values that would mislead a fit stay, not usable.
-- Derived values are kept as FLOAT and rounded on the way out: 4.4 as FLOAT is 4.4000001, above a limit of 4.4.

-- misled_values: the entered cells behind which a doubt stands that would mislead the fit.   key: visit_id, stage, firing, about.
create or replace table misled_values as
select distinct
    visit_id,
    stage,
    firing,
    unnest(case
        when "column" in ('flue_temp_c', 'return_temp_c') then ['flue']
        when "column" in ('co_ppm', 'co_air_free_ppm') then ['co']
        when "column" in ('o2_pct', 'co2_pct') then ['o2', 'co']
        else ["column"]
    end) as about
from findings
where misleads and visit_id is not null;

-- misled_tests: the same by analyser test, which few have.   key: visit_id, stage, firing.
create or replace table misled_tests as
select
    visit_id,
    stage,
    firing,
    bool_or(about = 'flue') as flue,
    bool_or(about = 'co') as co,
    bool_or(about = 'o2') as o2,
    bool_or(about = 'flame_current_ua') as flame
from misled_values
where stage is not null and firing is not null
group by visit_id, stage, firing;

-- observed_tests: one row per analyser test: the tested indicators, and cycle and hours of each reset class it needs.   key: visit_no, stage, firing.
create or replace table observed_tests as
select
    c.install_no,
    c.visit_no,
    c.visited_on,
    d.firing,
    d.stage,
    (case d.stage when 'as_found' then 0 else 1 end)::tinyint as stage_order,
    c.clock_h,
    c.cyc_exchanger + (stage_order = 1 and c.rst_exchanger)::integer as cyc_exchanger,
    c.cyc_burner + (stage_order = 1 and c.rst_burner)::integer as cyc_burner,
    c.cyc_electrodes + (stage_order = 1 and c.rst_electrodes)::integer as cyc_electrodes,
    case when stage_order = 1 and c.rst_exchanger then 0.0 else c.clock_h - c.open_exchanger_h end as exchanger_h,
    case when stage_order = 1 and c.rst_burner then 0.0 else c.clock_h - c.open_burner_h end as burner_h,
    case when stage_order = 1 and c.rst_electrodes then 0.0 else c.clock_h - c.open_electrodes_h end as electrodes_h,
    d.flue_over_return_k,
    d.co_air_free_ppm,
    d.o2_dry_pct,
    r.flame_current_ua,
    d.keep_flue and not coalesce(m.flue, false) as keep_flue,
    d.keep_co and not coalesce(m.co, false) as keep_co,
    d.keep_o2 and not coalesce(m.o2, false) as keep_o2,
    not coalesce(m.flame, false) as keep_flame,
    -- At a commissioning the test before the work tells nothing of the new cycle, if one after it was made.
    c.commissioned and stage_order = 0 and not c.rst_burner and left_too.visit_no is not null as superseded,
    r.analyser_id
from derived d
join current_readings r on r.visit_no = d.visit_no and r.stage = d.stage and r.firing = d.firing
join visit_clock c on c.visit_no = d.visit_no
left join misled_tests m on m.visit_id = d.visit_id and m.stage = d.stage and m.firing = d.firing
left join (
    select t.visit_no, t.firing from derived t join visit_clock w on w.visit_no = t.visit_no
    where w.commissioned and t.stage = 'as_left'
) left_too on left_too.visit_no = d.visit_no and left_too.firing = d.firing;

drop table misled_tests;

create or replace view observations as
select install_no, 0 as series_no, 'flue_over_return_k' as indicator, 'high' as firing, visit_no, visited_on, stage, stage_order,
    cyc_exchanger as cycle_no, exchanger_h as hours_in_cycle, clock_h, round(flue_over_return_k::double, 4) as value, analyser_id,
    keep_flue and not superseded and flue_over_return_k > 0 as usable
from observed_tests
where firing = 'high' and flue_over_return_k is not null
union all
select install_no, 1 as series_no, 'co_air_free_ppm' as indicator, 'high' as firing, visit_no, visited_on, stage, stage_order,
    cyc_burner as cycle_no, burner_h as hours_in_cycle, clock_h, round(co_air_free_ppm::double, 4) as value, analyser_id,
    keep_co and not superseded and co_air_free_ppm > 0 as usable
from observed_tests
where firing = 'high' and co_air_free_ppm is not null
union all
select install_no, 2 as series_no, 'co_air_free_ppm' as indicator, 'low' as firing, visit_no, visited_on, stage, stage_order,
    cyc_burner as cycle_no, burner_h as hours_in_cycle, clock_h, round(co_air_free_ppm::double, 4) as value, analyser_id,
    keep_co and not superseded and co_air_free_ppm > 0 as usable
from observed_tests
where firing = 'low' and co_air_free_ppm is not null
union all
select install_no, 3 as series_no, 'o2_pct' as indicator, 'high' as firing, visit_no, visited_on, stage, stage_order,
    cyc_burner as cycle_no, burner_h as hours_in_cycle, clock_h, round(o2_dry_pct::double, 4) as value, analyser_id,
    keep_o2 and not superseded as usable
from observed_tests
where firing = 'high' and o2_dry_pct is not null
union all
select install_no, 4 as series_no, 'o2_pct' as indicator, 'low' as firing, visit_no, visited_on, stage, stage_order,
    cyc_burner as cycle_no, burner_h as hours_in_cycle, clock_h, round(o2_dry_pct::double, 4) as value, analyser_id,
    keep_o2 and not superseded as usable
from observed_tests
where firing = 'low' and o2_dry_pct is not null
union all
select install_no, 5 as series_no, 'flame_current_ua' as indicator, 'high' as firing, visit_no, visited_on, stage, stage_order,
    cyc_electrodes as cycle_no, electrodes_h as hours_in_cycle, clock_h, flame_current_ua::double as value, analyser_id,
    keep_flame and not superseded and flame_current_ua > 0 as usable
from observed_tests
where firing = 'high' and flame_current_ua is not null
union all
select c.install_no, 6 as series_no, 'trap_drain_s' as indicator, 'any' as firing, c.visit_no, c.visited_on, 'as_found' as stage, 0::tinyint as stage_order,
    c.cyc_trap as cycle_no, c.clock_h - c.open_trap_h as hours_in_cycle, c.clock_h, v.trap_drain_found_s::double as value, null::varchar as analyser_id,
    m.visit_id is null and v.trap_drain_found_s > 0 as usable
from current_visits v
join visit_clock c on c.visit_no = v.visit_no
join series_installs a on a.install_no = c.install_no and a.series_no = 6
left join misled_values m on m.visit_id = v.visit_id and m.about = 'trap_drain_found_s'
where v.trap_drain_found_s is not null
union all
select c.install_no, 6 as series_no, 'trap_drain_s' as indicator, 'any' as firing, c.visit_no, c.visited_on, 'as_left' as stage, 1::tinyint as stage_order,
    c.cyc_trap + c.rst_trap::integer as cycle_no, case when c.rst_trap then 0.0 else c.clock_h - c.open_trap_h end as hours_in_cycle, c.clock_h, v.trap_drain_left_s::double as value, null::varchar as analyser_id,
    m.visit_id is null and v.trap_drain_left_s > 0 as usable
from current_visits v
join visit_clock c on c.visit_no = v.visit_no
join series_installs a on a.install_no = c.install_no and a.series_no = 6
left join misled_values m on m.visit_id = v.visit_id and m.about = 'trap_drain_left_s'
where v.trap_drain_left_s is not null
union all
select c.install_no, 7 as series_no, 'condensate_ph' as indicator, 'any' as firing, c.visit_no, c.visited_on, 'as_found' as stage, 0::tinyint as stage_order,
    c.cyc_media as cycle_no, c.clock_h - c.open_media_h as hours_in_cycle, c.clock_h, v.condensate_ph_found::double as value, null::varchar as analyser_id,
    m.visit_id is null as usable
from current_visits v
join visit_clock c on c.visit_no = v.visit_no
join series_installs a on a.install_no = c.install_no and a.series_no = 7
left join misled_values m on m.visit_id = v.visit_id and m.about = 'condensate_ph_found'
where v.condensate_ph_found is not null
union all
select c.install_no, 7 as series_no, 'condensate_ph' as indicator, 'any' as firing, c.visit_no, c.visited_on, 'as_left' as stage, 1::tinyint as stage_order,
    c.cyc_media + c.rst_media::integer as cycle_no, case when c.rst_media then 0.0 else c.clock_h - c.open_media_h end as hours_in_cycle, c.clock_h, v.condensate_ph_left::double as value, null::varchar as analyser_id,
    m.visit_id is null as usable
from current_visits v
join visit_clock c on c.visit_no = v.visit_no
join series_installs a on a.install_no = c.install_no and a.series_no = 7
left join misled_values m on m.visit_id = v.visit_id and m.about = 'condensate_ph_left'
where v.condensate_ph_left is not null
union all
select c.install_no, 8 as series_no, 'system_pressure_kpa' as indicator, 'any' as firing, c.visit_no, c.visited_on, 'as_left' as stage, 1::tinyint as stage_order,
    0 as cycle_no, c.clock_h as hours_in_cycle, c.clock_h, v.system_pressure_kpa::double as value, null::varchar as analyser_id,
    m.visit_id is null as usable
from current_visits v
join visit_clock c on c.visit_no = v.visit_no
join series_installs a on a.install_no = c.install_no and a.series_no = 8
left join misled_values m on m.visit_id = v.visit_id and m.about = 'system_pressure_kpa'
where v.system_pressure_kpa is not null;
