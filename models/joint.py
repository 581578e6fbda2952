"""Several indicators as one model: what fouls an exchanger raises flue temperature and CO together.

Each indicator keeps its own cycles, fixed effects and residual variance as fitted alone; what the cycles say of an
install is then put together, with a full covariance of all levels and rates (2K) at install, model and design. An
install whose flue temperature climbs fast is so expected to show CO early, and one whose low fire was never read
still learns from its high fire.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl
from scipy.linalg import block_diag

from models import smallblocks as sb
from models.cycle_sums import Forest
from models.drift import DEFAULTS, fit_series
from models.fitted import Install, SeriesFit, built_up_before, freed_levels, install_frame, seen_cycles, tree_sums
from models.lower_levels import LeafSums, segment_starts, without_fixed
from models.series import FitOptions, SeriesInputs
from models.tree import LevelPrior, Priors, Tree, leaf_posteriors

FEWEST = 40  # installs that read two of the indicators at least, to tell how they go together
SAMPLE = 20_000  # installs from which the covariance is learned


def fit_group(inputs: Sequence[SeriesInputs], options: FitOptions = DEFAULTS) -> list[SeriesFit]:
    """Each series fitted alone, then put together. All must list the same installs."""
    return joined([fit_series(series, options) for series in inputs])


def joined(fits: Sequence[SeriesFit]) -> list[SeriesFit]:
    """The same fits with the posteriors of their installs from all of them; unchanged where too little links them."""
    fits = list(fits)
    if len(fits) < 2 or any(f.reml is None for f in fits):
        return fits
    numbers = [f.inputs.installs["install_no"].to_numpy() for f in fits]
    if any(len(n) != len(numbers[0]) or np.any(n != numbers[0]) for n in numbers[1:]):
        raise ValueError("the series of one group must list the same installs in the same order; give them one frame")
    order = (
        install_frame(fits[0].inputs)
        .select("design_no", "model_no", "install_no")
        .sort("design_no", "model_no", "install_no")
    )
    found = together([install_messages(f, order["install_no"].to_numpy()) for f in fits], order, fits)
    if found is None:
        return fits
    return [replace(f, install=i, together=found[1]) for f, i in zip(fits, found[0], strict=True)]


def together(
    said: Sequence[LeafSums], order: pl.DataFrame, fits: Sequence[SeriesFit]
) -> tuple[list[Install], np.ndarray] | None:
    """Posteriors of all installs for each of the fits, and the correlation of their levels and rates; None where too
    little links them, or no scatter is left. said: of each fit's cycles on the installs of `order` (design_no,
    model_no, install_no, sorted)."""
    read = np.stack([m.s[0] + m.s[2] > 0 for m in said])
    if (read.sum(axis=0) >= 2).sum() < FEWEST:
        return None
    start = [block_diag(*(f.psi[level] for f in fits)) for level in (1, 2, 3)]
    members = 2.0 * len(fits) + 2.0
    priors = Priors(levels=tuple(LevelPrior(members, psi) for psi in start))
    any_read = np.flatnonzero(read.any(axis=0))
    chosen = any_read[:: max(1, len(any_read) // SAMPLE)]
    roots = [np.linalg.cholesky(psi) for psi in start]
    try:
        learned = stacked(said, order, chosen).fit(roots, priors, tolerance=1e-5, sigma2=1.0)
        everyone = stacked(said, order, np.arange(order.height))
        at = everyone.evaluate(learned.roots, priors, sigma2=1.0, gradient=False)
    except np.linalg.LinAlgError:
        return None
    nodes = leaf_posteriors(everyone, learned.roots, at)[0]
    by_number = np.argsort(order["install_no"].to_numpy())
    number, slot = order["install_no"].to_numpy()[by_number], sb.slots(2 * len(fits))
    out = []
    for a in range(0, 2 * len(fits), 2):
        rows = [slot[a, a], slot[a + 1, a], slot[a + 1, a + 1]]
        out.append(Install(number, nodes.mean[a : a + 2][:, by_number], nodes.cov[rows][:, by_number]))
    return out, correlation(learned.psi[0])


def correlation(psi: np.ndarray) -> np.ndarray:
    sd = np.sqrt(np.diag(psi))
    return psi / np.outer(sd, sd)


def install_messages(fit: SeriesFit, installs: np.ndarray, forest: Forest | None = None) -> LeafSums:
    """What the cycles of one series say of each install's level and rate, fixed effects but the intercepts taken
    off. forest: of the cycles with readings, if it is there already."""
    if forest is None:
        forest = Forest.of(seen_cycles(fit.inputs, fit.readings), install_frame(fit.inputs))
    s, b_out = np.zeros((3, len(installs))), np.zeros((2, len(installs)))
    if forest.size == 0:
        return LeafSums(s, b_out, 0.0, 0.0, ((0, None), (1, None)))
    full = tree_sums(fit, forest).leaf(fit.terms.columns(forest, built_up_before(fit, forest)), freed_levels(forest))
    leaf, s2 = without_fixed(full, fit.beta), fit.sigma**2
    yy, by = leaf.yy / s2, leaf.by / s2
    ws, u, big_k, _ = sb.integrate(leaf.s / s2, np.linalg.cholesky(fit.psi[0] + 1e-14 * np.eye(2)))
    v = sb.times(u, by)
    wby = sb.subtract_transposed(by, big_k, v)
    starts = segment_starts(forest.parents[0])
    where = np.argsort(installs)
    at = where[np.searchsorted(installs, forest.installs, sorter=where)]
    s[:, at] = np.add.reduceat(ws, starts, axis=1)
    b_out[:, at] = np.add.reduceat(wby, starts, axis=1)
    return LeafSums(s, b_out, yy - float(np.sum(v * v)), leaf.n_obs, ((0, None), (1, None)))


def stacked(said: Sequence[LeafSums], order: pl.DataFrame, chosen: np.ndarray) -> Tree:
    """Installs as leaves, the indicators' messages as blocks of one 2K vector."""
    q = 2 * len(said)
    slot = sb.slots(q)
    s = np.zeros((q * (q + 1) // 2, len(chosen)))
    by = np.zeros((q, len(chosen)))
    for k, m in enumerate(said):
        a, b = 2 * k, 2 * k + 1
        s[slot[a, a]], s[slot[b, a]], s[slot[b, b]] = m.s[:, chosen]
        by[a : b + 1] = m.by[:, chosen]
    columns = tuple((c, None) for c in range(q))
    leaf = LeafSums(s, by, sum(m.yy for m in said), sum(m.n_obs for m in said), columns)
    rows = order[chosen]
    model = rows["model_no"].to_numpy()
    design = rows["design_no"].to_numpy()
    new_model = np.r_[True, (model[1:] != model[:-1]) | (design[1:] != design[:-1])]
    first = np.flatnonzero(new_model)
    to_design = np.cumsum(np.r_[True, design[first][1:] != design[first][:-1]]) - 1
    return Tree(leaf, [np.cumsum(new_model) - 1, to_design], n_lower=1)
