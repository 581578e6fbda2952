-- page_state: one row per install: what it needs, in one word, and the worst chance behind it.
-- reads: current_installs, current_areas, current_models, forecasts, doubted_readings, derived_values, observed_clock, current_visits, visit_clock, visit_plan, run_facts, page_options.   key: install_no.
-- page_options and page_series are written by the pages stage: weeks ahead, cards per area, units and labels as shown.
-- A variable is a constant to a query: it is compared where rows are read, and a subquery where they are put together.
set variable page_as_of = (select value::date from run_facts where key = 'as_of');
create or replace macro page_as_of() as getvariable('page_as_of')::date;
-- The plan begins with the first Monday from that day on.
create or replace macro page_first_week() as page_as_of() + ((8 - isodow(page_as_of())) % 7)::integer;
-- Of several series, the chance that any is out, taking them as independent; null where none is known.
create or replace macro page_any_out(chance) as
    if(count(chance) = 0, null, 1 - exp(sum(ln(greatest(1e-12, 1 - coalesce(chance, 0))))));
create or replace macro page_share(part, whole) as case when whole > 0 then part / whole end;

-- page_worst: what all series of an install say together.   key: install_no.
create or replace temp table page_worst as
select install_no,
       bool_or(state = 'out_of_range') as is_out,
       bool_or(state = 'in_range') as is_in,
       min(due_on) as due_on,
       page_any_out(p_out_now) as p_out_now,
       count(*) filter (state = 'out_of_range') as series_out,
       bool_or(state = 'out_of_range' and indicator = 'co_air_free_ppm') as co_out,
       max(last_value / nullif(limit_high, 0)) filter (state = 'out_of_range' and indicator = 'co_air_free_ppm') as co_times_limit
from forecasts group by install_no;

create or replace table page_state as
select i.install_no, i.install_id, i.area_no, i.model_no, w.due_on, w.p_out_now, coalesce(w.series_out, 0) as series_out,
       coalesce(w.co_out, false) as co_out, w.co_times_limit,
       case when w.is_out then 'out_of_range'
            when w.due_on <= page_as_of() + 90 then 'due'
            when w.is_in then 'in_range'
            else 'unknown' end as state
from current_installs i left join page_worst w using (install_no);

-- install_states: what each install needs, in one word; out of range goes before due, and due before all else. It stays
-- in the store, for whoever asks and for the summary of a run.   key: install_no.
create or replace table install_states as select install_no, due_on, state from page_state;

-- page_area_names: what people call each area; with its id where several bear one name, which would be taken for one.
create or replace view page_area_names as
select area_no, area_id, if(count(*) over (partition by name) > 1 and name <> area_id, name || ' (' || area_id || ')', name) as area
from (select area_no, area_id, coalesce(nullif(trim(name), ''), area_id) as name from current_areas);

-- page_labels: what people call each install.
create or replace view page_labels as
select i.install_no, i.install_id, i.area_no, i.model_no, nullif(trim(i.site_label), '') as site_label, i.fuel, i.installed_on, i.media_kg,
       m.model_id, coalesce(nullif(m.name, ''), m.model_id) as model, m.exchanger_design, m.exchanger_material, m.condensing,
       m.service_interval_months, a.area_id, a.area
from current_installs i
left join current_models m using (model_no)
left join page_area_names a using (area_no);

-- page_model_names: what people call each appliance model.
create or replace view page_model_names as
select model_no, model_id, coalesce(nullif(name, ''), model_id) as model from current_models;

-- page_indicators: what goes for an indicator at whatever firing.
create or replace view page_indicators as
select indicator, min(series_no) as series_no, any_value(short_label) as label, any_value(unit) as unit,
       any_value(unit_inside) as unit_inside, any_value(factor) as factor
from page_series group by indicator;

