"""Analyser bias on fleets whose analysers are known to be off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drift_fleet import fleet
from scipy import sparse

import models.drift.analysers
from models.drift.analysers import STATED, AnalyserBias, analyser_bias, improved
from models.drift.cycle_sums import Forest
from models.drift.fit import fit_series
from models.drift.projection import Product, Projector, analyser_sums, gram_above, messages_of_analysers
from models.drift.robust import residuals
from models.drift.series import FitOptions
from models.drift.states import (
    LOWER,
    beta_precision,
    built_up_before,
    evaluate_held,
    freed_levels,
    install_frame,
    reading_lines,
    seen_cycles,
)
from models.tails import Z80

OPTIONS = FitOptions(gammas=(1.0,), breaks=False, pace=False)


def test_biased_analysers_are_found_and_taken_off():
    made = fleet(installs=200, seed=13, bias=(0.0, 0.25, 0.0, 0.0, -0.2, 0.0))
    inputs = replace(made.inputs, indicator="co_air_free_ppm")  # a bias in part of the reading
    fit = fit_series(inputs, OPTIONS)
    found = fit.analysers
    assert found is not None
    np.testing.assert_allclose(found.bias, [0, 0.25, 0, 0, -0.2, 0], atol=0.03)
    assert found.wants_calibration(STATED["co_air_free_ppm"]).tolist() == [False, True, False, False, True, False]
    without = fit_series(inputs, replace(OPTIONS, analysers=False))
    assert fit.sigma == pytest.approx(0.06, rel=0.08)
    assert without.sigma > 1.5 * fit.sigma


def test_sound_analysers_are_left_alone():
    made = fleet(installs=200, seed=14)
    fit = fit_series(replace(made.inputs, indicator="co_air_free_ppm"), OPTIONS)
    assert fit.analysers is not None
    assert np.abs(fit.analysers.bias).max() < 0.02
    assert not fit.analysers.wants_calibration(STATED["co_air_free_ppm"]).any()


def test_a_temperature_bias_is_found_in_kelvin():
    """The series is a logarithm; a probe that is off by 3 K weighs more where the difference is small."""
    made = fleet(installs=250, seed=15)
    off = np.array([0.0, 0.0, 3.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    readings = made.inputs.readings
    shifted = readings.with_columns(value=readings["value"] + off[readings["analyser_no"].to_numpy()])
    fit = fit_series(replace(made.inputs, readings=shifted), OPTIONS)
    assert fit.analysers is not None
    np.testing.assert_allclose(fit.analysers.bias, off, atol=0.4)


class Dense:
    """A projection from its whole matrix."""

    def __init__(self, matrix: np.ndarray) -> None:
        self.matrix = matrix

    def gram(self, vectors: sparse.csr_array) -> np.ndarray:
        return vectors.T @ (self.matrix @ vectors.toarray())

    def product(self, vectors: sparse.csr_array) -> Product:
        gram = sparse.csr_array(self.gram(vectors))
        return Product(gram, sparse.csr_array((0, gram.shape[0])), np.zeros((0, gram.shape[0])), np.zeros((0, 0)))


def test_products_with_the_projection_agree_with_dense_matrices():
    """Cycles of unknown start and down-weighted readings among them; V written out in full. A freed level is a normal
    one of a variance far above all others, which leaves the products with about 1e-5 of themselves."""
    fit = fit_series(fleet(installs=60, seed=16, outliers=0.02).inputs, FitOptions(gammas=(1.0, 1.4)))
    forest = Forest.of(seen_cycles(fit.inputs, fit.readings), install_frame(fit.inputs))
    freed = freed_levels(forest)
    assert freed.any()
    assert fit.readings.weight.min() < 0.5
    lines = reading_lines(fit, forest)
    leaf, tau = lines.leaf, lines.tau
    z = np.stack([np.ones(len(tau)), tau], axis=1)
    v = np.diag(fit.sigma**2 / fit.readings.weight)
    node = leaf
    lower = v
    for level, psi in enumerate(fit.psi):
        lower = v.copy() if level == LOWER else lower
        v += (node[:, None] == node[None, :]) * (z @ psi @ z.T)
        if level == 0:
            v += 1e3 * (freed[node][:, None] & (node[:, None] == node[None, :]))
        node = forest.parents[level][node] if level < 3 else node
    x = np.zeros((len(tau), len(fit.terms.terms)))
    for j, (component, column) in enumerate(fit.terms.columns(forest, built_up_before(fit, forest))):
        # a freed cycle says nothing of what acts on levels
        x[:, j] = z[:, component] * (1.0 if column is None else column[leaf])
    inverse = np.linalg.inv(v)
    full = inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x + beta_precision(fit), x.T @ inverse)
    vectors = np.random.default_rng(0).normal(size=(len(tau), 4))
    expected = vectors.T @ full @ vectors
    found = Projector(fit, forest).gram(sparse.csr_array(vectors))
    np.testing.assert_allclose(found, expected, rtol=1e-4, atol=1e-5 * np.abs(expected).max())
    unwritten = Projector(fit, forest).product(sparse.csr_array(vectors))
    np.testing.assert_allclose([unwritten.times(x) for x in np.eye(4)], found, rtol=1e-10, atol=1e-10)
    np.testing.assert_allclose(unwritten.diagonal, np.diag(found), rtol=1e-10)

    # one entry per reading, of one of five columns or none, and the readings themselves
    place, scale = (
        np.random.default_rng(1).integers(-1, 5, len(tau)),
        np.random.default_rng(2).uniform(0.5, 2, len(tau)),
    )
    entries = scale[:, None] * (place[:, None] == np.arange(5))
    vectors = np.column_stack([entries, fit.readings.z - fit.readings.centre])
    expected = vectors.T @ full @ vectors
    found = gram_above(messages_of_analysers(fit, forest, place, scale, 5), forest.parents[LOWER:], fit)
    np.testing.assert_allclose(found, expected, rtol=1e-4, atol=1e-5 * np.abs(expected).max())

    # information of each analyser alone, the effects above the installs taken as known
    named = replace(fit, readings=replace(fit.readings, analyser=place), analysers=None)
    scale = fit.scale_at(fit.readings.z - residuals(named, forest, evaluate_held(named, forest)).residual)
    entries = scale[:, None] * (place[:, None] == np.arange(5))
    _, information, tests = analyser_sums(named, forest, evaluate_held(named, forest), np.arange(5))
    np.testing.assert_allclose(information, np.diag(entries.T @ np.linalg.inv(lower) @ entries), rtol=1e-3)
    assert tests.tolist() == [np.count_nonzero(place == k) for k in range(5)]


def dense_projection(n: int, groups: np.ndarray, sigma2: float, between: float) -> np.ndarray:
    v = sigma2 * np.eye(n) + between * (groups[:, None] == groups[None, :])
    inverse, x = np.linalg.inv(v), np.ones((n, 1))
    return inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)


@pytest.mark.parametrize("few", [400, 10])
@pytest.mark.parametrize("analysers", [6, 60])
def test_biases_are_found_with_and_without_their_joint_covariance(analysers, few, monkeypatch):
    monkeypatch.setattr("models.drift.analysers.FEW", few)
    rng = np.random.default_rng(2)
    n = 1500
    groups, who = rng.integers(0, 200, n), rng.integers(0, analysers, n)
    true = np.where(np.arange(analysers) % 10 == 3, 0.3, 0.0)
    z = rng.normal(0, 0.2, 200)[groups] + true[who] + rng.normal(0, 0.1, n)
    project = Dense(dense_projection(n, groups, 0.01, 0.04))
    found = analyser_bias(project, z, who, np.ones(n), 0.1)
    assert found is not None
    np.testing.assert_allclose(found.bias - np.median(found.bias), true, atol=0.06)


def small_fleet(rng: np.random.Generator, true: np.ndarray, installs: int) -> AnalyserBias:
    """Five readings of each install, most by the analyser of its area, as known normals: what is missing is the prior
    alone."""
    groups = np.repeat(np.arange(installs), 5)
    area = rng.integers(0, len(true), installs)
    who = np.where(rng.random(len(groups)) < 0.8, area[groups], rng.integers(0, len(true), len(groups)))
    z = rng.normal(0, 0.3, installs)[groups] + true[who] + rng.normal(0, 0.15, len(groups))
    project = Dense(dense_projection(len(groups), groups, 0.15**2, 0.3**2))
    found = analyser_bias(project, z, who, np.ones(len(z)), STATED["o2_pct"])
    assert found is not None
    return replace(found, bias=found.bias - true[found.number])


@pytest.mark.parametrize(("analysers", "installs"), [(5, 20), (5, 50), (15, 50), (15, 150)])
@pytest.mark.parametrize("law", ["half of what is stated", "a tenth of it", "few far off"])
def test_intervals_hold_the_biases_of_small_fleets(law, analysers, installs):
    """Known truth, in O2: 80 % intervals that are right hold 80 %. Where most analysers are exactly right, as none is,
    they hold more; of 15 that differ by half of what is stated, with three installs each, down to 65 %."""
    rng = np.random.default_rng(31)
    inside, off = [], []
    for _ in range(40):
        wide = {"half of what is stated": 0.15, "a tenth of it": 0.03, "few far off": 0.0}[law]
        true = rng.normal(0, 1, analysers) * wide
        if law == "few far off":
            true[rng.permutation(analysers)[: analysers // 5]] = 0.5
        found = small_fleet(rng, true, installs)
        inside.append(np.abs(found.bias) < Z80 * found.sd)
        off.append(found.bias)
    held = np.concatenate(inside).mean()
    assert (0.64 if law == "half of what is stated" else 0.76) < held < (0.99 if law == "few far off" else 0.95)


def test_of_two_analysers_that_differ_either_may_be_off():
    """Which one is right cannot be told: the interval of each reaches from none to all of the difference."""
    rng = np.random.default_rng(32)
    true = np.array([0.0, 0.5])
    found = small_fleet(rng, true, 150)
    assert found.bias[0] - found.bias[1] == pytest.approx(0.0, abs=0.1)  # less the truth: the difference is known
    assert np.all(np.abs(found.bias) < Z80 * found.sd)
    assert not replace(found, bias=found.bias + true).wants_calibration(STATED["o2_pct"]).any()


def test_what_some_of_many_analysers_tell_of_the_laws_does_for_all(monkeypatch):
    """Thousands of analysers, taken some at a time: as good as all at once. Truth: three in ten are off, others not."""
    rng, count = np.random.default_rng(4), 6_000
    true = np.where(rng.random(count) < 0.3, rng.normal(0, 0.25, count), 0.0)
    information = rng.gamma(2, 500, count)
    sums = np.stack([information * true + rng.normal(0, np.sqrt(information)), information, information / 30])
    nothing = AnalyserBias(np.arange(count), np.zeros(count), np.ones(count), np.ones(count, dtype=int))
    few = improved(nothing, sums, STATED["o2_pct"])
    monkeypatch.setattr(models.drift.analysers, "LEARNT_FROM", count)
    monkeypatch.setattr(models.drift.analysers, "AT_ONCE", count)
    every = improved(nothing, sums, STATED["o2_pct"])
    assert np.abs(few.bias - every.bias).max() < 0.02 * every.sd.min()
    np.testing.assert_allclose(few.sd, every.sd, rtol=0.01)
    assert 0.78 < np.mean(np.abs(few.bias - true) < Z80 * few.sd) < 0.95


def test_one_analyser_or_none_named_gives_no_bias():
    z = np.zeros(5)
    assert analyser_bias(Dense(np.eye(5)), z, np.full(5, -1), np.ones(5), 0.1) is None
    assert analyser_bias(Dense(np.eye(5)), z, np.zeros(5, dtype=int), np.ones(5), 0.1) is None
    none = AnalyserBias(np.zeros(0, dtype=int), np.zeros(0), np.zeros(0), np.zeros(0, dtype=int))
    assert none.of(np.array([1, 2]), np.ones(2)).tolist() == [0.0, 0.0]
