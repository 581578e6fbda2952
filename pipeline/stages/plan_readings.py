"""Readings that are out of range now: which cannot wait, and which tell of the typed limit instead."""

from __future__ import annotations

from pipeline.store import Store

# A limit is doubted where one appliance model reads just outside one end of it right after work, again and again.
FEWEST_READINGS, FEWEST_INSTALLS = 8, 3
DOUBTED_SHARE = 0.5  # of the readings left at visits
JUST_OUTSIDE = 0.25  # of the limit, for the model's median and for the install's own reading
MOST_READ = 50_000  # installs whose readings are looked at; larger fleets by an even sample
# System pressure is topped up at the next visit; beyond these the appliance locks out or its valve opens soon. [kPa]
PRESSURE_LOW, PRESSURE_HIGH = 50.0, 250.0  # common practice, no source
CO_LIKELY_OUT = 0.5

# By how much of its limit a value is out of range; below 0 inside, null without a limit.
BEYOND = """
create or replace macro beyond(value, low, high) as
    greatest((value - high) / nullif(abs(high), 0), (low - value) / nullif(abs(low), 0))
"""
DOUBTED = """
create or replace table suspect_limits as
with left_at as (
    select i.model_no, o.series_no, o.install_no, beyond(o.value, l.limit_low, l.limit_high) as excess,
        ((o.value > l.limit_high) is true)::integer as above, ((o.value < l.limit_low) is true)::integer as below
    from observations o
    join current_installs i on i.install_no = o.install_no
    join limits l on l.install_no = o.install_no and l.series_no = o.series_no
    where o.stage = 'as_left' and o.usable and o.install_no % ? = 0
        and o.indicator not in ('co_air_free_ppm', 'system_pressure_kpa')
        and o.series_no in (select distinct series_no from forecasts where state = 'out_of_range')
)
select model_no, series_no, count(*) as readings, count(distinct install_no) as installs,
    avg((excess > 0)::integer) as share_out, median(excess) filter (where excess > 0) as median_excess
from left_at where excess is not null group by model_no, series_no
having count(*) >= ? and count(distinct install_no) >= ? and greatest(avg(above), avg(below)) >= ?
    and median(excess) filter (where excess > 0) <= ?
order by model_no, series_no
"""
NONE_DOUBTED = """
create or replace table suspect_limits (
    model_no integer, series_no bigint, readings bigint, installs bigint, share_out double, median_excess double)
"""
# What these series say of these installs is laid to the limit.
EXCUSED = """
create or replace table excused_readings as
select f.install_no, f.series_no from forecasts f join current_installs i using (install_no)
join suspect_limits s on s.model_no = i.model_no and s.series_no = f.series_no
where not (f.state = 'out_of_range' and coalesce(beyond(f.last_value, f.limit_low, f.limit_high), 0) > ?)
order by f.series_no, f.install_no
"""
READINGS = """
create or replace table plan_readings as
with told as (
    select f.install_no, f.series_no, f.indicator, f.state = 'out_of_range' as is_out, f.last_value, f.p_out_now,
        coalesce(beyond(f.last_value, f.limit_low, f.limit_high), 0) as excess,
        e.install_no is not null as excuses, f.indicator = 'co_air_free_ppm' as co,
        f.indicator = 'system_pressure_kpa' as pressure
    from forecasts f left join excused_readings e on e.install_no = f.install_no and e.series_no = f.series_no
)
select install_no,
    bool_or(co and is_out) as co_out,
    bool_or(co and coalesce(p_out_now, 0) >= ?) as co_likely_out,
    bool_or(not co and is_out) as out_now,
    bool_or(is_out and not co and not excuses and (not pressure or last_value < ? or last_value > ?)) as at_once,
    coalesce(max(excess) filter (where is_out and not co and not excuses), 0) as excess,
    bool_or(is_out and excuses) as limit_doubted_out,
    bool_or(excuses) as limit_doubted,
    bool_or(pressure and is_out) as pressure_out
from told group by install_no
"""


def read_out_of_range(store: Store) -> None:
    """Write suspect_limits (model_no, series_no, …), excused_readings (install_no, series_no) and plan_readings, one
    row per install with forecasts.

    plan_readings: co_out; co_likely_out; out_now: any other; at_once: an indicator other than CO that is not to wait,
    excess: by how much of its limit it is out, the most; limit_doubted_out: out, but so is the whole model right after
    work; limit_doubted; pressure_out.
    """
    store.run(BEYOND)
    if store.has("observations") and store.has("limits"):
        every = max(1, int(store.scalar("select count(*) from current_installs") or 0) // MOST_READ)
        store.run(DOUBTED, [every, FEWEST_READINGS, FEWEST_INSTALLS, DOUBTED_SHARE, JUST_OUTSIDE])
    else:
        store.run(NONE_DOUBTED)
    store.run(EXCUSED, [JUST_OUTSIDE])
    store.run(READINGS, [CO_LIKELY_OUT, PRESSURE_LOW, PRESSURE_HIGH])


def excused(store: Store) -> list[tuple[int, list[int]]]:
    """Per series, the installs whose chances in it are laid to a doubted limit: [(series_no, install_nos), …]."""
    told: dict[int, list[int]] = {}
    for install, series in store.rows("from excused_readings order by series_no, install_no"):
        told.setdefault(int(series), []).append(int(install))
    return sorted(told.items())
