-- analyser_lines: one row per analyser and fuel: how its CO2 lies about the CO2 that O2 and the fuel give.
-- reads: current_readings, current_visits, current_installs, fuel_terms.   key: analyser_id, fuel.
-- An analyser that computes CO2 from O2 scatters by rounding alone, whatever constant it holds for the fuel; then its CO2
-- is no second measurement. Quartiles, so that some visits with a wrong fuel set do not hide it. Every nth visit suffices
-- (fuel_sampling); 20.95 is the O2 of dry air.
create or replace table analyser_lines as
select
    analyser_id,
    fuel,
    count(*)::integer as tests,
    median(residual) as residual_pct,
    quantile_cont(residual, 0.75) - quantile_cont(residual, 0.25) as quartile_range_pct
from (
    select r.analyser_id, i.fuel, r.co2_pct - f.fuel_co2_max_pct * (1 - r.o2_pct / 20.95) as residual
    from current_readings r
    join current_visits v on v.visit_no = r.visit_no
    join current_installs i on i.install_no = v.install_no
    join fuel_terms f on f.fuel = i.fuel
    where r.analyser_id is not null
      and r.visit_no % (select every_nth from fuel_sampling) = 0
      and v.visit_no % (select every_nth from fuel_sampling) = 0
      and r.co2_pct > 0 and r.o2_pct between 0 and 15 and coalesce(r.co_ppm, 0) <= 2000 and f.fuel_co2_max_pct > 0
)
group by analyser_id, fuel
order by analyser_id, fuel;
