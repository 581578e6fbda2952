-- forecast_curve: one row per install and series with a forecast: chances on the firsts of 36 months.
-- reads: curve_values, current_installs, series, run_facts.   key: install_no, series_no.
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
