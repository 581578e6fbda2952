"""Readings to come, by whichever analyser: against readings drawn one by one."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from models.chances.forecast import Outlook
from models.chances.reading_errors import ReadingError, chance_of_reading, reading_quantiles
from models.drift.analysers import AnalyserBias
from models.tails import DF


def outlook(mean: np.ndarray, sd: float, low: float, high: float) -> Outlook:
    """True values that are as sure as sd says and do not drift."""
    n, ones = len(mean), np.ones(len(mean))
    nought = np.zeros(n)
    return Outlook(
        m0=mean, m1=nought, v00=sd**2 * ones, v01=nought, v11=nought, gamma=ones, low=low * ones, high=high * ones,
        hours_open=nought, counted_open=nought, per_year=1500 * ones, rel_sd=nought, weather_sd=nought, own=nought,
        area_no=np.zeros(n, int), as_of=0,
    )  # fmt: skip


def fit_of(indicator: str, sigma: float, bias: list[float], sd: list[float], tests: list[int]) -> SimpleNamespace:
    known = AnalyserBias(np.arange(len(bias)), np.array(bias), np.array(sd), np.array(tests))
    return SimpleNamespace(
        analysers=known, inputs=SimpleNamespace(indicator=indicator), sigma=sigma, in_kelvin=indicator.endswith("_k")
    )


@pytest.mark.parametrize(
    ("indicator", "mean", "high", "bias"),
    [
        ("flue_over_return_k", np.log([10.0, 16.0, 24.0]), np.log(20.0), [0.0, 0.1, 3.5, -3.5]),
        ("o2_pct", np.array([4.5, 5.6, 6.2]), 6.0, [0.0, 0.005, 0.6, -0.6]),
    ],
)
def test_chances_and_quantiles_are_those_of_drawn_readings(indicator, mean, high, bias):
    sd, sigma, error_of, tests = 0.08, 0.06, [0.02, 0.02, 0.1, 0.1], [600, 200, 100, 100]
    error = ReadingError.of(fit_of(indicator, sigma, bias, error_of, tests))
    o = outlook(mean, sd, -np.inf, high)
    rng = np.random.default_rng(2)
    n = 400_000
    who = rng.choice(4, n, p=np.array(tests) / 1000)
    b = np.array(bias)[who] + np.array(error_of)[who] * rng.standard_normal(n)
    chance, (low, up) = chance_of_reading(o, np.zeros(3), error), reading_quantiles(o, np.zeros(3), error, (0.1, 0.9))
    for k in range(3):
        true = mean[k] + sd * np.sqrt((DF - 2) / DF) * rng.standard_t(DF, n)
        shown = np.log(np.exp(true) + b) if error.in_kelvin else true + b
        shown += sigma * rng.standard_normal(n)
        assert chance[k] == pytest.approx((shown > high).mean(), abs=0.003)
        # a bias in kelvin is put on the log scale at the mean value alone
        assert (shown < low[k]).mean() == pytest.approx(0.1, abs=0.008)
        assert (shown > up[k]).mean() == pytest.approx(0.1, abs=0.008)


def test_without_analysers_a_reading_has_its_own_error_only():
    fit = fit_of("condensate_ph", 0.12, [], [], [])
    for known in (None, fit.analysers):
        fit.analysers = known
        error = ReadingError.of(fit)
        mean, sd = error.normals(np.array([5.0]), np.array([0.09]))
        assert mean.tolist() == [[5.0]]
        assert sd[0, 0] == pytest.approx(np.hypot(0.3, 0.12))


def test_analysers_that_read_alike_count_as_one():
    rng = np.random.default_rng(4)
    bias = rng.normal(0, 0.02, 500).tolist()
    error = ReadingError.of(fit_of("o2_pct", 0.1, bias, [0.03] * 500, [20] * 500))
    assert len(error.share) < 20
    assert error.share.sum() == pytest.approx(1.0)
    assert error.share @ error.bias == pytest.approx(np.mean(bias))
    spread = error.share @ (error.sd**2 + error.bias**2)
    assert spread == pytest.approx(np.mean(np.square(bias)) + 0.03**2)
