"""What had built up when work was done, told by the readings until then alone.

The share of it that work leaves is the slope of the level after the work on what had built up before. Were the latter
taken from the posterior of all readings, it would hold the very level after the work that it is to explain: a high
level then lifts the install's clean level and so lessens what seems to have built up, which flattens the slope and
lifts the clean level. An expectation given the past errs independently of itself (Berkson 1950, J. Am. Stat. Assoc.
45), and leaves the slope as it is.
"""

from __future__ import annotations

import numpy as np

from models.drift.covariates import LEVEL, RATE
from models.drift.cycle_sums import Forest
from models.drift.fitted import SeriesFit
from models.drift.states import State, fixed_of, freed_levels, reading_lines
from models.mixed import smallblocks as sb
from models.mixed.lower_levels import segment_starts


def built_up_by_then(fit: SeriesFit, forest: Forest, state: State) -> np.ndarray:
    """Per run of readings: value at its last one less the install's level when clean, both expected from the readings
    up to there. On the fit's scale.

    state: of `states.evaluate_held`, with the means of the appliance models, which are taken as known.
    """
    leaf, to_install, to_model = state.tree.leaf, forest.parents[0], forest.parents[1]
    ws, u, big_k, _ = sb.integrate(leaf.s, fit.roots[0], logdet=False)
    wb = sb.subtract_transposed(leaf.by, big_k, sb.times(u, leaf.by))
    of_model = state.nodes[2].mean.take(to_model, axis=1).take(to_install, axis=1)
    own, cycle = (r @ r.T for r in fit.roots[1::-1])
    first = segment_starts(to_install)
    # what the install is expected to be at the beginning of each cycle, and by its end
    ws_before, wb_before = earlier(ws, first, to_install), earlier(wb, first, to_install)
    begun, begun_cov = updated(of_model, own, ws_before, wb_before)
    ended, _ = updated(of_model, own, ws_before + ws, wb_before + wb)
    fixed = fixed_of(fit, forest) if state.fixed is None else state.fixed
    clean = ended[0] + clean_effects(fit, forest)[to_install]
    spread = begun_cov + sb.pack(cycle[None])
    step = packed_times(shrunk(leaf.s, spread), leaf.by - sb.symmetric_times(leaf.s, begun))
    line = begun + step + fixed
    lines, readings, sums = reading_lines(fit, forest), fit.readings, state.sums
    last = np.r_[readings.start[1:], len(readings.z)] - 1
    at, then = lines.leaf[last], lines.tau[last]
    value = line[LEVEL, at] + line[RATE, at] * then
    unknown = freed_levels(forest)[at] & (sums.w[at] > 0)
    w = np.where(unknown, sums.w[at], 1.0)
    value = np.where(unknown, sums.z[at] / w + line[RATE, at] * (then - sums.t[at] / w), value)
    return value - clean[at]


def earlier(x: np.ndarray, first: np.ndarray, to_install: np.ndarray) -> np.ndarray:
    """Sum over the install's earlier cycles, (., n)."""
    before = np.cumsum(x, axis=1) - x
    return before - before.take(first, axis=1).take(to_install, axis=1)


def clean_effects(fit: SeriesFit, forest: Forest) -> np.ndarray:
    """What acts on the level of each install of the tree but work."""
    out = np.zeros(len(forest.installs))
    for term, b in zip(fit.terms.terms, fit.beta.tolist(), strict=True):
        if term.component == LEVEL and term.how in ("category", "number"):
            out += b * term.in_park(forest)
    return out


def updated(mean: np.ndarray, prior: np.ndarray, s: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Posterior of effects ~ N(mean, prior) from information s (packed) and Z'y b: mean (2, n), packed covariance."""
    packed = np.repeat(sb.pack(prior[None]), s.shape[1], axis=1)
    cov = shrunk(s, packed)
    return mean + packed_times(cov, b - sb.symmetric_times(s, mean)), cov


def shrunk(s: np.ndarray, cov: np.ndarray) -> np.ndarray:
    """(cov^-1 + S)^-1 of packed 2 x 2 matrices; either may be singular."""
    det_s, det_c = (np.maximum(x[0] * x[2] - x[1] * x[1], 0.0) for x in (s, cov))
    det = 1.0 + s[0] * cov[0] + 2 * s[1] * cov[1] + s[2] * cov[2] + det_s * det_c
    return np.stack([cov[0] + det_c * s[2], cov[1] - det_c * s[1], cov[2] + det_c * s[0]]) / det


def packed_times(m: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.stack([m[0] * b[0] + m[1] * b[1], m[1] * b[0] + m[2] * b[1]])