-- page_series_state: one row per install and series, in the units shown. before_work: the last value is from before work
-- that set it back, and nothing was read since. doubted: it counts, but is in doubt. urgency: 0 for CO that is out of range, 1 for what else is, 2 for the rest.
create or replace view page_series_state as
select f.install_no, s.series_no, s.label, s.short_label, s.unit, s.indicator, s.firing, f.state, f.last_stage, f.last_on,
       f.last_value * s.factor + s.shift as last_value,
       f.limit_low * s.factor + s.shift as limit_low, f.limit_high * s.factor + s.shift as limit_high,
       f.state = 'unknown' and f.last_value is not null and coalesce(f.limit_low, f.limit_high) is not null as before_work,
       d.install_no is not null as doubted,
       case when f.state = 'out_of_range' then if(f.indicator = 'co_air_free_ppm', 0, 1) else 2 end as urgency,
       f.limit_source, f.p_out_now, f.due_on, f.out_p10_on, f.out_p50_on, f.out_p90_on,
       f.rate_per_1000h * s.factor as rate, f.rate_low_per_1000h * s.factor as rate_low,
       f.rate_high_per_1000h * s.factor as rate_high, f.basis
from forecasts f join page_series s using (series_no)
left join doubted_readings d on d.install_no = f.install_no and d.series_no = f.series_no;

-- page_sample: some installs of each model and fuel, the same each run; what a picture or a check of limits is made from.
create or replace table page_sample as
select install_no, model_no, fuel from current_installs
qualify row_number() over (partition by model_no, fuel order by (install_no::bigint * 48271) % 2147483647, install_no)
        <= (select installs_sampled from page_options);

-- page_cards: one row per visit card: the installs planned for the coming weeks, at most so many per area, soonest first,
-- of a week those with CO out of range, the furthest out before the others.
create or replace table page_cards as
with soon as (
    select l.install_no, l.area_no, v.planned_week, v.due_on, v.leading_indicator, v.expected_minutes,
           v.p_out_at_planned, v.p_out_at_interval, v.tasks, v.take_along, v.last_visit_on,
           row_number() over (partition by l.area_no order by v.planned_week, s.co_out desc, s.co_times_limit desc nulls last,
                                                             v.p_out_at_planned desc nulls last, l.install_no) as card_no,
           count(*) over (partition by l.area_no) as in_window
    from visit_plan v join page_labels l using (install_no) join page_state s using (install_no)
    where v.planned_week is not null and v.planned_week <= page_as_of() + 7 * (select weeks_ahead::integer from page_options)
)
select * from soon where card_no <= (select cards_per_area from page_options);

-- page_has_card: whether an install has a card. A bit each: a join would copy all rows that it is asked of, wide ones too.
set variable page_last_install = (select coalesce(max(install_no), 0)::bigint from current_installs);
set variable page_card_installs = (select bitstring_agg(install_no::bigint, 0, getvariable('page_last_install')) from page_cards);
create or replace macro page_has_card(number) as get_bit(getvariable('page_card_installs'), number) = 1;

-- page_observations: every reading of the installs in page_sample and page_cards: what pages show reading by reading.
-- Temporary: a third of its cost was to be written into the store, for a few seconds.
set variable page_drawn_installs = (
    select bitstring_agg(install_no::bigint, 0, getvariable('page_last_install'))
    from (select install_no from page_sample union select install_no from page_cards));
create or replace macro page_is_drawn(number) as get_bit(getvariable('page_drawn_installs'), number) = 1;
create or replace temp table page_tests as from derived_values positional join observed_clock where page_is_drawn(install_no);
create or replace temp table page_visits as
select visit_no, visit_id, trap_drain_found_s, trap_drain_left_s, condensate_ph_found, condensate_ph_left, system_pressure_kpa
from current_visits where page_is_drawn(install_no);
create or replace temp table page_clock as from visit_clock where page_is_drawn(install_no);
create or replace temp table page_observations as
select install_no, series_no, visit_no, visited_on, stage, stage_order, hours_in_cycle, value, usable
from observations_of('page_tests', 'page_visits', 'page_clock');
