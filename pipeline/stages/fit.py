"""The drift of every series: fitted, and what is known of every open cycle, appliance model and kind of cleaning."""

from __future__ import annotations

import json

import polars as pl

from models.drift import SeriesFit, fit_series
from models.series import FitOptions
from pipeline.schema import SERIES, Series
from pipeline.settings import Settings
from pipeline.stages.drift_inputs import open_cycles, series_inputs
from pipeline.store import Store

DIGITS = 6  # of what is stored: sums of floats differ in their last digits from run to run

OPEN_CYCLES = """
    create or replace table open_cycles (install_no integer, series_no integer, m0 double, m1 double, v00 double, v01 double,
        v11 double, gamma double, hours_open double, basis varchar, readings integer)
"""


def fit(store: Store, settings: Settings, options: FitOptions = FitOptions()) -> None:
    """Fit every drifting series. Writes drift_fit and open_cycles."""
    store.run_file("70_drift_inputs.sql")
    installs = store.frame("select * from drift_installs")
    store.run(OPEN_CYCLES)
    summaries = []
    for series in SERIES:
        if series.reset_class == "none":
            continue
        fitted = fit_series(series_inputs(store, series, installs), options)
        summaries.append(summary(series, fitted))
        write_open_cycles(store, series, fitted)
    store.write("drift_fit", pl.DataFrame(summaries, schema_overrides={"reml": pl.Float64}))


def summary(series: Series, fitted: SeriesFit) -> dict[str, object]:
    """One row of drift_fit."""
    runs = fitted.readings
    return {
        "series_no": series.series_no,
        "indicator": series.indicator,
        "firing": series.firing,
        "readings": len(runs.z),
        "cycles": len(runs.start),
        "installs": len(set(runs.install_no.tolist())),
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


def write_open_cycles(store: Store, series: Series, fitted: SeriesFit) -> None:
    """The posterior of the open cycles of one series."""
    asked = open_cycles(store, series)
    if asked.is_empty():
        return
    known = fitted.posterior(asked)
    numbers = ["m0", "m1", "v00", "v01", "v11"]
    rows = (
        known.join(
            asked.select(pl.col("install_no", "cycle_no").cast(pl.Int64), "hours_open"), on=["install_no", "cycle_no"]
        )
        .sort("install_no")
        .select(
            pl.col("install_no").cast(pl.Int32),
            pl.lit(series.series_no, dtype=pl.Int32).alias("series_no"),
            *(pl.col(n).round_sig_figs(10) for n in numbers),
            "gamma",
            pl.col("hours_open").round(3),
            "basis",
            "readings",
        )
    )
    store.append("open_cycles", rows)
