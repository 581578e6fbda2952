-- page_card_*: what the visit cards of page_cards show: heads, series, open cycles, pictures, readings, last visit.
-- reads: visit_plan, page_cards, page_labels, page_state, page_series_state, page_observations, open_cycles, install_clock, current_visits.   key: install_no.
create or replace view page_card_heads as
select c.*, l.install_id, l.site_label, l.area, l.area_id, l.model, l.model_id, l.fuel, l.installed_on, l.exchanger_design,
       l.exchanger_material, l.condensing, l.media_kg, l.service_interval_months, s.state, s.p_out_now, coalesce(k.visits, 0) as visits
from page_cards c join page_labels l using (install_no, area_no)
join page_state s using (install_no)
left join (select install_no, count(*) as visits from current_visits group by install_no) k using (install_no);

-- pressing: 1 for what presses most. What is out goes before what will be, and CO before all that is out.
create or replace view page_card_series as
select *, row_number() over (partition by install_no
                             order by urgency, coalesce(p_out_now, 0) desc, due_on nulls last, series_no) as pressing
from page_series_state semi join page_cards using (install_no);

create or replace view page_card_cycles as
select c.install_no, c.series_no, c.m0, c.m1, c.v00, c.v01, c.v11, c.gamma, c.hours_open, h.hours_per_year, a.load
from open_cycles c semi join page_cards using (install_no)
join current_installs i using (install_no)
join current_areas a using (area_no)
join install_clock h using (install_no);

-- page_card_pictures: the few series of each card that are drawn: of those with something to draw, what presses most.
create or replace table page_card_pictures as
select install_no, series_no from page_card_series
semi join (select install_no, series_no from page_observations where value is not null
           union select install_no, series_no from page_card_cycles) using (install_no, series_no)
qualify row_number() over (partition by install_no order by pressing) <= (select pictures_per_card from page_options);

create or replace view page_card_points as
select o.install_no, o.series_no, o.visited_on, o.stage, o.stage_order, o.value * s.factor + s.shift as value, o.usable
from page_observations o semi join page_card_pictures using (install_no, series_no)
join page_series s using (series_no)
where o.value is not null
qualify row_number() over (partition by o.install_no, o.series_no order by o.visited_on desc, o.stage_order desc) <= 16;

create or replace view page_card_last as
select install_no, visit_no, visited_on, technician_id, purpose, exchanger_cleaning, trap_cleaned, media_renewed,
       electrodes_cleaned, burner_adjusted, notes
from current_visits where page_has_card(install_no)
qualify row_number() over (partition by install_no order by visited_on desc, visit_no desc) = 1;

create or replace view page_sisters as
select exchanger_design, series_no, sum(installs)::bigint as installs, median(median_days_to_out) as median_days_to_out,
       sum(rate * installs) / sum(installs) as rate, sum(share_out_at_interval * installs) / sum(installs) as share_out
from page_models where installs > 0
group by exchanger_design, series_no;

-- page_find: what the install search knows: one short row per install.
create or replace view page_find as
select l.install_no, l.area_no, l.install_id, l.site_label, l.model, s.state, s.due_on, v.planned_week
from page_labels l join page_state s using (install_no)
left join visit_plan v on v.install_no = l.install_no;

create or replace view page_area_visits as
select a.area_no, a.area, v.planned_week as week, count(*) as visits,
       round(sum(v.expected_minutes + (select travel_minutes from page_options)) / 60, 6) as hours
from visit_plan v join page_area_names a using (area_id)
where v.planned_week is not null
group by all;
