-- page_area_states: one row per area and state; page_first: the installs to see to first, the worst at the top.
-- reads: page_state, page_labels, page_series_state, forecasts, visit_plan, plan_readings,
-- excused_readings.   key: area_no, state.
create or replace view page_area_states as
select area_no, any_value(area) as area, state, count(*) as installs
from page_state join page_labels using (install_no, area_no)
group by area_no, state;

-- page_out: one row per install out of range: why it is. Those that miss only a limit in doubt, or only the range of the
-- water pressure by little, wait for their visit.   key: install_no.
create or replace view page_out as
select p.install_no,
       case when r.co_out or r.at_once then 'at_once' when r.limit_doubted_out then 'limit' else 'pressure' end as why
from page_state p join plan_readings r using (install_no)
where p.state = 'out_of_range';

create or replace view page_due_counts as
select count(*) as installs,
       count(*) filter (state = 'out_of_range') as out_now,
       count(*) filter (why = 'limit') as out_limit,
       count(*) filter (why = 'pressure') as out_pressure,
       count(*) filter (state = 'out_of_range' and coalesce(why, 'at_once') = 'at_once'
                        and (planned_week is null or planned_week > page_as_of() + 28)) as out_late,
       count(*) filter (state = 'unknown') as unknown,
       count(*) filter (state <> 'out_of_range' and page_state.due_on <= page_as_of() + 30) as due_30,
       count(*) filter (state <> 'out_of_range' and page_state.due_on <= page_as_of() + 60) as due_60,
       count(*) filter (state <> 'out_of_range' and page_state.due_on <= page_as_of() + 90) as due_90
from page_state left join visit_plan using (install_no) left join page_out using (install_no);

create or replace view page_first as
with sound as (
    -- of installs with a limit in doubt, the chance that any other reading is out
    select install_no, page_any_out(p_out_now) as p_out_now
    from forecasts semi join (from plan_readings where limit_doubted) using (install_no)
    anti join excused_readings using (install_no, series_no)
    group by install_no
), picked as (
    select p.install_no, p.state, p.due_on, p.p_out_now, p.co_out,
           row_number() over (order by p.state = 'out_of_range' desc, p.co_out desc, p.co_times_limit desc nulls last, o.why = 'at_once' desc,
                              o.why = 'limit' desc, coalesce(s.p_out_now, p.p_out_now) desc nulls last, p.due_on, p.install_no) as place
    from page_state p left join page_out o using (install_no) left join sound s using (install_no)
    where p.state in ('out_of_range', 'due')
    qualify place <= 20
), lead_series as (
    select s.*, e.install_no is not null as limit_doubted
    from (from page_series_state semi join picked using (install_no)) s
    left join excused_readings e on e.install_no = s.install_no and e.series_no = s.series_no
    qualify row_number() over (partition by s.install_no
                               order by urgency, state = 'out_of_range' and limit_doubted, p_out_now desc nulls last, due_on,
                                        s.series_no) = 1
)
select p.install_no, l.install_id, l.site_label, l.area_no, l.area, l.model, p.state, p.co_out, p.due_on, p.p_out_now,
       s.indicator, s.series_no, s.label, s.unit, s.last_value, s.last_on, s.limit_low, s.limit_high, s.limit_doubted, s.before_work, s.doubted,
       v.planned_week, p.place
from picked p join page_labels l using (install_no)
left join lead_series s using (install_no)
left join visit_plan v on v.install_no = l.install_no;
