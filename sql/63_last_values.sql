-- last_values: one row per install and series that was ever observed: the newest usable value.
-- reads: observations, cycles_now, series.   key: install_no, series_no.
-- of_open_cycle is false where the newest visit, or a later one, set the indicator back and left no value: then the last
-- value says nothing of now.
create or replace table last_values as
with newest as (
    select
        install_no,
        series_no,
        arg_max(value, 2 * visit_no::bigint + stage_order) as last_value,
        max(2 * visit_no::bigint + stage_order) as last_place,
        arg_max(visited_on, 2 * visit_no::bigint + stage_order) as last_on,
        arg_max(cycle_no, 2 * visit_no::bigint + stage_order) as cycle_no
    from observations
    where usable
    group by install_no, series_no
)
select
    n.install_no,
    n.series_no,
    n.last_value,
    case when n.last_place % 2 = 0 then 'as_found' else 'as_left' end as last_stage,
    n.last_on,
    case s.reset_class
        when 'exchanger' then n.cycle_no = c.exchanger
        when 'burner' then n.cycle_no = c.burner
        when 'electrodes' then n.cycle_no = c.electrodes
        when 'trap' then n.cycle_no = c.trap
        when 'media' then n.cycle_no = c.media
        else true
    end as of_open_cycle
from newest n
join cycles_now c on c.install_no = n.install_no
join series s on s.series_no = n.series_no;
