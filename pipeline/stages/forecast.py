"""From the posterior of every open cycle to chances and dates, and from the models' drift to their ranking."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl

from models.chances.forecast import Outlook, chance_on, chance_on_own_day, horizon_day, last_days_within
from models.chances.present_rates import drift_rates
from models.clock.hours import LoadCalendar, first_of_months
from pipeline.schema import SERIES, Series
from pipeline.settings import Settings
from pipeline.stages.cycles import as_of_day, load_calendar
from pipeline.stages.forecast_rows import Block, among, keys
from pipeline.stages.model_ranking import interval_days, on_models, rank_series, write_models
from pipeline.stages.past_forecasts import trying_past
from pipeline.stages.side_by_side import Mapper, ahead, side_by_side
from pipeline.store import Store

MONTHS = 36
AT_ONCE = 125_000  # installs whose series are forecast before the next: so they lie in published order
BLOCK = 16_000  # installs at a time: what one pass needs then stays in the cache
CURVE_BLOCK = 4_000  # the same for a value per install and month
REACHED = (0.10, 0.50, 0.90)
VALUE_COLUMNS = {
    "install_no": pl.Int32, "series_no": pl.Int32, "p_out_now": pl.Float64, "due_on": pl.Date, "out_p10_on": pl.Date,
    "out_p50_on": pl.Date, "out_p90_on": pl.Date, "rate_per_1000h": pl.Float64, "rate_low_per_1000h": pl.Float64,
    "rate_high_per_1000h": pl.Float64, "basis": pl.String,
}  # fmt: skip
CURVE_COLUMNS: dict[str, Any] = {"install_no": pl.Int32, "series_no": pl.Int32, "p_out": pl.Array(pl.Float32, MONTHS)}


def outlook_of(store: Store, series: Series, as_of: int, installs: range | None = None) -> tuple[pl.DataFrame, Outlook]:
    """Every install with an open cycle of a series, or those with these numbers, in order, and what its forecast
    depends on.

    Returns the frame (install_no, basis, model_no …) and the outlook, row by row alike.
    """
    return _outlook(store, Block.of(store, installs), series, as_of, installs)


def _outlook(
    store: Store, block: Block, series: Series, as_of: int, installs: range | None
) -> tuple[pl.DataFrame, Outlook]:
    own = f"where series_no = {series.series_no} and {among(installs)} order by install_no"
    now, maybe = (store.frame(f"from {cycles} {own}") for cycles in ("open_cycles", "open_doubts"))
    frame, outlook = block.outlook(series, now, as_of)
    doubts, restarted = block.outlook(series, maybe, as_of)
    if not len(restarted):
        return frame, outlook
    doubt = np.zeros(len(frame))
    doubt[np.searchsorted(frame["install_no"].to_numpy(), doubts["install_no"].to_numpy())] = doubts["chance"]
    return frame, replace(outlook, doubt=doubt, restarted=restarted)


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
    with trying_past(store, calendar, as_of, mapper), store.beside() as reading:
        with ahead(_blocks(reading, settings, members, interval, calendar, as_of)) as blocks:
            for block in blocks:
                store.append("forecasts", block.forecasts)
                store.append("curve_values", block.curves)
                for series, rows in block.told.items():
                    told[series].append(rows)
        ranked = [rank_series(store, series, pl.concat(rows)) for series, rows in told.items() if rows]
        write_models(store, ranked)


@dataclass(frozen=True)
class _Forecast:
    """Of some installs: rows of forecasts and of curve_values, and `on_models` of each series."""

    forecasts: pl.DataFrame
    curves: pl.DataFrame
    told: dict[Series, pl.DataFrame]


def _blocks(
    store: Store,
    settings: Settings,
    members: Sequence[Series],
    interval: pl.DataFrame,
    calendar: LoadCalendar,
    as_of: int,
) -> Iterator[_Forecast]:
    """The installs of `interval` (see `interval_days`), AT_ONCE after the other."""
    for start in range(0, interval.height, AT_ONCE):
        installs = range(start, start + AT_ONCE)
        block = Block.of(store, installs)
        last = store.frame(f"from last_values where {among(installs)}")
        values: list[pl.DataFrame] = [pl.DataFrame(schema=VALUE_COLUMNS)]
        curves: list[tuple[Series, np.ndarray, np.ndarray]] = []
        told: dict[Series, pl.DataFrame] = {}
        outlooks = ((series, *_outlook(store, block, series, as_of, installs)) for series in members)
        with ahead(outlooks) as coming:
            for series, frame, outlook in coming:
                if not len(outlook):
                    continue
                value, curve, days_to_out = _forecast_series(settings, series, frame, outlook, calendar)
                values.append(value)
                curves.append(curve)
                told[series] = on_models(series, frame, outlook, days_to_out, interval, calendar)
        yield _Forecast(block.rows(last, pl.concat(values), as_of), _curve_rows(curves), told)


def _curve_rows(curves: list[tuple[Series, np.ndarray, np.ndarray]]) -> pl.DataFrame:
    """Rows of curve_values. curves: series, install_no and chances of the firsts of the months (n, MONTHS)."""
    if not curves:
        return pl.DataFrame(schema=CURVE_COLUMNS)
    installs = [install for _, install, _ in curves]
    rows = pl.DataFrame(
        {
            "install_no": np.concatenate(installs),
            "series_no": np.repeat(np.array([s.series_no for s, *_ in curves], np.int32), list(map(len, installs))),
        }
    )
    order = np.argsort(keys(rows), kind="stable")
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    chances = np.empty((len(order), MONTHS), np.float32)
    for own, (_, _, chance) in zip(np.split(place, np.cumsum(list(map(len, installs)))[:-1]), curves, strict=True):
        chances[own] = chance
    return rows[order].with_columns(p_out=pl.Series(chances))


def _forecast_series(
    settings: Settings, series: Series, frame: pl.DataFrame, outlook: Outlook, calendar: LoadCalendar
) -> tuple[pl.DataFrame, tuple[Series, np.ndarray, np.ndarray], np.ndarray]:
    """One series of some installs: VALUE_COLUMNS; its entry for `_curve_rows`, of installs with a range; and the
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
