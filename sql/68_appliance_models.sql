-- appliance_models: one row per appliance model with installs and series that applies to any of them.
-- reads: current_models, current_visits, current_installs, series_installs, series, model_values.   key: model_no, series_no.
-- model_values holds what the drift model says of a model; a series that was never fitted has none.
create or replace table appliance_models as
with fleet as (
    select i.model_no, a.series_no, count(*) as installs
    from series_installs a
    join current_installs i on i.install_no = a.install_no
    group by i.model_no, a.series_no
), visited as (
    select i.model_no, count(*) as visits
    from current_visits v
    join current_installs i on i.install_no = v.install_no
    group by i.model_no
)
select
    m.model_id,
    m.exchanger_design,
    s.indicator,
    s.firing,
    f.installs::integer as installs,
    coalesce(v.visits, 0)::integer as visits,
    x.rate_per_1000h,
    x.rate_low_per_1000h,
    x.rate_high_per_1000h,
    x.median_days_to_out,
    x.share_out_at_interval,
    x."rank",
    x.worse_than_fleet_p,
    m.model_no,
    s.series_no
from fleet f
join series s on s.series_no = f.series_no and s.reset_class <> 'none'
join current_models m on m.model_no = f.model_no
left join visited v on v.model_no = f.model_no
left join model_values x on x.model_no = f.model_no and x.series_no = f.series_no
order by m.model_id, s.series_no;
