"""The drift of every series: fitted, and what is known of every open cycle, appliance model and kind of cleaning."""

from __future__ import annotations

import json
from functools import partial
from typing import Any

import numpy as np
import polars as pl
from threadpoolctl import threadpool_limits

from models.drift.analysers import STATED
from models.drift.fitted import SeriesFit, Told
from models.drift.pace import SCHEMA as PACE_SCHEMA
from models.drift.series import FitOptions
from models.fleets.small import Member, fitted_together
from models.known.cleaning import SCHEMA as CLEANING
from models.known.doubts import after_visits
from models.known.rates import SCHEMA as RATES
from models.tails import Z80
from pipeline.schema import SERIES, Series
from pipeline.settings import Settings
from pipeline.stages.doubted_readings import count_doubted
from pipeline.stages.drift_asked import LAST_VALUES, Asked, Asking, last_values
from pipeline.stages.drift_inputs import ranges, series_rows
from pipeline.stages.drift_shards import fitted_in_shards, written
from pipeline.stages.side_by_side import Mapper, behind, end_helpers, side_by_side
from pipeline.store import Store

DEFAULTS = FitOptions()
MEANWHILE_GB = 0.6  # of memory for the store while shards want the rest
HELD_ROWS = 100_000  # of open cycles, before they are written
DIGITS = 6  # of what is stored: sums of floats differ in their last digits from run to run

# What fouls an exchanger raises flue temperature and CO together; oxygen drifts together at both firings.
GROUPS = (
    {("flue_over_return_k", "high"), ("co_air_free_ppm", "high"), ("co_air_free_ppm", "low")},
    {("o2_pct", "high"), ("o2_pct", "low")},
    {("flame_current_ua", "high")},
    {("trap_drain_s", "any")},
    {("condensate_ph", "any")},
)
SERIES_COLUMNS: dict[str, Any] = {"series_no": pl.Int32, "indicator": pl.String, "firing": pl.String}
RATES_EMPTY = pl.DataFrame(schema=SERIES_COLUMNS | RATES)
CLEANING_EMPTY = pl.DataFrame(schema=SERIES_COLUMNS | CLEANING)
ANALYSERS = pl.DataFrame(
    schema={
        "analyser_id": pl.String,
        "indicator": pl.String,
        "bias": pl.Float64,
        "low": pl.Float64,
        "high": pl.Float64,
        "tests": pl.Int32,
        "unit": pl.String,
        "wants_calibration": pl.Boolean,
    }
)
PACES = pl.DataFrame(schema=SERIES_COLUMNS | PACE_SCHEMA)

OPEN_CYCLES = """
    create or replace table open_cycles (install_no integer, series_no integer, m0 double, m1 double, v00 double,
        v01 double, v11 double, gamma double, hours_open double, basis varchar, readings integer)
"""
OPEN_DOUBTS = """
    create or replace table open_doubts as select *, 0::double as chance from open_cycles limit 0
"""


def fit(
    store: Store,
    settings: Settings,
    options: FitOptions = DEFAULTS,
    mapper: Mapper = side_by_side,
    place: str | None = None,
) -> None:
    """Fit every drifting series.

    mapper: who works on the pieces, here and in helpers beside if not told otherwise. place: a folder all of them see,
    where a large fleet's shards are handed over; if not given one beside the store. It is gone afterwards.

    Writes drift_fit (one row per series), open_cycles (per install and series), open_doubts (the cycle that
    unrecorded work may have opened since, and the chance of it), model_drift (per model and series),
    cleaning_effects, analyser_bias, pace_changes, last_values (per install and series, also such without drift) and
    doubted_readings, those of them that are in doubt.
    """
    store.run_file("70_drift_inputs.sql")
    installs = store.frame("select * from drift_installs")
    groups = [[series for series in SERIES if (series.indicator, series.firing) in group] for group in GROUPS]
    store.run(OPEN_CYCLES)
    store.run(OPEN_DOUBTS)
    with store.beside() as own:
        results = Results(own)
        if installs.height > 2 * options.search_installs:
            _fit_in_shards(store, groups, installs, options, mapper, place, results)
        else:
            _fit_together(store, groups, installs, options, mapper, results)
        results.write()
    count_doubted(store)
    store.run_file("72_drift_results.sql")


