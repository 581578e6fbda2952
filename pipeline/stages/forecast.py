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
from pipeline.stages.model_ranking import interval_days, rank_series, write_models
from pipeline.stages.past_forecasts import trying_past
from pipeline.stages.side_by_side import Mapper, side_by_side
from pipeline.store import Store

MONTHS = 36
BLOCK = 16_000  # installs at a time: what one pass needs then stays in the cache
CURVE_BLOCK = 4_000  # the same for a value per install and month
REACHED = (0.10, 0.50, 0.90)
VALUE_COLUMNS = {
    "install_no": pl.Int32, "series_no": pl.Int32, "p_out_now": pl.Float64, "due_on": pl.Date, "out_p10_on": pl.Date,
    "out_p50_on": pl.Date, "out_p90_on": pl.Date, "rate_per_1000h": pl.Float64, "rate_low_per_1000h": pl.Float64,
    "rate_high_per_1000h": pl.Float64, "basis": pl.String,
}  # fmt: skip


def outlook_of(store: Store, series: Series, as_of: int) -> tuple[pl.DataFrame, Outlook]:
    """Every install with an open cycle of a series, in order, and what its forecast depends on.

    Returns the frame (install_no, basis, limits …) and the outlook, row by row alike.
    """
    frame, outlook = _outlook(store, series, as_of, "open_cycles")
    doubts, restarted = _outlook(store, series, as_of, "open_doubts")
    if not len(restarted):
        return frame, outlook
    doubt = np.zeros(len(frame))
    doubt[np.searchsorted(frame["install_no"].to_numpy(), doubts["install_no"].to_numpy())] = doubts["chance"]
    return frame, replace(outlook, doubt=doubt, restarted=restarted)


def _outlook(store: Store, series: Series, as_of: int, cycles: str) -> tuple[pl.DataFrame, Outlook]:
    """The same of the cycles of one table."""
    frame = store.frame(
        f"""
        select o.*, l.limit_low, l.limit_high, c.hours_per_year, c.hours_rel_sd, c.weather_rel_sd, c.now_h,
            c.counted_h, i.area_no, i.model_no
        from {cycles} o
        join limits l on l.install_no = o.install_no and l.series_no = o.series_no
        join install_clock c on c.install_no = o.install_no
        join current_installs i on i.install_no = o.install_no
        where o.series_no = ? and l.series_no = ?
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
    store.run_file("63_last_values.sql")
    store.write("forecast_values", pl.DataFrame(schema=VALUE_COLUMNS))
    store.run(f"create or replace table curve_values (install_no integer, series_no integer, p_out float[{MONTHS}])")
    interval, ranked = interval_days(store, as_of), []
    with trying_past(store, calendar, as_of, mapper):
        for series in SERIES:
            if series.reset_class == "none":
                continue
            frame, outlook = outlook_of(store, series, as_of)
            if not len(outlook):
                continue
            days_to_out = _forecast_series(store, settings, series, frame, outlook, calendar)
            ranked.append(rank_series(store, series, frame, outlook, days_to_out, interval, calendar))
        store.run_file("66_forecasts.sql")
        write_models(store, ranked)


def _forecast_series(
    store: Store, settings: Settings, series: Series, frame: pl.DataFrame, outlook: Outlook, calendar: LoadCalendar
) -> np.ndarray:
    """Write one series; returns the days to a chance of a half, inf beyond ten years, nan without a range."""
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

    store.append(
        "forecast_values",
        frame.select(
            "install_no",
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
        ),
    )
    kept = np.flatnonzero(ranged)
    store.append(
        "curve_values",
        pl.DataFrame(
            {
                "install_no": frame["install_no"].to_numpy()[kept],
                "series_no": np.full(len(kept), series.series_no, np.int32),
                "p_out": pl.Series(np.ascontiguousarray(curve[kept].round(6))),
            }
        ),
    )
    return np.where(ranged, np.where(reached[:, 2] > end, np.inf, reached[:, 2] - as_of), np.nan)
