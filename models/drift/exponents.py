"""The exponent of the burner hours per exchanger design: does fouling level off, go straight, or speed up?"""

from __future__ import annotations

import numpy as np

from models.drift.covariates import RATE, Term, of_unknown_age
from models.drift.cycle_sums import CycleSums, Forest
from models.drift.fitted import SeriesFit
from models.drift.states import built_up_before, freed_levels
from models.mixed.leaf_sums import Column, LeafSums
from models.mixed.tree import Tree

OWN_SHARE = 0.05  # of all late stretches that a design must hold to have a rate of its own in them


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

    def sums(gamma: float) -> CycleSums:
        if gamma not in sums_at:
            sums_at[gamma] = fit.readings.sums(np.full(len(fit.readings.start), gamma), fit.offset).at(runs)
        return sums_at[gamma]

    def leaf(here: np.ndarray, columns: tuple[Column, ...], gamma: float) -> LeafSums:
        return sums(gamma).at(here).leaf(columns, np.zeros(len(here), dtype=bool))

    def criterion(tree: Tree, gamma: float) -> float:
        try:
            e = tree.evaluate(fit.roots[:3], gradient=False, nodes=False, lower=False)
        except np.linalg.LinAlgError:
            return np.inf
        return e.n_obs * np.log(e.rss / e.n_obs) + e.logdet + (np.log(gamma) / spread) ** 2

    read = ~freed & (forest.runs(fit.readings) >= 0)
    out = {}
    for d in forest.designs:
        first, last = np.searchsorted(design, (d, d + 1)).tolist()  # cycles lie by design
        here = first + np.flatnonzero(read[first:last])
        out[int(d)] = 1.0
        if len(here) < 3:
            continue
        parents, index = [], here
        for parent in forest.parents[:2]:
            up = parent[index]
            parents.append(np.cumsum(np.r_[0, np.diff(up) != 0]))
            index = up[np.flatnonzero(np.r_[True, up[1:] != up[:-1]])]
        taken = [(c, None if x is None else x[here]) for c, x in columns]
        of_design = tuple(t for j, t in enumerate(taken) if j < 2 or (t[1] is not None and np.ptp(t[1]) > 0))
        tree = Tree(leaf(here, of_design, 1.0), parents, n_lower=2)
        straight = criterion(tree, 1.0)
        if not np.isfinite(straight):
            continue
        # away from 1 as long as it gets better: the likelihood has one top
        for side in (sorted(g for g in grid if g > 1), sorted((g for g in grid if g < 1), reverse=True)):
            best, top = straight, 1.0
            for gamma in side:
                tree.leaf = leaf(here, of_design, gamma)  # all else of the tree is the same
                value = criterion(tree, gamma)
                if not value < best:
                    break
                best, top = value, float(gamma)
            if top != 1.0:
                if best + 2 * np.log(fit.options.gamma_straight) < straight:
                    out[int(d)] = top
                break
    return out


def late_stretches(gamma: dict[int, float], forest: Forest, readings: np.ndarray) -> tuple[Term, ...]:
    """What a straight line through a stretch of unknown age differs by where drift bends: a rate of each such design.
    Designs that hold few of those stretches share one per exponent, so that hundreds of designs do not have hundreds of
    columns. readings: of each cycle."""
    late = of_unknown_age(forest) & (readings > 0)
    design, count = np.unique(forest.cycles["design_no"].to_numpy()[late], return_counts=True)
    bent = [d for d, g in sorted(gamma.items()) if g != 1.0]
    many = {d: n for d, n in zip(design.tolist(), count.tolist(), strict=True) if d in bent}
    own = [d for d in bent if many.get(d, 0) >= OWN_SHARE * sum(many.values())]
    shared: dict[float, list[int]] = {}
    for d in bent:
        if d not in own:
            shared.setdefault(gamma[d], []).append(d)
    together = [[d] for d in own] + [shared[g] for g in sorted(shared)]
    return tuple(Term(RATE, "aged", value=",".join(map(str, designs))) for designs in together)
