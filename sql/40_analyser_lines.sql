-- analyser_lines: one row per analyser: whether its CO2 is measured or computed from O2, and how often it is off the fuel.
-- reads: readings_between, current_installs, fuel_terms, variable every_nth.   key: analyser_id.
-- O2 and CO2 of one test imply a CO2max. Computed CO2 gives the same one at all tests of a visit but for rounding,
-- whatever fuel is set; measured CO2 scatters more. The range of 2, 3, 4 tests divided by 1.13, 1.69, 2.06 estimates one
-- standard deviation. Off at few installs may be the fault of these. Every nth visit suffices; 20.95 is the O2 of dry air.
create or replace table analyser_lines as
with lines as (
    select
        r.analyser_id,
        r.visit_no,
        r.install_no,
        count(*)::integer as tests,
        max(r.co2_pct / (1 - r.o2_pct / 20.95)) - min(r.co2_pct / (1 - r.o2_pct / 20.95)) as range_pct,
        sum((abs(r.co2_pct - f.fuel_co2_max_pct * (1 - r.o2_pct / 20.95)) > 0.35 + 0.2 * f.fuel_co2_max_pct / 20.95)::integer) as off
    from readings_between(0, 9223372036854775807) r
    join current_installs i on i.install_no = r.install_no
    join fuel_terms f on f.fuel = i.fuel
    where r.analyser_id is not null
      and r.visit_no % getvariable('every_nth') = 0
      and r.co2_pct > 0 and r.o2_pct between 0 and 13 and coalesce(r.co_ppm, 0) <= 2000 and f.fuel_co2_max_pct > 0
    group by r.analyser_id, r.visit_no, r.install_no
)
select
    analyser_id,
    sum(tests)::integer as tests,
    case when count(distinct install_no) >= 3 then sum(off) / sum(tests) end as off_share,
    count(*) filter (where tests > 1)::integer as compared_visits,
    median(range_pct / case tests when 2 then 1.13 when 3 then 1.69 else 2.06 end) filter (where tests > 1) as scatter_pct
from lines
group by analyser_id
order by analyser_id;
