"""The exponent of the burner hours per exchanger design: does fouling level off, go straight, or speed up?"""

from __future__ import annotations

import numpy as np

from models.drift.cycle_sums import CycleSums, Forest
from models.drift.fitted import SeriesFit
from models.drift.states import built_up_before, freed_levels
from models.mixed.tree import Tree


def choose_exponents(fit: SeriesFit, forest: Forest) -> dict[int, float]:
    """Exponent per design from the grid, by the profiled likelihood at the covariances fitted with exponent 1.

    Likelihoods, not restricted ones, are compared: the latter depend on the scale of the clock. log(gamma) is likelier
    0 than not, and has else a normal prior around it, so a design with few cycles keeps 1. Cycles with an unknown start
    do not know their clock and are left out.
    """
    grid, spread = fit.options.gammas, fit.options.gamma_log_sd
    design = forest.cycles["design_no"].to_numpy()
    freed = freed_levels(forest)
    columns = fit.terms.columns(forest, built_up_before(fit, forest))
    runs = forest.runs(fit.readings)
    sums_at: dict[float, CycleSums] = {}

    def criterion(here: np.ndarray, parents: list[np.ndarray], gamma: float) -> float:
        if gamma not in sums_at:
            sums_at[gamma] = fit.readings.sums(np.full(len(fit.readings.start), gamma), fit.offset).at(runs)
        of_design = tuple((c, None if x is None else x[here]) for c, x in columns)
        kept = [j for j, (_, x) in enumerate(of_design) if j < 2 or (x is not None and np.ptp(x) > 0)]
        leaf = sums_at[gamma].at(here).leaf(tuple(of_design[j] for j in kept), np.zeros(len(here), dtype=bool))
        try:
            e = Tree(leaf, parents, n_lower=2).evaluate(fit.roots[:3], gradient=False, nodes=False, lower=False)
        except np.linalg.LinAlgError:
            return np.inf
        prior = 0.0 if gamma == 1.0 else 2 * np.log(fit.options.gamma_straight) + (np.log(gamma) / spread) ** 2
        return e.n_obs * np.log(e.rss / e.n_obs) + e.logdet + prior

    read = ~freed & (forest.runs(fit.readings) >= 0)
    out = {}
    for d in forest.designs:
        here = np.flatnonzero((design == d) & read)
        out[int(d)] = 1.0
        if len(here) < 3:
            continue
        parents, index = [], here
        for parent in forest.parents[:2]:
            up = parent[index]
            parents.append(np.cumsum(np.r_[0, np.diff(up) != 0]))
            index = up[np.flatnonzero(np.r_[True, up[1:] != up[:-1]])]
        best = criterion(here, parents, 1.0)
        if not np.isfinite(best):
            continue
        # away from 1 as long as it gets better: the likelihood has one top
        for side in (sorted(g for g in grid if g > 1), sorted((g for g in grid if g < 1), reverse=True)):
            for gamma in side:
                value = criterion(here, parents, gamma)
                if not value < best:
                    break
                best, out[int(d)] = value, float(gamma)
            if out[int(d)] != 1.0:
                break
    return out
