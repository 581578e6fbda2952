-- page_rejected: one row per reason for which rows were set aside; page_doubtful: one row per rule that made a finding.
-- reads: rejected_rows, all_findings, input_files, current_visits, current_readings.   key: reason.
-- The first row of each is one row, empty cells and all: arg_min of each column alone would pass over them.
create or replace view page_rejected as
select reason, cells, rows, unnest(first_of)
from (
    select regexp_extract(reason, '^[^:;,(]*') as reason, count(*) as cells, count(distinct (file, line)) as rows,
           arg_min(struct_pack(file, line, "column", value, words := reason), (file, line, "column", reason)) as first_of
    from rejected_rows group by 1
);

create or replace view page_doubtful as
select rule, cells, kept_out, installs, unnest(first_of)
from (
    select rule, count(*) as cells, count(*) filter (misleads) as kept_out, count(distinct install_id) as installs,
           arg_min(struct_pack(message, file, line, "column", value), (file, line, "column", message)) as first_of
    from all_findings group by rule
);

create or replace view page_doubtful_by as
select 'analyser' as kind, analyser_id as who, count(*) as findings from all_findings where analyser_id is not null group by analyser_id
union all
select 'technician', technician_id, count(*) from all_findings where technician_id is not null group by technician_id;

create or replace view page_completeness as
select count(*) as visits,
       page_share(count(burner_hours), count(*)) as with_counter,
       page_share(count(exchanger_cleaning), count(*)) as with_cleaning,
       page_share(count(trap_drain_found_s), count(*)) as with_trap,
       page_share(count(condensate_ph_found), count(*)) as with_ph,
       page_share(count(minutes_on_site), count(*)) as with_minutes
from current_visits;

-- Grouped by number, faster than by words: test_no ends in 2 for as left, and in 1 more for low fire.
create or replace view page_test_completeness as
select case when (kind & 2) = 0 then 'as_found' else 'as_left' end as stage,
       case when (kind & 1) = 0 then 'high' else 'low' end as firing, count(*) as tests,
       page_share(count(o2_pct), count(*)) as with_o2, page_share(count(co2_pct), count(*)) as with_co2,
       page_share(count(coalesce(co_ppm, co_air_free_ppm)), count(*)) as with_co,
       page_share(count(flue_temp_c), count(*)) as with_flue, page_share(count(return_temp_c), count(*)) as with_return,
       page_share(count(flame_current_ua), count(*)) as with_flame, page_share(count(analyser_id), count(*)) as with_analyser
from (select *, test_no & 3 as kind from current_readings) group by kind;
