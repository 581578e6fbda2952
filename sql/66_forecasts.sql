-- forecasts: one row per install and series that applies: the newest value against the range, and when the range will be left.
-- reads: limits, last_values, forecast_values, current_installs, series, run_facts.   key: install_no, series_no.
-- forecast_values holds what the drift model adds; a series without a range, or without a fit, has none of it.
create or replace table forecasts as
select
    i.install_id,
    s.indicator,
    s.firing,
    (select value from run_facts where key = 'as_of')::date as as_of,
    v.last_value,
    v.last_stage,
    v.last_on,
    l.limit_low,
    l.limit_high,
    l.limit_source,
    case
        when v.last_value is null or not v.of_open_cycle then 'unknown'
        when l.limit_low is null and l.limit_high is null then 'unknown'
        when v.last_value < l.limit_low or v.last_value > l.limit_high then 'out_of_range'
        else 'in_range'
    end as state,
    f.p_out_now,
    f.due_on,
    f.out_p10_on,
    f.out_p50_on,
    f.out_p90_on,
    f.rate_per_1000h,
    f.rate_low_per_1000h,
    f.rate_high_per_1000h,
    f.basis,
    l.install_no,
    l.series_no,
    l.general
from limits l
join current_installs i on i.install_no = l.install_no
join series s on s.series_no = l.series_no
left join last_values v on v.install_no = l.install_no and v.series_no = l.series_no
left join forecast_values f on f.install_no = l.install_no and f.series_no = l.series_no;

-- forecast_curve: one row per install and series with a forecast: chances on the firsts of 36 months.   key: install_no, series_no.
create or replace view forecast_curve as
select
    i.install_id,
    s.indicator,
    s.firing,
    (select date_trunc('month', value::date) + interval 1 month from run_facts where key = 'as_of')::date as first_month,
    c.p_out,
    c.install_no,
    c.series_no
from curve_values c
join current_installs i on i.install_no = c.install_no
join series s on s.series_no = c.series_no;
