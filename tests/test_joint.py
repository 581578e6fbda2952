"""Indicators fitted together: what one says of an install helps the others, and only as far as they go together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from drift_fleet import Made, fleet

from models.drift import fit_series
from models.joint import fit_group, joined
from models.series import FitOptions, SeriesInputs

OPTIONS = FitOptions(gammas=(1.0,), breaks=False, pace=False, analysers=False, robust_rounds=0, covariates=False)


def second_series(made: Made, share_read: float, seed: int) -> SeriesInputs:
    """A series that is 0.8 of the first on the log scale, with errors of its own, read at some installs only."""
    rng = np.random.default_rng(seed)
    read = made.inputs.readings.filter(pl.col("install_no") < share_read * made.inputs.installs.height)
    error = pl.Series(np.exp(rng.normal(0, 0.06, read.height)))
    value = read["value"] ** 0.8 * error
    return replace(
        made.inputs,
        series_no=1,
        indicator="co_air_free_ppm",
        readings=read.with_columns(value=value),
        cycles=made.inputs.cycles.with_columns(pl.col("value_before") ** 0.8),
    )


def errors(made: Made, fit, factor: float, unread_from: int) -> tuple[float, np.ndarray]:
    """Error of the rates of installs from a number on, and the same in standard deviations."""
    q = fit.posterior(made.open_cycles).join(made.truth, on=["install_no", "cycle_no"])
    q = q.filter(pl.col("install_no") >= unread_from)
    off = (factor * q["rate"] - q["m1"]).to_numpy()
    return float(np.sqrt(np.mean(off**2))), off / np.sqrt(q["v11"].to_numpy())


def test_an_install_never_read_at_one_firing_learns_from_the_other():
    made = fleet(installs=400, seed=61, unknown=0.0)
    low = second_series(made, 0.5, 1)
    alone = [fit_series(made.inputs, OPTIONS), fit_series(low, OPTIONS)]
    together = fit_group([made.inputs, low], OPTIONS)
    correlation = together[1].together
    assert correlation is not None
    assert correlation[1, 3] > 0.7  # the rates
    before, _ = errors(made, alone[1], 0.8, 200)
    after, in_sd = errors(made, together[1], 0.8, 200)
    assert after < 0.75 * before
    assert np.mean(np.abs(in_sd) < 1.2816) > 0.75  # not surer than it is right
    assert (
        together[1].posterior(made.open_cycles.tail(1))["basis"].to_list()
        == alone[1].posterior(made.open_cycles.tail(1))["basis"].to_list()
    )


def test_unrelated_series_leave_each_other_alone():
    made, other = fleet(installs=300, seed=62), fleet(installs=300, seed=63)
    stranger = replace(other.inputs, installs=made.inputs.installs, series_no=1)
    alone = fit_series(made.inputs, OPTIONS)
    together = joined([alone, fit_series(stranger, OPTIONS)])[0]
    assert together.together is not None
    assert abs(together.together[1, 3]) < 0.35
    a, b = alone.posterior(made.open_cycles), together.posterior(made.open_cycles)
    assert np.corrcoef(a["m1"], b["m1"])[0, 1] > 0.97
    assert (b["v11"] / a["v11"]).median() == pytest.approx(1.0, abs=0.12)


def test_groups_too_small_or_too_silent_stay_as_fitted_alone():
    made = fleet(installs=8, seed=64)
    low = second_series(made, 0.5, 2)
    fits = fit_group([made.inputs, low], OPTIONS)
    assert all(f.install is None for f in fits)
    silent = replace(low, readings=low.readings.clear())
    fits = fit_group([made.inputs, silent], OPTIONS)
    assert fits[1].empty
    with pytest.raises(ValueError, match="same installs"):
        joined([fit_series(made.inputs, OPTIONS), fit_series(fleet(installs=30, seed=65).inputs, OPTIONS)])
