-- cleaning_effects, pace_changes: what the fits found, with the names people use.
-- reads: drift_cleanings, drift_paces, current_models.
-- drift_cleanings and drift_paces are written by the fit stage, by number of design and model.

-- cleaning_effects: one row per exchanger design, series and kind of work.   key: exchanger_design, indicator, firing, kind.
create or replace table cleaning_effects as
select
    d.exchanger_design,
    c.indicator,
    c.firing,
    c.kind,
    c.restored_share,
    c.low,
    c.high,
    c.value_before,
    c.value_after,
    c.cycles
from drift_cleanings c
join (select distinct design_no, exchanger_design from current_models) d on d.design_no = c.design_no
order by d.exchanger_design, c.series_no, c.kind;

-- pace_changes: one row per change of pace found.   key: indicator, firing, scope, name, since.
create or replace table pace_changes as
select
    p.indicator,
    p.firing,
    p.scope,
    coalesce(d.exchanger_design, m.model_id, 'fleet') as name,
    make_date(p.since_year, 1, 1) as since,
    p.ratio,
    p.low,
    p.high,
    p.p,
    p.installs
from drift_paces p
left join (select distinct design_no, exchanger_design from current_models) d
    on p.scope in ('design', 'batch') and d.design_no = p.number
left join current_models m on p.scope = 'model' and m.model_no = p.number
order by p.series_no, p.p, name, since;
