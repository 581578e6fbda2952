-- drift_installs, drift_analysers, drift_unsaid, drift_both, drift_values, drift_opened: exactly what the drift model sees.
-- reads: current_installs, current_models, current_visits, analysers, observations, cycles, series, series_installs.
-- Views with series_no, so that one series is read at a time. Analysers are numbered in the order of their names.

-- drift_installs: one row per install with what may act on level and rate.   key: install_no.
create or replace view drift_installs as
select
    i.install_no,
    i.model_no,
    i.design_no,
    m.condensing,
    m.exchanger_material as material,
    i.fuel,
    i.air_intake,
    i.water_hardness_mg_l::double as hardness,
    i.media_kg::double as media_kg,
    year(i.installed_on)::integer as installed_year,
    (i.installed_on - date '1970-01-01')::integer as installed_day
from current_installs i
join current_models m on m.model_no = i.model_no
order by i.install_no;

-- drift_analysers: one row per analyser named on any test.   key: analyser_no.
create or replace table drift_analysers as
from analysers order by analyser_no;

-- drift_unsaid: one row per series and visit that leaves open whether work was done that would have set the series back.
-- A table, since only these few are joined to all values.   key: series_no, visit_no.
create or replace table drift_unsaid as
select s.series_no::integer as series_no, v.visit_no, v.install_no, (v.visited_on - date '1970-01-01')::integer as day
from current_visits v
join series s on case s.reset_class
    when 'exchanger' then v.exchanger_cleaning is null
    when 'burner' then v.exchanger_cleaning is null or v.burner_adjusted is null
    when 'electrodes' then v.electrodes_cleaned is null
    when 'trap' then v.trap_cleaned is null
    when 'media' then v.media_renewed is null
end
join series_installs a on a.install_no = v.install_no and a.series_no = s.series_no
where v.exchanger_cleaning is null or v.burner_adjusted is null or v.electrodes_cleaned is null or v.trap_cleaned is null
    or v.media_renewed is null
order by s.series_no, v.visit_no;

-- drift_both: visits that adjusted the burner and cleaned the exchanger, or perhaps did (not surely). An empty cell leaves it
-- open, but where a fleet never writes that the burner was not adjusted, it means that.   key: visit_no.
create or replace table drift_both as
select visit_no, coalesce(burner_adjusted and exchanger_cleaning <> 'none', false) as surely
from current_visits
where burner_adjusted and exchanger_cleaning is distinct from 'none'
    or burner_adjusted is null and exchanger_cleaning in ('brush', 'rinse', 'chemical')
    and exists (from current_visits where not burner_adjusted)
order by visit_no;

-- drift_values: one usable value per row.   key: series_no, install_no, cycle_no, day, stage_order, visit_no.
-- drift_values_of: the same of some observations, by the name of what holds them.
create or replace macro drift_values_of(observed) as table
select
    series_no,
    install_no,
    cycle_no,
    (visited_on - date '1970-01-01')::integer as day,
    hours_in_cycle::double as hours,
    value,
    stage_order,
    analyser_no,
    visit_no
from query_table(observed)
where usable and value is not null and hours_in_cycle is not null;

create or replace view drift_values as from drift_values_of('observations');

-- drift_opened: one row per series, install it applies to and cycle.   key: series_no, install_no, cycle_no.
create or replace view drift_opened as
select
    s.series_no,
    c.install_no,
    c.cycle_no,
    case when c.opened_by = 'adjusted' and v.surely then 'adjusted and cleaned' else c.opened_by end as opened_by,
    (c.opened_on - date '1970-01-01')::integer as opened_day,
    c.opened_visit_no,
    c.opened_h,
    -- what adjusting and cleaning at one visit each gave back cannot be told apart
    s.reset_class = 'burner' and v.visit_no is not null as also_cleaned
from cycles c
join series s on s.reset_class = c.reset_class
semi join series_installs a on a.install_no = c.install_no and a.series_no = s.series_no
left join drift_both v on v.visit_no = c.opened_visit_no and s.reset_class = 'burner';
