"""From the posterior of every open cycle to chances and dates, and from the models' drift to their ranking."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import polars as pl

from models.forecast import (
    OWN_SHARE,
    Outlook,
    chance_on,
    chance_on_own_day,
    horizon_day,
    last_days_within,
    scaled_limits,
)
from models.hours import LoadCalendar, first_of_months
from models.present_rates import drift_rates
from pipeline.schema import SERIES, Series
from pipeline.settings import Settings
from pipeline.stages.cycles import as_of_day, load_calendar
from pipeline.stages.model_ranking import interval_days, on_models, rank_series, write_models
from pipeline.stages.past_forecasts import trying_past
from pipeline.stages.side_by_side import Mapper, side_by_side
from pipeline.store import Store

MONTHS = 36
AT_ONCE = (
    125_000  # installs whose series are forecast before the next: they come to lie in the order they are published in
)
BLOCK = 16_000  # installs at a time: what one pass needs then stays in the cache
CURVE_BLOCK = 4_000  # the same for a value per install and month
REACHED = (0.10, 0.50, 0.90)
VALUE_COLUMNS = {
    "install_no": pl.Int32, "series_no": pl.Int32, "p_out_now": pl.Float64, "due_on": pl.Date, "out_p10_on": pl.Date,
    "out_p50_on": pl.Date, "out_p90_on": pl.Date, "rate_per_1000h": pl.Float64, "rate_low_per_1000h": pl.Float64,
    "rate_high_per_1000h": pl.Float64, "basis": pl.String,
}  # fmt: skip

ROWS = """
    select
        i.install_id,
        s.indicator,
        s.firing,
        (select value from run_facts where key = 'as_of')::date as as_of,
        v.last_value,
        v.last_stage,
        v.last_on,
        o.limit_low,
        o.limit_high,
        o.limit_source,
        case
            when v.last_value is null or not v.of_open_cycle then 'unknown'
            when o.limit_low is null and o.limit_high is null then 'unknown'
            when v.last_value < o.limit_low or v.last_value > o.limit_high then 'out_of_range'
            else 'in_range'
        end as state,
        f.p_out_now,
        f.due_on,
        f.out_p10_on,
        f.out_p50_on,
        f.out_p90_on,
        f.rate_per_1000h,
        f.rate_low_per_1000h,
        f.rate_high_per_1000h,
        f.basis,
        o.install_no,
        o.series_no,
        o.general
    from limits o
    join current_installs i on i.install_no = o.install_no
    join (select *, row_number() over (order by indicator, firing) as place from series) s on s.series_no = o.series_no
    left join last_values v on v.install_no = o.install_no and v.series_no = o.series_no
    left join forecast_values f on f.install_no = o.install_no and f.series_no = o.series_no
    where {some}
    order by o.install_no, s.place
