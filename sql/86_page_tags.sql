-- page_tags: one row per result tag: the latest visit of an install within the last weeks, at most so many per area.
-- reads: current_visits, page_labels, limits, page_options.   key: install_no.
set variable page_tags_after = page_as_of() - 7 * (select tag_weeks::integer from page_options);
create or replace table page_tags as
with latest as (
    select v.install_no, v.visit_no, v.visited_on, v.technician_id, v.purpose, v.trap_drain_left_s, v.condensate_ph_left, v.system_pressure_kpa,
           l.area_no, l.area, l.install_id, l.site_label, l.model, l.fuel
    from current_visits v join page_labels l using (install_no)
    where v.visited_on > getvariable('page_tags_after')::date
    qualify row_number() over (partition by v.install_no order by v.visited_on desc, v.visit_no desc) = 1
)
select *, count(*) over (partition by area_no) as in_window from latest
qualify row_number() over (partition by area_no order by visited_on desc, visit_no) <= (select tags_per_area from page_options);

create or replace view page_tag_limits as
select l.install_no, s.series_no, s.indicator, s.firing, s.unit, l.limit_low * s.factor + s.shift as limit_low,
       l.limit_high * s.factor + s.shift as limit_high
from limits l semi join page_tags using (install_no) join page_series s using (series_no);
