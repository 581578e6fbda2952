-- drift_installs, drift_analysers, drift_unsaid, drift_both, drift_readings, drift_cycles, drift_now,
-- drift_doubts: exactly what the drift model sees.
-- reads: current_installs, current_models, current_visits, observations, cycles, series, series_installs, visit_clock, install_clock.
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
select (row_number() over (order by analyser_id) - 1)::integer as analyser_no, analyser_id
from (select distinct analyser_id from current_readings where analyser_id is not null)
order by analyser_no;

-- drift_unsaid: one row per series and visit that leaves open whether work was done that would have set the series back.
-- A table, since only these few are joined to all values.   key: series_no, visit_no.
create or replace table drift_unsaid as
select s.series_no::integer as series_no, v.visit_no, v.install_no
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

-- drift_readings: one usable value per row, in the order of the fit.   key: series_no, install_no, cycle_no, day, stage_order, visit_no.
create or replace view drift_readings as
select
    o.series_no,
    o.install_no,
    o.cycle_no,
    (o.visited_on - date '1970-01-01')::integer as day,
    o.hours_in_cycle::double as hours,
    o.value,
    o.stage_order,
    a.analyser_no,
    o.visit_no,
    u.visit_no is not null as unsure -- whether work was done that would have set this back
from observations o
left join drift_unsaid u on u.series_no = o.series_no and u.visit_no = o.visit_no
left join drift_analysers a on a.analyser_id = o.analyser_id
where o.usable and o.value is not null and o.hours_in_cycle is not null;

-- drift_cycles: one row per series, install it applies to and cycle, with the value found before the work that opened it.
-- key: series_no, install_no, cycle_no.
create or replace view drift_cycles as
select
    s.series_no,
    c.install_no,
    c.cycle_no,
    case when c.opened_by = 'adjusted' and v.surely then 'adjusted and cleaned' else c.opened_by end as opened_by,
    (c.opened_on - date '1970-01-01')::integer as opened_day,
    before.value as value_before,
    -- what adjusting and cleaning at one visit each gave back cannot be told apart
    s.reset_class = 'burner' and v.visit_no is not null as also_cleaned
from cycles c
join series s on s.reset_class = c.reset_class
semi join series_installs a on a.install_no = c.install_no and a.series_no = s.series_no
left join drift_both v on v.visit_no = c.opened_visit_no and s.reset_class = 'burner'
left join observations before
    on before.series_no = s.series_no and before.visit_no = c.opened_visit_no and before.stage_order = 0 and before.usable
    and before.cycle_no < c.cycle_no;

-- drift_now: one row per series and install it applies to: the cycle that is open at as_of. A table, since it groups
-- all cycles and is read series by series.   key: series_no, install_no.
create or replace table drift_now as
select
    a.series_no,
    c.install_no,
    c.cycle_no,
    case when c.opened_by = 'adjusted' and v.surely then 'adjusted and cleaned' else c.opened_by end as opened_by,
    (c.opened_on - date '1970-01-01')::integer as opened_day,
    c.opened_visit_no,
    greatest(k.now_h - coalesce(c.opened_h, 0), 0) as hours_open
from (
    select install_no, reset_class, max(cycle_no) as cycle_no, arg_max(opened_by, cycle_no) as opened_by,
        arg_max(opened_on, cycle_no) as opened_on, arg_max(opened_h, cycle_no) as opened_h,
        max(opened_visit_no) filter (cycle_no > 0) as opened_visit_no
    from cycles
    group by install_no, reset_class
) c
join series s on s.reset_class = c.reset_class
join series_installs a on a.install_no = c.install_no and a.series_no = s.series_no
join install_clock k on k.install_no = c.install_no
left join drift_both v on v.visit_no = c.opened_visit_no;

-- drift_doubts: one row per series and install whose open cycle may have ended unrecorded: the newest visit of the cycle
-- that leaves open whether it was worked on, where no value was read after it. cycle_no is that of the cycle it would
-- have opened. A table, since it looks at all visits and is read series by series.   key: series_no, install_no.
create or replace table drift_doubts as
with usual as (
    select reset_class, mode(opened_by order by opened_by) filter (opened_by not in ('new', 'unknown')) as opened_by
    from cycles group by reset_class
),
doubted as (
    select d.series_no, d.install_no, d.cycle_no, s.reset_class, v.visit_no, c.visited_on, c.clock_h
    from drift_now d
    join series s on s.series_no = d.series_no
    join drift_unsaid v on v.series_no = d.series_no and v.install_no = d.install_no
        and v.visit_no > coalesce(d.opened_visit_no, -1)
    join visit_clock c on c.visit_no = v.visit_no and case s.reset_class
        when 'exchanger' then not c.rst_exchanger
        when 'burner' then not c.rst_burner
        when 'electrodes' then not c.rst_electrodes
        when 'trap' then not c.rst_trap
        else not c.rst_media
    end
),
read as materialized (
    select o.series_no, o.install_no, o.visit_no, o.stage_order, o.value
    from observations o semi join doubted d on d.install_no = o.install_no and d.series_no = o.series_no
    where o.usable and o.value is not null and o.hours_in_cycle is not null
),
latest as (
    select series_no, install_no, max(visit_no * 2 + stage_order) as latest from read group by all
)
select d.series_no, d.install_no, (d.cycle_no + 1)::integer as cycle_no, u.opened_by,
    (d.visited_on - date '1970-01-01')::integer as opened_day, b.value as value_before,
    greatest(k.now_h - d.clock_h, 0) as hours_open
from doubted d
join usual u on u.reset_class = d.reset_class
join install_clock k on k.install_no = d.install_no
left join read b on b.series_no = d.series_no and b.visit_no = d.visit_no and b.stage_order = 0
left join latest r on r.series_no = d.series_no and r.install_no = d.install_no
where coalesce(r.latest, -1) <= d.visit_no * 2
qualify row_number() over (partition by d.series_no, d.install_no order by d.visit_no desc) = 1;
