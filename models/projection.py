"""The projection of a fitted drift model: what of any vector over the readings the model does not explain."""

from __future__ import annotations

import numpy as np

from models import smallblocks as sb
from models.cycle_sums import Forest, clock
from models.fitted import LOWER, SeriesFit, beta_precision, built_up_before, freed_levels
from models.lower_levels import LeafSums, segment_starts
from models.tree import Priors, Tree, leaf_posteriors


class Projector:
    """P x = V^-1 (x - X beta(x)) for vectors x over the readings, V their covariance under the fit; weights in it."""

    def __init__(self, fit: SeriesFit, forest: Forest) -> None:
        readings = fit.readings
        self.fit, self.forest = fit, forest
        self.at = forest.runs(readings)
        leaf_of_run = np.empty(len(readings.start), dtype=np.int64)
        leaf_of_run[self.at[self.at >= 0]] = np.flatnonzero(self.at >= 0)
        self.run = readings.run
        self.leaf = leaf_of_run[self.run]
        gamma = fit.cycle_gammas(forest)[leaf_of_run]
        self.tau = clock(readings.hours, gamma[self.run])
        self.freed = freed_levels(forest)
        columns = fit.terms.columns(forest, built_up_before(fit, forest))
        self.w = readings.weight
        wt = self.w * self.tau
        self.sums = [np.add.reduceat(v, readings.start)[self.at] for v in (self.w, wt, wt * self.tau)]
        s = np.stack(self.sums)
        swept = self.freed & (s[0] > 0)
        self.swept = swept
        s[2, swept] = np.maximum(s[2, swept] - s[1, swept] ** 2 / s[0, swept], 0.0)
        s[0, swept] = s[1, swept] = 0.0
        self.base = LeafSums(s, np.zeros((2, s.shape[1])), 0.0, float(len(readings.z)), columns)
        self.priors = Priors(beta_precision=beta_precision(fit))

    def gram(self, vectors: np.ndarray) -> np.ndarray:
        """X P X' for a few vectors at once, the rows of X (k, readings): (k, k), by one pass up the tree."""
        start, leaf, at = self.fit.readings.start, self.base, sb.slots(2)
        w, t, _ = self.sums
        weighted = self.w * vectors
        ones, taus = (np.add.reduceat(v, start, axis=1)[:, self.at] for v in (weighted, weighted * self.tau))
        quad = weighted @ vectors.T
        freed = np.flatnonzero(self.swept)
        mean = ones[:, freed] / w[freed]
        quad -= mean @ ones[:, freed].T
        taus[:, freed] -= t[freed] * mean
        ones[:, freed] = 0.0
        own = np.zeros((2, leaf.p, len(w)))  # the fixed effects, per component they act on
        for j, (component, x) in enumerate(leaf.columns):
            own[component, j] = 1.0 if x is None else x
        of_fixed = np.stack([leaf.s[at[i, 0]] * own[0] + leaf.s[at[i, 1]] * own[1] for i in range(2)])
        b = np.concatenate([of_fixed, np.stack([ones, taus])], axis=1)
        p = leaf.p
        cross = own[0] @ b[0].T + own[1] @ b[1].T
        whole = np.block([[cross[:, :p], cross[:, p:]], [cross[:, p:].T, quad]])
        s = leaf.s
        for level, root in enumerate(self.fit.roots):
            ws, u, big_k, _ = sb.integrate(s, root)
            v = sb.times(u, b)
            whole -= v[0] @ v[0].T + v[1] @ v[1].T
            if level < len(self.forest.parents):
                starts = segment_starts(self.forest.parents[level])
                s = np.add.reduceat(ws, starts, axis=1)
                b = np.add.reduceat(sb.subtract_transposed(b, big_k, v), starts, axis=2)
        assert self.priors.beta_precision is not None
        precision = whole[:p, :p] + self.priors.beta_precision * self.fit.sigma**2
        return (whole[p:, p:] - whole[p:, :p] @ np.linalg.solve(precision, whole[:p, p:])) / self.fit.sigma**2

    def __call__(self, x: np.ndarray) -> np.ndarray:
        start, (w, t, _) = self.fit.readings.start, self.sums
        z, tz = (np.add.reduceat(v, start)[self.at] for v in (self.w * x, self.w * self.tau * x))
        by = np.stack([z, tz])
        swept = self.swept
        by[1, swept] -= t[swept] * z[swept] / w[swept]
        by[0, swept] = 0.0
        base = self.base
        leaf = LeafSums(base.s, by, float(np.sum(self.w * x * x)), base.n_obs, base.columns)
        tree = Tree(leaf, self.forest.parents, n_lower=LOWER)
        at = tree.evaluate(self.fit.roots, self.priors, sigma2=self.fit.sigma**2, gradient=False)
        mean = leaf_posteriors(tree, self.fit.roots, at, cov=False)[0].mean
        mean[0, swept] = z[swept] / w[swept] - t[swept] / w[swept] * mean[1, swept]
        return self.w * (x - mean[0][self.leaf] - mean[1][self.leaf] * self.tau) / self.fit.sigma**2
