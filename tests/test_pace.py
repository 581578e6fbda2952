"""Changes of pace: a bad batch is found where there is one, and nothing where there is none."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from drift_fleet import FIRST_DAY, fleet

from models.drift.fit import fit_series
from models.drift.series import FitOptions
from models.known.posteriors import posterior

OPTIONS = FitOptions(gammas=(1.0,), breaks=False, analysers=False, robust_rounds=1)


def test_a_bad_batch_is_told_and_the_forecast_follows():
    made = fleet(installs=500, seed=51, bad_batch=1.8)
    fit = fit_series(made.inputs, OPTIONS)
    assert fit.pace is not None
    first = fit.pace.row(0, named=True)
    assert (first["scope"], first["number"], first["since_year"]) == ("batch", 0, 2014)
    assert first["ratio"] == pytest.approx(1.8, abs=0.25)
    assert first["low"] < first["ratio"] < first["high"]
    assert first["p"] < 0.01
    # an install of the batch that was never read is expected to drift at the batch's pace
    park = made.inputs.installs
    base = park.filter(pl.col("design_no") == 0).head(1)
    pair = pl.concat(
        [
            base.with_columns(install_no=pl.lit(900, dtype=pl.Int32), installed_year=pl.lit(2012, dtype=pl.Int32)),
            base.with_columns(install_no=pl.lit(901, dtype=pl.Int32), installed_year=pl.lit(2016, dtype=pl.Int32)),
        ]
    )
    wide = replace(fit, inputs=replace(made.inputs, installs=pl.concat([park, pair])))
    asked = pl.DataFrame(
        {"install_no": [900, 901], "cycle_no": [0, 0], "opened_by": ["new", "new"], "value_before": [None] * 2}
    )
    rate = posterior(wide, asked.with_columns(pl.col("value_before").cast(pl.Float64)))["m1"]
    assert rate[1] / rate[0] == pytest.approx(first["ratio"], rel=0.1)


def test_a_design_that_changes_from_a_year_on_is_told():
    made = fleet(installs=500, seed=52, unknown=0.0)
    year = pl.from_epoch(pl.lit(FIRST_DAY + 4 * 365), time_unit="d").dt.year()
    park = made.inputs.installs.select("install_no", "design_no")
    late = made.inputs.cycles.join(park, on="install_no").filter(
        (pl.col("design_no") == 1) & (pl.from_epoch(pl.col("opened_day"), time_unit="d").dt.year() >= year)
    )
    faster = (
        made.inputs.readings.join(
            late.select("install_no", "cycle_no", pl.lit(1.0).alias("late")),
            on=["install_no", "cycle_no"],
            how="left",
            maintain_order="left",
        )
        .with_columns(value=pl.col("value") * (0.10 * pl.col("late").fill_null(0) * pl.col("hours") / 1000).exp())
        .drop("late")
    )
    fit = fit_series(replace(made.inputs, readings=faster), OPTIONS)
    assert fit.pace is not None
    told = fit.pace.filter((pl.col("scope") == "design") & (pl.col("number") == 1))
    assert told.height == 1
    assert abs(told["since_year"][0] - 2015) <= 1
    assert told["ratio"][0] > 1.4


@pytest.mark.parametrize("seed", [53, 54, 55])
def test_a_steady_fleet_gives_no_change(seed):
    assert fit_series(fleet(installs=300, seed=seed).inputs, OPTIONS).pace is None
