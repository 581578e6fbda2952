"""Work that was done but not written down: a cycle in which the indicator suddenly stands better than it can by itself.

The last value before an unrecorded reset says nothing of now, and a line through both sides is too flat. Each place
after an as-found reading is weighed: the Bayes factor of a step towards clean, against its rarity.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import expit, log_ndtr

from models.drift.covariates import fixed_values
from models.drift.cycle_sums import PARTS, Forest, Readings
from models.drift.fitted import SeriesFit
from models.drift.states import Lines, State, reading_lines
from models.mixed import smallblocks as sb

RARE = 0.005  # chance that a visit which says nothing was done did something: own judgement, no source
OPEN = 0.35  # and of one that leaves the question open
OPEN_VISITS = 6  # how many visits' worth that share is held by
EM_STEPS = 40
ROUNDS = 3
RUNS_AT_ONCE = 100_000  # a couple of dozen vectors over their readings are held at a time


def split_at_breaks(fit: SeriesFit, forest: Forest, state: State, gain: float | None = None) -> tuple[SeriesFit, int]:
    """The fit with unrecorded resets opening cycles of their own, at an unknown level; how many were found this
    round. gain: how far work usually brings the indicator back, if known; else it is taken from these cycles."""
    breaks = likely_breaks(fit, forest, state, typical_gain(fit, state) if gain is None else gain)
    if len(breaks) == 0:
        return fit, 0
    return replace(fit, readings=split(fit.readings, breaks)), len(breaks)


def likely_breaks(fit: SeriesFit, forest: Forest, state: State, gain: float) -> np.ndarray:
    """The readings right after which unrecorded work is likelier than not, at most the likeliest of each run."""
    readings = fit.readings
    if len(readings.z) == 0 or fit.inputs.worse == "both":
        step = None
    else:
        step = -1.0 if fit.inputs.worse == "up" else 1.0
    odds = log_odds(fit, forest, state, step, gain)
    run = readings.run
    best = np.full(len(readings.start), -np.inf)
    likely = np.flatnonzero(odds > 0)
    np.maximum.at(best, run[likely], odds[likely])
    breaks = likely[odds[likely] == best[run[likely]]]
    return breaks[np.r_[True, run[breaks][1:] != run[breaks][:-1]]] if len(breaks) else breaks


def log_odds(fit: SeriesFit, forest: Forest, state: State, step: float | None, gain: float) -> np.ndarray:
    """For each reading, log posterior odds that unrecorded work came right after it; -inf where it cannot have."""
    readings = fit.readings
    out = np.full(len(readings.z), -np.inf)
    if len(out) == 0:
        return out
    possible = readings.found.copy()
    possible[np.r_[readings.start[1:], len(out)] - 1] = False
    runs = np.flatnonzero(np.logical_or.reduceat(possible, readings.start))
    leaf = np.empty(len(readings.start), dtype=np.int64)
    at = forest.runs(readings)
    leaf[at[at >= 0]] = np.flatnonzero(at >= 0)
    lines = reading_lines(fit, forest)
    for first in range(0, len(runs), RUNS_AT_ONCE):
        here = runs[first : first + RUNS_AT_ONCE]
        inside = np.zeros(len(readings.start), dtype=bool)
        inside[here] = True
        of_runs = np.flatnonzero(np.repeat(inside, readings.counts))
        found = odds_of(fit, forest, state, step, gain**2, leaf[here], lines, of_runs)
        out[of_runs] = np.where(possible[of_runs], found, -np.inf)
    return out


def odds_of(
    fit: SeriesFit,
    forest: Forest,
    state: State,
    step: float | None,
    kappa2: float,
    leaf: np.ndarray,
    lines: Lines,
    here: np.ndarray,
) -> np.ndarray:
    """`log_odds` of the readings `here`, which make up whole runs, as if work could have come after any of them. leaf:
    cycle of each run."""
    readings, s2 = fit.readings, fit.sigma**2
    which, tau = lines.leaf[here], lines.tau[here]
    start = np.flatnonzero(np.r_[True, which[1:] != which[:-1]])
    run = np.repeat(np.arange(len(start)), np.diff(np.r_[start, len(here)]))
    # what is expected of the cycle before its own readings: its install, and what acts on its level
    install = forest.parents[0][leaf]
    fixed = fixed_values(fit.terms, fit.beta, forest, state.built_up) if state.fixed is None else state.fixed
    mean = state.nodes[1].mean.take(install, axis=1) + fixed.take(leaf, axis=1)
    packed = state.nodes[1].cov.take(install, axis=1) + sb.pack(fit.psi[0][None])
    packed[0, state.freed[leaf]] += 1e4 * s2
    r = lines.z[here] - mean[0][run] - mean[1][run] * tau
    w = readings.weight[here]
    total = lambda x: np.add.reduceat(x, start)
    sums = [total(x) for x in (w, w * tau, w * tau * tau, w * r, w * tau * r)]
    m00, m01, m11 = (x[run] for x in combined(packed, np.stack(sums[:3]), s2))
    after = lambda x, whole: whole[run] - (np.cumsum(x) - np.r_[0.0, np.cumsum(x)][start][run])
    ws, ts, rs = after(w, sums[0]), after(w * tau, sums[1]), after(w * r, sums[3])
    b0, b1 = sums[3][run], sums[4][run]
    score = (rs - (ws * (m00 * b0 + m01 * b1) + ts * (m01 * b0 + m11 * b1))) / s2
    information = np.maximum(ws - (ws * ws * m00 + 2 * ws * ts * m01 + ts * ts * m11), 0.0) / s2
    factor = 0.5 * score**2 / (information + 1 / kappa2) - 0.5 * np.log1p(kappa2 * information)
    if step is not None:
        towards = score * step > 0
        factor = np.where(towards, factor + np.log(2.0), -np.inf)
        # the half of the prior on the side of clean, exactly where the odds themselves are asked for (`open_share`)
        open_ = np.flatnonzero(readings.unsure[here])
        full = 0.5 * score[open_] ** 2 / (information[open_] + 1 / kappa2)
        full += np.log(2.0) - 0.5 * np.log1p(kappa2 * information[open_])
        factor[open_] = full + log_ndtr(score[open_] * step / np.sqrt(information[open_] + 1 / kappa2))
    chance = np.where(readings.unsure[here], OPEN, RARE)
    return factor + np.log(chance / (1 - chance))


def combined(d: np.ndarray, s: np.ndarray, s2: float) -> np.ndarray:
    """(s2 D^-1 + S)^-1 of packed 2 x 2 matrices, packed; D may be singular."""
    det_d, det_s = (np.maximum(x[0] * x[2] - x[1] * x[1], 0.0) for x in (d, s))
    det = s2 * s2 + s2 * (s[0] * d[0] + 2 * s[1] * d[1] + s[2] * d[2]) + det_d * det_s
    return np.stack([s2 * d[0] + det_d * s[2], s2 * d[1] - det_d * s[1], s2 * d[2] + det_d * s[0]]) / det


def open_share(fit: SeriesFit, forest: Forest, state: State) -> float:
    """Share of the visits that leave open whether work was done after which it had been, from the readings that follow.

    Maximum likelihood over the Bayes factors of a step at each such visit (EM): a visit whose later readings could not
    show a step counts as little as they say. Held near OPEN by a few visits' worth.
    """
    readings = fit.readings
    if len(readings.z) == 0 or not readings.unsure.any():
        return OPEN
    step = {"up": -1.0, "down": 1.0}.get(fit.inputs.worse)
    asked = readings.unsure & readings.found
    factor = (log_odds(fit, forest, state, step, typical_gain(fit, state)) - np.log(OPEN / (1 - OPEN)))[asked]
    # the last reading before a cut: found already
    last = np.r_[readings.start[1:], len(readings.z)] - 1
    cut = np.zeros(len(readings.z), dtype=bool)
    cycle, install = readings.cycle_no // PARTS, readings.install_no
    cut[last[:-1]] = (install[1:] == install[:-1]) & (cycle[1:] == cycle[:-1])
    factor = np.where(cut[asked], np.inf, factor)
    factor = factor[factor > -np.inf]
    q = OPEN
    for _ in range(EM_STEPS):
        found = expit(factor + np.log(q / (1 - q)))
        q = (found.sum() + OPEN * OPEN_VISITS) / (len(found) + OPEN_VISITS)
    return float(q)


def typical_gain(fit: SeriesFit, state: State) -> float:
    """How far work usually brings the indicator back, on the fit's scale."""
    w = state.built_up
    if w is not None:
        w = w[np.isfinite(w)]
    if w is None or len(w) < 5:
        return max(4 * fit.sigma, 2 * float(np.sqrt(fit.psi[1, 0, 0])))
    return max(float(np.sqrt(np.mean(w**2))), 2 * fit.sigma)