class Results:
    """What the fits found, series by series, on its way into the store."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.summaries: list[dict[str, object]] = []
        self.rates, self.cleanings, self.analysers, self.paces = [RATES_EMPTY], [CLEANING_EMPTY], [ANALYSERS], [PACES]
        self.opened: list[pl.DataFrame] = []
        self.doubted: list[pl.DataFrame] = []

    def take(self, series: Series, fitted: Told, asked: Asked) -> None:
        """A series with its fit and the cycles asked for."""
        self.summaries.append(summary(series, fitted))
        if not fitted.counts[0]:
            return  # what nobody in the fleet ever read has no forecast: the priors alone know no appliance
        if asked.open.height:
            now, maybe = open_rows(series, fitted, asked)
            self.opened.append(now)
            self.doubted.append(maybe)
        if sum(rows.height for rows in self.opened) > HELD_ROWS:
            append_all(self.store, self.opened, self.doubted)
        self.rates.append(of_series(series, fitted.rates).select(RATES_EMPTY.columns))
        self.cleanings.append(of_series(series, fitted.cleanings).select(CLEANING_EMPTY.columns))
        self.analysers.append(analyser_rows(self.store, series, fitted.fit))
        if fitted.fit.pace is not None:
            self.paces.append(of_series(series, fitted.fit.pace).select(PACES.columns))

    def write(self) -> None:
        append_all(self.store, self.opened, self.doubted)
        self.summaries.sort(key=lambda row: int(str(row["series_no"])))
        self.store.write("drift_fit", pl.DataFrame(self.summaries, schema_overrides={"reml": pl.Float64}))
        self.store.write("model_drift", rounded(pl.concat(self.rates)))
        self.store.write("analyser_bias", rounded(pl.concat(self.analysers).sort("analyser_id", "indicator")))
        self.store.write("drift_cleanings", rounded(pl.concat(self.cleanings)))
        self.store.write("drift_paces", rounded(pl.concat(self.paces)))


def _fit_together(
    store: Store,
    groups: list[list[Series]],
    installs: pl.DataFrame,
    options: FitOptions,
    mapper: Mapper,
    results: Results,
) -> None:
    """A small fleet: all series at once."""
    members = [series for group in groups for series in group]
    rows = dict(zip(SERIES, series_rows(store, SERIES), strict=True))
    store.run(LAST_VALUES)
    store.append("last_values", pl.concat(map(last_values, rows.values())))
    asking = Asking(store)
    asked = {s: asking.of(rows[s], ends) for s, ends in zip(members, ranges(store, members), strict=True)}
    pieces = {s: Member(rows[s].inputs(installs), asked[s].open, asked[s].doubted, asked[s].visits) for s in members}
    told = mapper(partial(fitted_together, options=options), [[pieces[series] for series in group] for group in groups])
    for group, fitted in zip(groups, told, strict=True):
        for series, one in zip(group, fitted, strict=True):
            results.take(series, one, asked[series])


def _fit_in_shards(
    store: Store,
    groups: list[list[Series]],
    installs: pl.DataFrame,
    options: FitOptions,
    mapper: Mapper,
    place: str | None,
    results: Results,
) -> None:
    """A large fleet, group by group; what is told of one is put into rows and stored while the next one is fitted."""
    # matrices of a few columns: more threads in them wait for each other
    with written(store, SERIES, installs, options, place) as folder, threadpool_limits(1):
        wanted = lambda series: Asked.kept(folder, series).cycles  # read anew, not held while shards want memory

        def take(group: list[Series], told: list[Told]) -> None:
            for series in group:
                results.take(series, told.pop(0), Asked.kept(folder, series))

        with store.held_to(MEANWHILE_GB), behind() as beside:
            fits = fitted_in_shards(folder, groups, installs, options, mapper, wanted)
            for group, told in zip(groups, fits, strict=True):
                beside(partial(take, group, told))
    if mapper is side_by_side:
        end_helpers()  # what they hold of shards no later stage wants


def summary(series: Series, told: Told) -> dict[str, object]:
    """One row of drift_fit."""
    fitted = told.fit
    readings, cycles, installs = told.counts
    return {
        "series_no": series.series_no,
        "indicator": series.indicator,
        "firing": series.firing,
        "readings": readings,
        "cycles": cycles,
        "installs": installs,
        "sigma": round(fitted.sigma, DIGITS),
        "reml": None if fitted.reml is None else round(fitted.reml, 3),
        "gamma_json": json.dumps({str(k): v for k, v in sorted(fitted.gamma.items())}),
        "psi_json": json.dumps(
            {
                level: psi.round(8).tolist()
                for level, psi in zip(("cycle", "install", "model", "design"), fitted.psi, strict=True)
            }
        ),
        "fixed_json": json.dumps({k: [round(a, DIGITS), round(b, DIGITS)] for k, (a, b) in fitted.fixed.items()}),
        "downweighted_share": round(fitted.downweighted_share, DIGITS),
        "note": fitted.note,
    }


def open_rows(series: Series, fitted: Told, asked: Asked) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of open_cycles of one series and of open_doubts: the posterior of the open cycles, and of those that
    unrecorded work may have opened since."""
    known, doubts, fit = fitted.known, fitted.doubts, fitted.fit
    if doubts is None:
        known, doubts = after_visits(known, asked.open, asked.visits, fit.open_share, fit.sigma, series.transform)
    chance = doubts.select(pl.col("install_no").cast(pl.Int32), pl.col("chance").round_sig_figs(DIGITS))
    told = known_rows(known, asked.doubted, series).join(chance, on="install_no", maintain_order="left")
    return known_rows(known, asked.open, series), told


