-- page_tags: one row per result tag: the latest visit of an install within the last weeks, at most so many per area.
-- reads: current_visits, current_readings, derived, page_labels, limits, page_options.   key: install_no.
create or replace table page_tags as
with latest as (
    select v.install_no, v.visit_no, v.visited_on, v.technician_id, v.purpose, v.trap_drain_left_s, v.condensate_ph_left, v.system_pressure_kpa,
           l.area_no, l.area, l.install_id, l.site_label, l.model, l.fuel
    from current_visits v join page_labels l using (install_no)
    where v.visited_on > page_as_of() - 7 * (select tag_weeks::integer from page_options)
    qualify row_number() over (partition by v.install_no order by v.visited_on desc, v.visit_no desc) = 1
)
select *, count(*) over (partition by area_no) as in_window from latest
qualify row_number() over (partition by area_no order by visited_on desc, visit_no) <= (select tags_per_area from page_options);

create or replace view page_tag_tests as
select t.install_no, r.firing, r.o2_pct, coalesce(r.co2_pct, d.co2_dry_pct) as co2_pct, r.co_ppm, d.co_air_free_ppm, d.co_co2_ratio,
       r.flue_temp_c, r.return_temp_c, d.flue_over_return_k, d.efficiency_gross_pct, r.flame_current_ua, d.excess_air_ratio
from page_tags t join current_readings r using (visit_no)
left join (from derived where visit_no in (select visit_no from page_tags)) d
    on d.visit_no = r.visit_no and d.stage = r.stage and d.firing = r.firing
where r.stage = 'as_left';

create or replace view page_tag_limits as
select l.install_no, s.series_no, s.indicator, s.firing, s.unit, l.limit_low * s.factor + s.shift as limit_low,
       l.limit_high * s.factor + s.shift as limit_high
from limits l semi join page_tags using (install_no) join page_series s using (series_no);
