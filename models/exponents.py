"""The exponent of the burner hours per exchanger design: does fouling level off, go straight, or speed up?"""

from __future__ import annotations

import numpy as np

from models.cycle_sums import Forest
from models.fitted import SeriesFit, built_up_before, freed_levels
from models.tree import Tree


def choose_exponents(fit: SeriesFit, forest: Forest) -> dict[int, float]:
    """Exponent per design from the grid, by the profiled likelihood at the covariances fitted with exponent 1.

    Likelihoods, not restricted ones, are compared: the latter depend on the scale of the clock. log(gamma) has a normal
    prior around 0, so a design with few cycles keeps 1. Cycles with an unknown start do not know their clock and are
    left out.
    """
    grid, spread = fit.options.gammas, fit.options.gamma_log_sd
    design = forest.cycles["design_no"].to_numpy()
    freed = freed_levels(forest)
    columns = fit.terms.columns(forest, built_up_before(fit, forest))
    runs = forest.runs(fit.readings)
    criteria = {int(d): np.zeros(len(grid)) for d in forest.designs}
    for k, gamma in enumerate(grid):
        sums = fit.readings.sums(np.full(len(fit.readings.start), gamma), fit.offset).at(runs)
        for d in forest.designs:
            here = np.flatnonzero((design == d) & ~freed & (sums.n > 0))
            if len(here) < 3:
                continue
            of_design = tuple((c, None if x is None else x[here]) for c, x in columns)
            kept = [j for j, (_, x) in enumerate(of_design) if j < 2 or (x is not None and np.ptp(x) > 0)]
            leaf = sums.at(here).leaf(tuple(of_design[j] for j in kept), np.zeros(len(here), dtype=bool))
            parents, index = [], here
            for parent in forest.parents[:2]:
                up = parent[index]
                starts = np.flatnonzero(np.r_[True, up[1:] != up[:-1]])
                parents.append(np.cumsum(np.r_[0, np.diff(up) != 0]))
                index = up[starts]
            tree = Tree(leaf, parents, n_lower=2)
            try:
                e = tree.evaluate(fit.roots[:3], gradient=False)
            except np.linalg.LinAlgError:
                continue
            criteria[int(d)][k] = e.n_obs * np.log(e.rss / e.n_obs) + e.logdet
    penalty = (np.log(np.array(grid)) / spread) ** 2
    return {d: float(grid[int(np.argmin(c + penalty))]) for d, c in criteria.items()}