def append_all(store: Store, opened: list[pl.DataFrame], doubted: list[pl.DataFrame]) -> None:
    """Write the rows of `open_rows` that were held, and let go of them."""
    for table, rows in (("open_cycles", opened), ("open_doubts", doubted)):
        if rows:
            store.append(table, pl.concat(rows))
        rows.clear()


def known_rows(known: pl.DataFrame, asked: pl.DataFrame, series: Series) -> pl.DataFrame:
    """The posteriors of the cycles asked for, as they are stored."""
    numbers = ["m0", "m1", "v00", "v01", "v11"]
    return (
        known.join(
            asked.select(pl.col("install_no", "cycle_no").cast(pl.Int64), "hours_open"), on=["install_no", "cycle_no"]
        )
        .sort("install_no")
        .select(
            pl.col("install_no").cast(pl.Int32),
            pl.lit(series.series_no, dtype=pl.Int32).alias("series_no"),
            *(pl.col(n).round_sig_figs(10) for n in numbers),
            "gamma",
            (pl.col("hours_open") - pl.col("hours_shift")).clip(0.0).round(3).alias("hours_open"),
            "basis",
            "readings",
        )
    )


def of_series(series: Series, rows: pl.DataFrame) -> pl.DataFrame:
    return rows.with_columns(
        pl.lit(series.series_no, dtype=pl.Int32).alias("series_no"),
        pl.lit(series.indicator).alias("indicator"),
        pl.lit(series.firing).alias("firing"),
    )


def rounded(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.with_columns(pl.col(pl.Float64).round_sig_figs(DIGITS))


def analyser_rows(store: Store, series: Series, fitted: SeriesFit) -> pl.DataFrame:
    """Biases of the analysers of one series, in the unit that suits people: a percentage of the reading on a log scale.

    Only series read off the flue gas; low fire would say the same again, so the high fire speaks.
    """
    found = fitted.analysers
    if found is None or series.firing == "low" or series.indicator not in STATED:
        return ANALYSERS
    names = store.frame("select analyser_no, analyser_id from drift_analysers")
    low, high = found.bias - Z80 * found.sd, found.bias + Z80 * found.sd
    unit = series.unit
    if series.transform == "log" and not series.indicator.endswith("_k"):
        low, high, middle, unit = (
            np.expm1(low) * 100,
            np.expm1(high) * 100,
            np.expm1(found.bias) * 100,
            "% of the reading",
        )
    else:
        middle = found.bias
    frame = pl.DataFrame(
        {
            "analyser_no": found.number.astype(np.int32),
            "bias": middle,
            "low": low,
            "high": high,
            "tests": found.tests.astype(np.int32),
            "wants_calibration": found.wants_calibration(STATED[series.indicator]),
        }
    )
    return (
        frame.join(names, on="analyser_no")
        .with_columns(pl.lit(series.indicator).alias("indicator"), pl.lit(unit).alias("unit"))
        .select(ANALYSERS.columns)
    )
