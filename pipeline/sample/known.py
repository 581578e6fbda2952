"""The truth behind a sample fleet, as tables for tests: what the pipeline should find out, and must not read."""

import numpy as np
import polars as pl

from pipeline.sample.records import names
from pipeline.sample.scenario import LOG, MATERIALS, SERIES, Scenario
from pipeline.sample.simulate import (
    CLEANINGS,
    RESTORED_BY_ADJUSTING,
    RESTORED_CO,
    RESTORED_FLUE,
    RESTORED_O2,
    Fleet,
    own_unit,
)
from pipeline.sample.truth import K


def install_truth(fleet: Fleet) -> pl.DataFrame:
    """truth.csv: one row per install and series that applies there, by install, then series.

    as_of is the last day of the records. level, rate, gamma: z = level + rate * (hours/1000)**gamma on the drift
    model's scale (log or identity), of the open cycle; hours_open: burner hours since it began; value: the indicator
    itself at as_of; rate_per_1000h: its drift then, in its own unit; out_on: the day the true value leaves the range if
    nobody visits (as_of if it has already, empty beyond some 15 years); hours_per_year: in typical weather.
    """
    truth, n = fleet.truth, len(fleet.truth)
    every = np.arange(n)
    day = np.full(n, fleet.scenario.until_day)
    z = fleet.latent(every, day)
    hours = fleet.clock(every, day)[:, None] - fleet.opened_h
    tau = np.maximum(hours, 1.0) / 1000
    slope = fleet.rate * truth.gamma * tau ** (truth.gamma - 1)
    value = own_unit(z)
    leaves = fleet.out_days(every, day)
    low, high = own_unit(truth.low), own_unit(truth.high)
    table = {
        "install_id": names("K", np.repeat(truth.number, K), 7),
        "indicator": np.tile([indicator for indicator, _ in SERIES], n),
        "firing": np.tile([firing for _, firing in SERIES], n),
        "as_of": pl.Series(np.full(n * K, fleet.scenario.until_day, dtype=np.int32)).cast(pl.Date),
        "level": np.round(fleet.level.ravel(), 5),
        "rate": np.round(fleet.rate.ravel(), 5),
        "gamma": truth.gamma.ravel(),
        "hours_open": np.round(hours.ravel(), 1),
        "value": np.round(value.ravel(), 4),
        "rate_per_1000h": np.round((slope * np.where(LOG, value, 1.0)).ravel(), 5),
        "limit_low": pl.Series(np.round(low.ravel(), 4)).fill_nan(None),
        "limit_high": pl.Series(np.round(high.ravel(), 4)).fill_nan(None),
        "out_on": pl.Series(np.where(np.isfinite(leaves), leaves, -1).ravel().astype(np.int32)),
        "hours_per_year": np.round(np.repeat(truth.hours_per_year, K), 1),
    }
    frame = pl.DataFrame(table).filter(pl.Series(truth.applies.ravel()))
    return frame.with_columns(pl.when(pl.col("out_on") >= 0).then(pl.col("out_on").cast(pl.Date)).alias("out_on"))


def analyser_truth(scenario: Scenario) -> pl.DataFrame:
    """truth_analysers.csv: the bias of each analyser, on O2 and flue temperature as a difference, on CO as a factor."""
    return pl.DataFrame(
        {
            "analyser_id": names("G", np.arange(len(scenario.bias)) + 1, 4),
            "o2_pct": np.round(scenario.bias[:, 0], 4),
            "co_factor": np.round(np.exp(scenario.bias[:, 1]), 4),
            "flue_temp_k": np.round(scenario.bias[:, 2], 4),
        }
    )


def cleaning_truth() -> pl.DataFrame:
    """truth_cleaning.csv: share of what had built up that each kind of work takes away."""
    rows = [
        ("flue_over_return_k", material, kind, float(RESTORED_FLUE[k, m]))
        for m, material in enumerate(MATERIALS)
        for k, kind in enumerate(CLEANINGS)
        if k
    ]
    for indicator, shares, adjusted in (
        ("co_air_free_ppm", RESTORED_CO, RESTORED_BY_ADJUSTING[1]),
        ("o2_pct", RESTORED_O2, RESTORED_BY_ADJUSTING[3]),
    ):
        rows += [(indicator, "any", kind, float(shares[k])) for k, kind in enumerate(CLEANINGS) if k]
        rows.append((indicator, "any", "adjusted", float(adjusted)))
    return pl.DataFrame(rows, schema=["indicator", "exchanger_material", "kind", "restored_share"], orient="row")
