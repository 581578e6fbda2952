"""Readings in doubt that count as the last value all the same: CO above its limit, and a trap that hardly drains.

A doubt keeps a value out of the fit, since it may be a slip. It must not hide an appliance that may kill: 9,000 ppm of
CO are more than most burners make, and no reason to go by the 40 ppm of a year before; a trap that takes longer than
is usual to drain may be shut, and then floods the exchanger.
"""

from __future__ import annotations

from pipeline.combustion import O2_AMBIENT_PCT
from pipeline.findings import MOSTLY_AIR_O2_PCT, keeps_sql
from pipeline.schema import SERIES, columns_of
from pipeline.stages.drift_inputs import numbers_of
from pipeline.stages.observations import BARRED
from pipeline.store import Store

CO = [series for series in SERIES if series.indicator == "co_air_free_ppm"]
DANGEROUS = [*CO, *(series for series in SERIES if series.indicator == "trap_drain_s")]

USUAL_S = columns_of("visits")["trap_drain_left_s"].likely_high
# The few in doubt are picked first, by the place that a test has in both tables, before any wide row is read.
PICKED = f"""
create or replace temp table high_co as
select test_no, co_ppm from current_readings
where co_ppm > (select min(limit_high) from limit_rules where series_no in {numbers_of(CO)});
create or replace temp table doubted_tests as
with picked as (
    select rowid as place from derived_values where not {keeps_sql("co", "broken")}
    union
    select rowid from observed_clock where (barred & {BARRED["co"]}) <> 0
    union
    select rowid from derived_values where co_air_free_ppm is null and test_no in (select test_no from high_co)
)
select d.*, c.* from picked p join derived_values d on d.rowid = p.place join observed_clock c on c.rowid = p.place;
create or replace temp table doubted_visits as
select visit_no, visit_id, trap_drain_found_s, trap_drain_left_s, condensate_ph_found, condensate_ph_left,
    system_pressure_kpa
from current_visits semi join (from misled_values where about like 'trap_drain%') using (visit_id)
where greatest(trap_drain_found_s, trap_drain_left_s) > {USUAL_S};  -- no text is read of the others
create or replace temp table doubted_clock as
from visit_clock semi join doubted_visits using (visit_no);
"""
# CO of a sample of mostly air is multiplied as beside that O2: near 20.9 % the few ppm of a room would be hundreds.
MOST_AIR_FREE = f"least(1.0, ({O2_AMBIENT_PCT} - coalesce(d.o2_dry_pct, 0)) / ({O2_AMBIENT_PCT} - {MOSTLY_AIR_O2_PCT}))"
DOUBTED = f"""
create or replace table doubted_readings as
with doubted as (
    select install_no, series_no, visit_no, visited_on, stage, stage_order, cycle_no, value
    from observations_of('doubted_tests', 'doubted_visits', 'doubted_clock')
    where not usable and series_no in {numbers_of(DANGEROUS)}
    union all
    -- Without O2, or with one that cannot be, CO as read: air-free it is no less.
    select t.install_no, s.series_no, t.test_no >> 2, t.visited_on, if((t.test_no & 2) = 0, 'as_found', 'as_left'),
        (t.test_no >> 1) & 1, t.cyc_burner, c.co_ppm
    from doubted_tests t
    join high_co c on c.test_no = t.test_no
    join series s on s.indicator = 'co_air_free_ppm' and s.firing = if((t.test_no & 1) = 0, 'high', 'low')
    where t.co_air_free_ppm is null
), newest as (
    select install_no, reset_class, max(cycle_no) as cycle_no
    from cycles semi join doubted using (install_no) group by all
)
select o.install_no, o.series_no::integer as series_no, o.value as last_value, o.stage as last_stage,
    o.visited_on as last_on
from doubted o
join series s on s.series_no = o.series_no
join newest c on c.install_no = o.install_no and c.reset_class = s.reset_class and c.cycle_no = o.cycle_no
join limits l on l.install_no = o.install_no and l.series_no = o.series_no
left join last_values v on v.install_no = o.install_no and v.series_no = o.series_no
left join doubted_tests d on s.indicator = 'co_air_free_ppm' and d.co_air_free_ppm is not null
    and d.test_no = o.visit_no * 4 + o.stage_order * 2 + (s.firing = 'low')::integer
where o.value * {MOST_AIR_FREE} > l.limit_high
    and (v.last_on is null or o.visited_on > v.last_on
        or o.visited_on = v.last_on and o.stage_order > (v.last_stage = 'as_left')::integer)
qualify row_number() over (partition by o.install_no, o.series_no
                           order by o.visited_on desc, o.visit_no desc, o.stage_order desc) = 1
order by o.install_no, o.series_no;
drop table high_co;
drop table doubted_tests;
drop table doubted_visits;
drop table doubted_clock
"""
INSTEAD = """
delete from last_values v using doubted_readings d where d.install_no = v.install_no and d.series_no = v.series_no;
insert into last_values select *, true as of_open_cycle from doubted_readings;
"""


def count_doubted(store: Store) -> None:
    """Write doubted_readings (install_no, series_no, last_value, last_stage, last_on) and put them into last_values:
    of the open cycle, newer than the last value that is not in doubt, and above the highest allowed."""
    store.run(PICKED)
    store.run(DOUBTED)
    store.run(INSTEAD)
