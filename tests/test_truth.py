"""Whole runs over made fleets beside their truth: intervals hold it about as often as they say, and chances come true.

The bounds lie some three standard errors outside of what is aimed at (80 %, a slope of 1), so that a fall in quality
fails and a change of seed does not; the benchmark of the same name measures more closely.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.schema import SERIES
from pipeline.store import Store

sys.path.insert(0, str(Path(__file__).parent / "bench"))
import bench_truth

INSTALLS, SEEDS, YEARS = 900, (311, 50_311), 8.0


@pytest.fixture(scope="module")
def beside_truth(tmp_path_factory) -> dict[str, pl.DataFrame]:
    folder = tmp_path_factory.mktemp("truth")
    tables: dict[str, list[pl.DataFrame]] = {"installs": [], "models": [], "work": [], "analysers": []}
    for seed in SEEDS:
        fleet, done = bench_truth.run(folder, INSTALLS, seed, YEARS, ["fit", "forecast"])
        with Store.open(done, read_only=True) as store:
            doubts = store.frame("select install_no, series_no from open_doubts").with_columns(doubted=True)
            installs = bench_truth.of_installs(fleet, store)
            tables["installs"].append(installs.join(doubts, on=["install_no", "series_no"], how="left"))
            tables["models"].append(bench_truth.of_models(fleet, store, INSTALLS, seed, YEARS))
            tables["work"].append(bench_truth.of_work(fleet, store))
            true = pl.read_csv(fleet / "truth_analysers.csv")
            tables["analysers"].append(store.frame("select * from analyser_bias").join(true, on="analyser_id"))
    return {name: pl.concat(parts) for name, parts in tables.items()}


@pytest.mark.slow
def test_eighty_per_cent_intervals_hold_the_truth_four_times_in_five(beside_truth):
    rows = beside_truth["installs"]
    off = rows["off"].abs() < bench_truth.Z80
    assert float(off.mean()) == pytest.approx(0.80, abs=0.03)
    assert float(rows["rate_in"].mean()) == pytest.approx(0.80, abs=0.03)
    for series in SERIES[:8]:
        own = rows.filter(pl.col("series_no") == series.series_no)
        assert 0.74 < (own["off"].abs() < bench_truth.Z80).mean() < 0.90, series
        assert 0.74 < own["rate_in"].mean() < 0.87, series


@pytest.mark.slow
def test_model_rates_hold_the_truth_whatever_the_shape_of_their_drift(beside_truth):
    """Models of one design share its error: the standard error of the share is some 0.05."""
    models = beside_truth["models"]
    assert 0.65 < (models["off"].abs() < bench_truth.Z80).mean() < 0.93
    flue = models.filter(pl.col("series_no") == 0)
    assert (flue["off"].abs() < bench_truth.Z80).mean() > 0.6
    assert flue["off"].abs().max() < 5


@pytest.mark.slow
def test_analysers_of_one_area_are_told_apart_from_its_installs(beside_truth):
    """All readings of an area are made by its few analysers: what they share must not be taken for the installs'."""
    analysers = beside_truth["analysers"]
    flue = analysers.filter(pl.col("indicator") == "flue_over_return_k")
    assert flue["flue_temp_k"].max() > 2
    assert (flue["bias"] - flue["flue_temp_k"]).abs().max() < 0.5
    oxygen = analysers.filter(pl.col("indicator") == "o2_pct")
    assert (oxygen["bias"] - oxygen["o2_pct"]).abs().max() < 0.15


@pytest.mark.slow
def test_work_restores_what_it_restored(beside_truth):
    work = beside_truth["work"]
    assert (work["restored_share"] - work["true"]).abs().mean() < 0.06
    assert work["inside"].mean() > 0.5


@pytest.mark.slow
def test_installs_whose_newest_visit_left_its_work_open_are_not_told_more_surely_than_they_are_known(beside_truth):
    """Were the cycle taken to go on, values would lie 3 standard deviations off and 140 be told where 80 came."""
    rows = beside_truth["installs"].filter(pl.col("doubted").fill_null(False))
    assert rows.height > 150
    assert float(np.sqrt((rows["off"] ** 2).mean())) < 1.4
    assert (rows["off"].abs() < bench_truth.Z80).mean() > 0.7
    ranged = rows.drop_nulls("p12")
    p = ranged["p12"].to_numpy().astype(float)
    assert abs(ranged["out12"].sum() - p.sum()) < 3 * np.sqrt((p * (1 - p)).sum())


@pytest.mark.slow
def test_chances_against_what_was_to_come(beside_truth):
    """All series together: some hundred events, the standard error of the slope is 0.06."""
    rows = beside_truth["installs"].drop_nulls("p6")
    for months in (6, 12):
        slope, se = bench_truth.slope(rows[f"p{months}"].to_numpy().astype(float), rows[f"out{months}"].to_numpy())
        assert se < 0.08
        assert slope == pytest.approx(1.0, abs=0.1 + 2 * se)
        told = float(np.sum(rows[f"p{months}"].to_numpy()))
        assert 0.85 < rows[f"out{months}"].sum() / told < 1.1