"""


def outlook_of(store: Store, series: Series, as_of: int, installs: range | None = None) -> tuple[pl.DataFrame, Outlook]:
    """Every install with an open cycle of a series, or those with these numbers, in order, and what its forecast
    depends on.

    Returns the frame (install_no, basis, limits …) and the outlook, row by row alike.
    """
    some = "true" if installs is None else among(installs)
    frame, outlook = _outlook(store, series, as_of, "open_cycles", some)
    doubts, restarted = _outlook(store, series, as_of, "open_doubts", some)
    if not len(restarted):
        return frame, outlook
    doubt = np.zeros(len(frame))
    doubt[np.searchsorted(frame["install_no"].to_numpy(), doubts["install_no"].to_numpy())] = doubts["chance"]
    return frame, replace(outlook, doubt=doubt, restarted=restarted)


def among(installs: range) -> str:
    """Of a relation `o`: whether its install is one of these; for SQL."""
    return f"o.install_no >= {installs.start} and o.install_no < {installs.stop}"


def _outlook(store: Store, series: Series, as_of: int, cycles: str, some: str) -> tuple[pl.DataFrame, Outlook]:
    """The same of the cycles of one table."""
    frame = store.frame(
        f"""
        select o.*, l.limit_low, l.limit_high, c.hours_per_year, c.hours_rel_sd, c.weather_rel_sd, c.now_h,
            c.counted_h, i.area_no, i.model_no
        from {cycles} o
        join limits l on l.install_no = o.install_no and l.series_no = o.series_no
        join install_clock c on c.install_no = o.install_no
        join current_installs i on i.install_no = o.install_no
        where o.series_no = ? and l.series_no = ? and {some}
        order by o.install_no
        """,
        [series.series_no, series.series_no],
    )

    def column(name: str) -> np.ndarray:
        return frame[name].cast(pl.Float64).to_numpy()

    low, high = scaled_limits(column("limit_low"), column("limit_high"), series.transform)
    hours_open = np.maximum(column("hours_open"), 0.0)
    since_counter = np.maximum(column("now_h") - column("counted_h"), 0.0)
    return frame, Outlook(
        m0=column("m0"), m1=column("m1"), v00=column("v00"), v01=column("v01"), v11=column("v11"),
        gamma=column("gamma"), low=low, high=high, hours_open=hours_open,
        counted_open=np.maximum(hours_open - since_counter, 0.0), per_year=np.maximum(column("hours_per_year"), 1.0),
        rel_sd=column("hours_rel_sd"), weather_sd=column("weather_rel_sd"),
        own=np.where((frame["basis"] == "install").to_numpy(), OWN_SHARE, 0.0),
        area_no=frame["area_no"].to_numpy().astype(np.int64), as_of=as_of,
    )  # fmt: skip


def forecast(store: Store, settings: Settings, mapper: Mapper = side_by_side) -> None:
    """Write forecasts, forecast_curve, appliance_models, backtest_scores and backtest_bins.

    Without a range a series has no forecast, and the water pressure has a state only.
    """
    calendar, as_of = load_calendar(store), as_of_day(store)
    store.run_file("66_forecasts.sql")
    store.run(f"create or replace table curve_values (install_no integer, series_no integer, p_out float[{MONTHS}])")
    store.run_file("67_forecast_curve.sql")
    interval = interval_days(store, as_of)
    members = [series for series in SERIES if series.reset_class != "none"]
    told: dict[Series, list[pl.DataFrame]] = {series: [] for series in members}
    with trying_past(store, calendar, as_of, mapper):
        for start in range(0, interval.height, AT_ONCE):
            installs = range(start, start + AT_ONCE)
            values: list[pl.DataFrame] = [pl.DataFrame(schema=VALUE_COLUMNS)]
            curves: list[tuple[Series, np.ndarray, np.ndarray]] = []
            for series in members:
                frame, outlook = outlook_of(store, series, as_of, installs)
                if not len(outlook):
                    continue
                value, curve, days_to_out = _forecast_series(settings, series, frame, outlook, calendar)
                values.append(value)
                curves.append(curve)
                told[series].append(on_models(series, frame, outlook, days_to_out, interval, calendar))
            _append_forecasts(store, installs, pl.concat(values))
            _append_curves(store, curves)
        ranked = [rank_series(store, series, pl.concat(rows)) for series, rows in told.items() if rows]
        write_models(store, ranked)


def _append_forecasts(store: Store, installs: range, values: pl.DataFrame) -> None:
    store.db.register("forecast_values", values)
    try:
        store.run(f"insert into forecasts {ROWS.format(some=among(installs))}")
    finally:
        store.db.unregister("forecast_values")


def _append_curves(store: Store, curves: list[tuple[Series, np.ndarray, np.ndarray]]) -> None:
    """curves: series, install_no and chances of the firsts of the months (n, MONTHS)."""
    if not curves:
        return
    curves = sorted(curves, key=lambda told: (told[0].indicator, told[0].firing))
    install = np.concatenate([installs for _, installs, _ in curves])
    number = np.repeat([series.series_no for series, _, _ in curves], [len(installs) for _, installs, _ in curves])
    order = np.argsort(install, kind="stable")
    chances = np.concatenate([chances for _, _, chances in curves])[order]
    store.append(
        "curve_values",
        pl.DataFrame(
            {"install_no": install[order], "series_no": number[order].astype(np.int32), "p_out": pl.Series(chances)}
        ),
    )


def _forecast_series(
    settings: Settings, series: Series, frame: pl.DataFrame, outlook: Outlook, calendar: LoadCalendar
) -> tuple[pl.DataFrame, tuple[Series, np.ndarray, np.ndarray], np.ndarray]:
    """One series of some installs: VALUE_COLUMNS; its entry for `_append_curves`, of installs with a range; and the
    days to a chance of a half, inf beyond ten years, nan without a range."""
    as_of = outlook.as_of
    months = first_of_months(as_of, MONTHS)
    wanted = (settings.risk_tolerance, *REACHED)
    tolerances = sorted(set(wanted))
    ranged = np.isfinite(outlook.low) | np.isfinite(outlook.high)

    def part(start: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, tuple[np.ndarray, ...]]:
        block = outlook.rows(slice(start, start + BLOCK))
        now = chance_on_own_day(block, calendar, np.full(len(block), as_of))
        days = last_days_within(block, calendar, tolerances)
        pieces = [block.rows(slice(k, k + CURVE_BLOCK)) for k in range(0, len(block), CURVE_BLOCK)]
        curve = np.concatenate([chance_on(piece, calendar, months).astype(np.float32) for piece in pieces])
        return now, days, curve, drift_rates(block, series.transform)

    # numpy and scipy let go of the interpreter lock, so blocks run side by side.
    with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:
        parts = list(pool.map(part, range(0, len(outlook), BLOCK)))
    now, days, curve = (np.concatenate([p[k] for p in parts]) for k in range(3))
    days = days[:, [tolerances.index(chance) for chance in wanted]]
    rate, rate_low, rate_high = (np.concatenate([p[3][k] for p in parts]) for k in range(3))

    end = horizon_day(as_of)
    # Up to tolerance: the last such day. Reached: the day after it. Both as_of where that has passed.
    reached = np.column_stack([days[:, :1], days[:, 1:] + 1])
    reached = np.where(days < as_of, as_of, reached)
    beyond = (reached > end) | ~ranged[:, None]

    def dates(k: int) -> pl.Series:
        return (
            pl.Series(np.where(beyond[:, k], 0, reached[:, k]).astype(np.int32))
            .set(pl.Series(beyond[:, k]), None)
            .cast(pl.Date)
        )

    def numbers(values: np.ndarray, digits: int, empty: np.ndarray | None = None) -> pl.Series:
        kept = np.isfinite(values) if empty is None else np.isfinite(values) & ~empty
        return pl.Series(np.where(kept, values, 0.0).round(digits)).set(pl.Series(~kept), None)

    values = frame.select(
        pl.col("install_no").cast(pl.Int32),
        series_no=pl.lit(series.series_no, pl.Int32),
        p_out_now=numbers(now, 6, ~ranged),
        due_on=dates(0),
        out_p10_on=dates(1),
        out_p50_on=dates(2),
        out_p90_on=dates(3),
        rate_per_1000h=numbers(rate, 6),
        rate_low_per_1000h=numbers(rate_low, 6),
        rate_high_per_1000h=numbers(rate_high, 6),
        basis="basis",
    )
    kept = np.flatnonzero(ranged)
    curves = (series, frame["install_no"].to_numpy()[kept], curve[kept].round(6))
    return values, curves, np.where(ranged, np.where(reached[:, 2] > end, np.inf, reached[:, 2] - as_of), np.nan)
