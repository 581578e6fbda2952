-- analyser_lines: one row per analyser: how often its CO2 lies within rounding of the CO2 that O2 and the fuel give.
-- reads: current_readings, current_visits, current_installs, fuel_terms.   key: analyser_id.
-- An analyser that always does computes its CO2 from O2; then CO2 is no second measurement. Every nth visit suffices
-- (fuel_sampling). The bound is that of patterns.rounding_pct; 20.95 is the O2 of dry air.
create or replace table analyser_lines as
select
    r.analyser_id,
    count(*)::integer as tests,
    avg((abs(r.co2_pct - f.fuel_co2_max_pct * (1 - r.o2_pct / 20.95))
        <= 0.07 + 0.05 * f.fuel_co2_max_pct / 20.95 + 0.01 * f.fuel_co2_max_pct * (1 - r.o2_pct / 20.95))::integer) as share_on_line
from current_readings r
join current_visits v on v.visit_no = r.visit_no
join current_installs i on i.install_no = v.install_no
join fuel_terms f on f.fuel = i.fuel
where r.analyser_id is not null
  and r.visit_no % (select every_nth from fuel_sampling) = 0
  and v.visit_no % (select every_nth from fuel_sampling) = 0
  and r.co2_pct > 0 and r.o2_pct between 0 and 15 and coalesce(r.co_ppm, 0) <= 2000 and f.fuel_co2_max_pct > 0
group by r.analyser_id
order by r.analyser_id;
