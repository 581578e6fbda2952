"""What had built up when work was done, from the readings until then: against dense matrices and known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drift_fleet import fleet

from models.drift.before_work import built_up_by_then
from models.drift.cycle_sums import PARTS, Forest
from models.drift.fit import fit_series
from models.drift.fitted import SeriesFit
from models.drift.series import FitOptions
from models.drift.states import evaluate_held, install_frame, reading_lines, seen_cycles

OPTIONS = FitOptions(gammas=(1.0,), breaks=False, pace=False, analysers=False, robust_rounds=2)


def dense(fit: SeriesFit, forest: Forest, state, install: int, run: int) -> float:
    """The same by conditioning the joint normal of all levels and rates of one install on its readings up to the end
    of a run, written out; a level of unknown start has a variance of nearly infinity."""
    readings = fit.readings
    lines = reading_lines(fit, forest)
    leaf, tau = lines.leaf, lines.tau
    last = np.r_[readings.start[1:], len(readings.z)][run]
    here = np.flatnonzero(forest.parents[0][leaf] == install)
    here = here[here < last]
    leaves = np.unique(leaf[here])
    # effects: the install's own level and rate, then those of each cycle
    count = 2 + 2 * len(leaves)
    prior = np.zeros((count, count))
    prior[:2, :2] = fit.psi[1]
    for c, own in enumerate(leaves):
        at = slice(2 + 2 * c, 4 + 2 * c)
        prior[at, at] = fit.psi[0]
        if state.freed[own]:
            prior[2 + 2 * c, 2 + 2 * c] += 1e7
    columns = fit.terms.columns(forest, state.built_up)
    known = state.nodes[2].mean[:, forest.parents[1][install]]

    def fixed(own: int, which: tuple[str, ...] | None = None) -> np.ndarray:
        out = known.copy()
        for term, b, (component, x) in zip(fit.terms.terms, fit.beta, columns, strict=True):
            if x is not None and (which is None or term.how in which):
                out[component] += b * x[own]
        return out

    rows, left = np.zeros((len(here), count)), np.zeros(len(here))
    for k, j in enumerate(here):
        c = int(np.searchsorted(leaves, leaf[j]))
        rows[k, [0, 2 + 2 * c]] = 1.0
        rows[k, [1, 3 + 2 * c]] = tau[j]
        left[k] = readings.z[j] - readings.centre - fixed(leaf[j]) @ [1.0, tau[j]]
    noise = np.diag(fit.sigma**2 / readings.weight[here])
    mean = prior @ rows.T @ np.linalg.solve(rows @ prior @ rows.T + noise, left)
    value = fixed(leaf[here[-1]]) @ [1.0, tau[here[-1]]] + rows[-1] @ mean
    return float(value - fixed(leaf[here[-1]], ("category", "number"))[0] - mean[0])


@pytest.mark.parametrize("unknown", [0.0, 0.6])
def test_the_sums_say_what_dense_matrices_say(unknown):
    made = fleet(installs=120, seed=7, unknown=unknown, outliers=0.02)
    fit = fit_series(made.inputs, OPTIONS)
    forest = Forest.of(seen_cycles(fit.inputs, fit.readings), install_frame(fit.inputs))
    state = evaluate_held(fit, forest)
    found = built_up_by_then(fit, forest, state)
    to_install = forest.parents[0]
    leaf_of_run = reading_lines(fit, forest).leaf[fit.readings.start]
    tried = np.flatnonzero(np.diff(np.r_[fit.readings.start, len(fit.readings.z)]) > 1)[::9]
    expected = [dense(fit, forest, state, int(to_install[leaf_of_run[run]]), int(run)) for run in tried]
    assert len(tried) > 15
    np.testing.assert_allclose(found[tried], expected, rtol=1e-4, atol=1e-5)


def test_what_is_read_after_work_does_not_change_what_had_built_up_before_it():
    """The level after the work is to be explained: it must not be among what explains it."""
    made = fleet(installs=60, seed=8, unknown=0.0)
    fit = fit_series(made.inputs, OPTIONS)
    forest = Forest.of(seen_cycles(fit.inputs, fit.readings), install_frame(fit.inputs))
    first = fit.readings.cycle_no < PARTS
    z = fit.readings.z.copy()
    z[~first[fit.readings.run]] += 0.3  # of one install's later cycles alone; the models' means are held
    one = np.flatnonzero(first)[3]
    state = evaluate_held(fit, forest)
    mine = (fit.readings.install_no == fit.readings.install_no[one])[fit.readings.run]
    changed = replace(fit.readings, z=np.where(mine, z, fit.readings.z), start=fit.readings.start.copy())
    moved = replace(fit, readings=changed)
    again = replace(evaluate_held(moved, forest), nodes=state.nodes)
    before, after = built_up_by_then(fit, forest, state), built_up_by_then(moved, forest, again)
    assert after[one] == pytest.approx(before[one], abs=1e-9)
    later = (fit.readings.install_no == fit.readings.install_no[one]) & ~first
    assert np.all(np.abs(after - before)[later] > 0.05)


def test_the_share_that_work_leaves_is_not_flattened():
    """Shares 0.4 and 0.1 were put in. With what had built up from all readings they come out 0.38 and 0.08; the
    standard error of a mean of three is 0.008."""
    shares: dict[str, list[float]] = {"brush": [], "chemical": []}
    for seed in (21, 22, 23):
        fit = fit_series(fleet(installs=700, seed=seed, sigma=0.1).inputs, OPTIONS)
        for kind, found in shares.items():
            found.append(fit.fixed[f"level:carry:{kind}"][0])
    assert np.mean(shares["brush"]) == pytest.approx(0.4, abs=0.012)
    assert np.mean(shares["chemical"]) == pytest.approx(0.1, abs=0.012)
