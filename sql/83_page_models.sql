-- page_models: one row per appliance model and series, in the units shown, with the model's name.
-- reads: appliance_models, current_models, page_sample, page_observations, limits, open_cycles, current_installs, page_series.   key: model_no, series_no.
create or replace view page_models as
select m.model_no, m.model_id, coalesce(nullif(m.name, ''), m.model_id) as model, a.exchanger_design, s.series_no, s.label, s.unit,
       a.installs, a.visits, a.rate_per_1000h * s.factor as rate, a.rate_low_per_1000h * s.factor as rate_low,
       a.rate_high_per_1000h * s.factor as rate_high, a.median_days_to_out, a.share_out_at_interval, a."rank" as place,
       a.worse_than_fleet_p
from appliance_models a
join current_models m using (model_id)
join page_series s on s.indicator = a.indicator and s.firing = a.firing;

-- page_shown_models: the few (model, series) pairs whose readings are drawn: those that drift fastest to their limit.
create or replace table page_shown_models as
select series_no, model_no, place_shown from (
    select series_no, model_no, row_number() over (partition by series_no order by place, model_no) as place_shown
    from page_models where installs >= 3 and rate is not null)
where place_shown <= (select models_drawn from page_options);

-- page_model_points: a sample of readings of those models, the same each run; sampled: whether there are more.
create or replace table page_model_points as
select o.series_no, i.model_no, o.visit_no, o.stage, o.hours_in_cycle as hours, o.value * s.factor + s.shift as value,
       case when o.value < l.limit_low or o.value > l.limit_high then 'out of range'
            when coalesce(l.limit_low, l.limit_high) is null then 'no limit known'
            else 'in range' end as state,
       count(*) over (partition by o.series_no, i.model_no) > (select points_drawn from page_options) as sampled
from page_observations o
join page_sample i using (install_no)
join page_shown_models k on k.series_no = o.series_no and k.model_no = i.model_no
join page_series s on s.series_no = o.series_no
left join limits l on l.install_no = o.install_no and l.series_no = o.series_no
where o.usable and o.hours_in_cycle is not null
qualify row_number() over (partition by o.series_no, i.model_no
                           order by (o.visit_no::bigint * 48271) % 2147483647, o.visit_no, o.stage) <= (select points_drawn from page_options);

-- page_model_bands: mean and spread of the installs' levels and rates, on the fit's own scale; those of cycles that began
-- with other work may run over another power of the hours.   key: series_no, model_no, gamma.
create or replace view page_model_bands as
select c.series_no, i.model_no, c.gamma, avg(c.m0) as m0, avg(c.m1) as m1,
       coalesce(var_pop(c.m0), 0) + avg(c.v00) as v00, coalesce(covar_pop(c.m0, c.m1), 0) + avg(c.v01) as v01,
       coalesce(var_pop(c.m1), 0) + avg(c.v11) as v11, count(*) as installs
from open_cycles c join current_installs i using (install_no)
join page_shown_models k on k.series_no = c.series_no and k.model_no = i.model_no
group by c.series_no, i.model_no, c.gamma;

create or replace view page_model_limits as
select k.series_no, k.model_no, mode(l.limit_low * s.factor + s.shift) as limit_low,
       mode(l.limit_high * s.factor + s.shift) as limit_high,
       count(distinct coalesce(l.limit_low, -1e9)) > 1 or count(distinct coalesce(l.limit_high, -1e9)) > 1 as differs
from page_shown_models k join current_installs i on i.model_no = k.model_no
join limits l on l.install_no = i.install_no and l.series_no = k.series_no
join page_series s on s.series_no = k.series_no
group by k.series_no, k.model_no;

-- page_odd_limits: ranges that most readings just after work miss at one and the same end; work leaves an appliance in range,
-- so that end is in doubt. Readings that scatter beyond both ends tell of the appliances.
create or replace table page_odd_limits as
select i.model_no, i.fuel, o.series_no, any_value(s.label) as label, any_value(s.unit) as unit,
       count(*) as readings, count(distinct o.install_no) as installs,
       count(*) filter (o.value < l.limit_low or o.value > l.limit_high) as outside,
       median(o.value) * any_value(s.factor) + any_value(s.shift) as median_left,
       mode(l.limit_low) * any_value(s.factor) + any_value(s.shift) as limit_low,
       mode(l.limit_high) * any_value(s.factor) + any_value(s.shift) as limit_high,
       mode(l.limit_source) as limit_source
from page_observations o
join page_sample i using (install_no)
join limits l on l.install_no = o.install_no and l.series_no = o.series_no
join page_series s on s.series_no = o.series_no
where o.stage = 'as_left' and o.usable and o.visited_on > page_as_of() - 1096
group by i.model_no, i.fuel, o.series_no
having count(*) >= 8 and count(distinct o.install_no) >= 3
   and greatest(count(*) filter (o.value < l.limit_low), count(*) filter (o.value > l.limit_high)) >= 0.5 * count(*);
