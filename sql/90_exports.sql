-- exports: one view per published file, with the agreed columns in the agreed order and the published number of digits.
-- reads: forecasts, forecast_curve, visit_plan, appliance_models, area_weeks, rejected_rows.
-- Rows are sorted where the file is written. Chances carry four decimals, rates and values five significant digits:
-- more would show the last bits of sums that are added in no fixed order.
create or replace macro sig(x, digits) as
    case when x is null or not isfinite(x) then null when x = 0 then 0.0
         else round(x, (digits - 1 - floor(log10(abs(x))))::integer) end;

create or replace view export_forecasts as
select install_id, indicator, firing, as_of, sig(last_value, 6) as last_value, last_stage, last_on,
       sig(limit_low, 6) as limit_low, sig(limit_high, 6) as limit_high, limit_source, state,
       round(p_out_now, 4) as p_out_now, due_on, out_p10_on, out_p50_on, out_p90_on,
       sig(rate_per_1000h, 5) as rate_per_1000h, sig(rate_low_per_1000h, 5) as rate_low_per_1000h,
       sig(rate_high_per_1000h, 5) as rate_high_per_1000h, basis
from forecasts;

create or replace view export_forecast_curve as
select install_id, indicator, firing, first_month, p_out::float[] as p_out
from forecast_curve;

create or replace view export_visit_plan as
select install_id, area_id, model_id, due_on, leading_indicator, planned_week, round(expected_minutes, 1) as expected_minutes,
       round(p_out_at_planned, 4) as p_out_at_planned, round(p_out_at_interval, 4) as p_out_at_interval,
       tasks, take_along, last_visit_on
from visit_plan;

create or replace view export_appliance_models as
select model_id, exchanger_design, indicator, firing, installs, visits, sig(rate_per_1000h, 5) as rate_per_1000h,
       sig(rate_low_per_1000h, 5) as rate_low_per_1000h, sig(rate_high_per_1000h, 5) as rate_high_per_1000h,
       round(median_days_to_out, 0) as median_days_to_out, round(share_out_at_interval, 4) as share_out_at_interval,
       "rank", round(worse_than_fleet_p, 4) as worse_than_fleet_p
from appliance_models;

create or replace view export_area_weeks as
select area_id, week, visits, round(hours_needed, 2) as hours_needed, round(hours_available, 2) as hours_available,
       round(hours_short, 2) as hours_short, round(hour_value, 3) as hour_value
from area_weeks;

create or replace view export_rejected_rows as
select file, line, "column", value, reason, visit_id
from rejected_rows;