def split(readings: Readings, breaks: np.ndarray) -> Readings:
    """Runs cut after the readings `breaks`, at most one in each; hours of the new cycle count from the reading before
    the cut."""
    at = np.searchsorted(readings.start, breaks + 1) + np.arange(len(breaks))  # no run starts right after a cut
    new = np.zeros(len(readings.start) + len(breaks), dtype=bool)
    new[at] = True
    start = np.empty(len(new), dtype=readings.start.dtype)
    start[at], start[~new] = breaks + 1, readings.start
    old = np.cumsum(~new) - 1
    counts = np.diff(np.r_[start, len(readings.z)])
    gone = np.zeros(len(start))
    gone[at] = readings.hours[breaks]
    install, cycle = readings.install_no[old], readings.cycle_no[old] // PARTS
    first = np.r_[True, (install[1:] != install[:-1]) | (cycle[1:] != cycle[:-1])]
    part = np.arange(len(start)) - np.maximum.accumulate(np.where(first, np.arange(len(start)), 0))
    return replace(
        readings,
        hours=readings.hours - np.repeat(gone, counts),
        start=start,
        install_no=install,
        cycle_no=cycle * PARTS + part,
        shift=readings.shift[old] + gone,
        row=np.where(part > 0, -1, readings.row[old]),
    )
