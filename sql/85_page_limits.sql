-- page_limits: one row per appliance model, fuel and series: the range that holds for its installs, in the units shown.
-- reads: limits, current_installs, current_models, page_series.   key: model_no, fuel, series_no.
create or replace view page_limits as
select i.model_no, i.fuel, s.series_no, s.label, s.unit, s.indicator, s.firing,
       mode(l.limit_low) * any_value(s.factor) + any_value(s.shift) as limit_low,
       mode(l.limit_high) * any_value(s.factor) + any_value(s.shift) as limit_high,
       mode(l.limit_source) as limit_source, bool_or(l.general) as general,
       count(distinct coalesce(l.limit_low, -1e9)) > 1 or count(distinct coalesce(l.limit_high, -1e9)) > 1 as differs
from limits l join current_installs i using (install_no) join page_series s using (series_no)
group by i.model_no, i.fuel, s.series_no, s.label, s.unit, s.indicator, s.firing;

create or replace view page_sheets as
select m.model_no, m.model_id, coalesce(nullif(m.name, ''), m.model_id) as model, m.exchanger_design, m.exchanger_material,
       m.condensing, m.rated_input_kw, m.service_interval_months, i.fuel, count(*) as installs
from current_installs i join current_models m using (model_no)
group by all;
