-- page_area_states: one row per area and state; page_first: the installs to see to first, the worst at the top.
-- reads: page_state, page_labels, page_series_state, visit_plan.   key: area_no, state.
create or replace view page_area_states as
select area_no, any_value(area) as area, state, count(*) as installs
from page_state join page_labels using (install_no, area_no)
group by area_no, state;

create or replace view page_due_counts as
select count(*) as installs,
       count(*) filter (state = 'out_of_range') as out_now,
       count(*) filter (state = 'out_of_range' and (planned_week is null or planned_week > page_as_of() + 28)) as out_late,
       count(*) filter (state = 'unknown') as unknown,
       count(*) filter (state <> 'out_of_range' and page_state.due_on <= page_as_of() + 30) as due_30,
       count(*) filter (state <> 'out_of_range' and page_state.due_on <= page_as_of() + 60) as due_60,
       count(*) filter (state <> 'out_of_range' and page_state.due_on <= page_as_of() + 90) as due_90
from page_state left join visit_plan using (install_no);

create or replace view page_first as
with picked as (
    select install_no, state, due_on, p_out_now, co_out
    from page_state where state in ('out_of_range', 'due')
    order by state = 'out_of_range' desc, co_out desc, p_out_now desc nulls last, due_on, install_no limit 20
), lead_series as (
    select * from page_series_state semi join picked using (install_no)
    qualify row_number() over (partition by install_no
                               order by state = 'out_of_range' desc, indicator = 'co_air_free_ppm' and state = 'out_of_range' desc,
                                        p_out_now desc nulls last, due_on, series_no) = 1
)
select p.install_no, l.install_id, l.site_label, l.area_no, l.area, l.model, p.state, p.co_out, p.due_on, p.p_out_now,
       s.indicator, s.series_no, s.label, s.unit, s.last_value, s.last_on, s.limit_low, s.limit_high, v.planned_week,
       row_number() over (order by p.state = 'out_of_range' desc, p.co_out desc, p.p_out_now desc nulls last, p.due_on, p.install_no) as place
from picked p join page_labels l using (install_no)
left join lead_series s using (install_no)
left join visit_plan v on v.install_no = l.install_no;
