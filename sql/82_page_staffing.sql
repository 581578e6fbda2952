-- page_weeks: one row per area and week, with the area's name; page_interval_weeks: the same weeks, had every visit been
-- left to the present interval; page_media: kilograms of media by month. Sums are rounded: their last digits depend on the
-- order that threads add in.
-- reads: area_weeks, plan_technicians, visit_plan, media_weeks, current_areas, current_models.   key: area_no, week.
create or replace view page_weeks as
select a.area_no, coalesce(a.area, w.area_id) as area, w.week, w.visits, w.hours_needed, w.hours_available,
       w.hours_short, w.hour_value, t.technicians_needed
from area_weeks w left join page_area_names a using (area_id) left join plan_technicians t using (area_id, week);

create or replace view page_interval_weeks as
with moved as (
    select planned_week, (expected_minutes + (select travel_minutes from page_options)) / 60 as hours,
           date_trunc('week', interval_on)::date as interval_week
    from visit_plan where planned_week is not null
)
select week, round(sum(planned_h), 6) as planned_h, round(sum(interval_h), 6) as interval_h, sum(planned)::bigint as planned,
       sum(at_interval)::bigint as at_interval
from (
    select planned_week as week, hours as planned_h, 0 as interval_h, 1 as planned, 0 as at_interval from moved
    union all
    select interval_week, 0, hours, 0, 1 from moved where interval_week is not null)
where week between page_first_week() and (select max(planned_week) from visit_plan)
group by week;

create or replace view page_brought_forward as
select area_id, date_trunc('week', interval_on)::date as interval_week, count(*) as visits,
       round(sum(expected_minutes + (select travel_minutes from page_options)) / 60, 6) as hours
from visit_plan where planned_week + 27 < interval_on
group by all;

create or replace view page_overdue as
select count(*) as visits,
       round(coalesce(sum(expected_minutes + (select travel_minutes from page_options)), 0) / 60, 6) as hours
from visit_plan where planned_week is not null and interval_on < page_first_week();

create or replace view page_media as
select date_trunc('month', week)::date as month, a.area_no, coalesce(a.area, w.area_id) as area,
       round(sum(media_kg), 6) as media_kg
from media_weeks w left join page_area_names a using (area_id)
group by all;
