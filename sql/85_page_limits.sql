-- page_limits: one row per appliance model, fuel and series: the range that holds for its installs, in the units shown.
-- reads: limits, current_installs, current_models, page_series.   key: model_no, fuel, series_no.
-- Installs are first counted by what holds for them, which is nearly always one range.
create or replace view page_limits as
with ranges as (
    select i.model_no, i.fuel, l.series_no, l.limit_low, l.limit_high, l.limit_source, l.general, count(*) as installs
    from limits l join current_installs i using (install_no)
    group by all
)
select r.model_no, r.fuel, s.series_no, s.label, s.unit, s.indicator, s.firing,
       arg_max(r.limit_low, r.installs) * any_value(s.factor) + any_value(s.shift) as limit_low,
       arg_max(r.limit_high, r.installs) * any_value(s.factor) + any_value(s.shift) as limit_high,
       arg_max(r.limit_source, r.installs) as limit_source, bool_or(r.general) as general,
       count(distinct coalesce(r.limit_low, -1e9)) > 1 or count(distinct coalesce(r.limit_high, -1e9)) > 1 as differs
from ranges r join page_series s using (series_no)
group by r.model_no, r.fuel, s.series_no, s.label, s.unit, s.indicator, s.firing;

create or replace view page_sheets as
select m.model_no, m.model_id, coalesce(nullif(m.name, ''), m.model_id) as model, m.exchanger_design, m.exchanger_material,
       m.condensing, m.rated_input_kw, m.service_interval_months, i.fuel, count(*) as installs
from current_installs i join current_models m using (model_no)
group by all;
