"""The drift model as a scikit-learn estimator, for readings in a table."""

from __future__ import annotations

import contextlib
from numbers import Real

import numpy as np
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from models.drift.priors import Weak, level_priors
from models.mixed.nested import Nested, leaf_sums, nest
from models.mixed.smallblocks import unpack
from models.mixed.start import guess
from models.mixed.tree import Priors, Tree
from models.mixed.whole_posteriors import all_nodes


class DriftModel(RegressorMixin, BaseEstimator):
    """Level and rate of one indicator over burner hours, random on every level of a tree (design, model, install,
    cycle).

    power: exponent of the burner hours, above 0; 1 is a straight line.
    prior_nodes: pseudo-members per level that keep its covariance off zero; 0 is plain restricted likelihood.

    X: (readings, k): k - 1 columns of group labels, the highest level first, then burner hours since the cycle began.
    With one column there are no groups, and the fit is a straight line by least squares. y: reading on the scale of the
    fit (log or plain).

    Learned: psi_ (k - 1, 2, 2), covariance of (level, rate) per level, leaf first, rate per (1,000 h) ** power; sigma_,
    residual standard deviation; coef_ (2,), level and rate of the whole; coef_cov_ (2, 2); nodes_, per level (leaf
    first) the posterior mean (n, 2) and covariance (n, 2, 2) of every node; reml_, -2 log restricted likelihood;
    singular_, levels whose covariance lies on the boundary.
    """

    psi_: np.ndarray
    coef_: np.ndarray
    coef_cov_: np.ndarray
    nodes_: list[tuple[np.ndarray, np.ndarray]]
    _seen: list[np.ndarray]
    _nested: Nested

    def __init__(self, power: float = 1.0, prior_nodes: float = 0.0) -> None:
        self.power = power
        self.prior_nodes = prior_nodes

    def fit(self, X: np.ndarray, y: np.ndarray) -> DriftModel:
        """Learn from readings; ValueError for fewer than two, or for parameters out of range."""
        if not isinstance(self.power, Real) or not self.power > 0:
            raise ValueError(f"power is {self.power!r}; it must be a number above 0")
        if not isinstance(self.prior_nodes, Real) or self.prior_nodes < 0:
            raise ValueError(f"prior_nodes is {self.prior_nodes!r}; it must be a number of at least 0")
        X, y = validate_data(self, X, y, dtype=np.float64, ensure_min_samples=2, y_numeric=True)
        tau = self._clock(X)
        groups = [X[:, k] for k in range(X.shape[1] - 1)] or [np.zeros(len(X))]
        self._seen = [np.unique(g) for g in groups]
        nested = nest(groups)
        z = np.column_stack([np.ones(len(tau)), tau])
        self.centre_ = float(y.mean())
        leaf = leaf_sums(nested, z, y - self.centre_)
        tree = Tree(leaf, nested.parents)
        levels = X.shape[1] - 1
        spread = float(np.var(y)) or 1.0
        reach = float(np.std(tau)) or 1.0
        fitted = levels > 0 and len(y) > 4 and np.ptp(tau) > 1e-9 * (1 + abs(tau).max()) and np.ptp(y) > 0
        found = None
        if fitted:
            weak = Weak(np.sqrt(spread / 4), np.sqrt(spread / 4) / reach, np.sqrt(spread / 4), 0, 0, 0, 0)
            priors = level_priors(weak, self.prior_nodes, tree.levels)
            # as many effects as readings: no residual is left to compare with, a line through all is what can be said
            with contextlib.suppress(np.linalg.LinAlgError):
                found = tree.fit(guess(leaf, nested.parents), priors)
        if found is not None:
            roots, at, self.singular_ = found.roots, found.at, found.singular
            self.converged_, self.reml_ = found.converged, at.criterion
        else:
            roots = [np.zeros((2, 2))] * tree.levels
            precision = np.diag([1e-8, 1e-8 * reach**2]) / spread
            at = tree.evaluate(roots, Priors(beta_precision=precision), sigma2=spread, gradient=False)
            sigma2 = max(at.rss / max(len(y) - 2, 1), 1e-12 * spread)
            at = tree.evaluate(roots, Priors(beta_precision=precision), sigma2=sigma2, gradient=False)
            self.singular_, self.converged_, self.reml_ = [True] * levels, True, float("nan")
        self._tree, self._roots, self._at, self._nested = tree, roots, at, nested
        self.sigma_ = float(np.sqrt(at.sigma2))
        self.psi_ = np.array([at.sigma2 * r @ r.T for r in roots[:levels]]).reshape(-1, 2, 2)
        self.coef_ = at.beta + np.array([self.centre_, 0.0])
        self.coef_cov_ = at.beta_cov * at.sigma2
        nodes = all_nodes(tree, roots, at)[:levels]
        self.nodes_ = [(n.mean.T + np.array([self.centre_, 0.0]), at.sigma2 * unpack(n.cov, 2)) for n in nodes]
        return self

    def _clock(self, X: np.ndarray) -> np.ndarray:
        hours = X[:, -1] / 1000.0
        return hours if self.power == 1.0 else np.sign(hours) * np.abs(hours) ** self.power

    def predict(self, X: np.ndarray, return_std: bool = False) -> np.ndarray | tuple[np.ndarray, np.ndarray]:
        """Expected true value, without a reading's own error; labels never seen take what their parent, or all, say.

        return_std: also its standard deviation (the residual is not in it).
        """
        check_is_fitted(self)
        X = validate_data(self, X, reset=False, dtype=np.float64)
        tau = self._clock(X)
        mean, cov = self._effects(X)
        value = mean[:, 0] + mean[:, 1] * tau
        if not return_std:
            return value
        variance = cov[:, 0, 0] + 2 * tau * cov[:, 0, 1] + tau**2 * cov[:, 1, 1]
        return value, np.sqrt(np.maximum(variance, 0))

    def _effects(self, X: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Level and rate of each row's leaf: mean (n, 2), covariance (n, 2, 2)."""
        n, levels = len(X), X.shape[1] - 1
        mean = np.repeat(self.coef_[None], n, axis=0)
        cov = np.repeat((self.coef_cov_ + self.psi_.sum(axis=0) if levels else self.coef_cov_)[None], n, axis=0)
        codes = np.empty((n, levels), dtype=np.int64)
        known = np.ones(n, dtype=bool)
        for k in range(levels):
            at = np.minimum(np.searchsorted(self._seen[k], X[:, k]), len(self._seen[k]) - 1)
            codes[:, k] = np.where(self._seen[k][at] == X[:, k], at, -1)
        for k in range(levels):  # from the highest level down, as far as the path is known
            level = levels - 1 - k
            index = {tuple(row): j for j, row in enumerate(self._nested.labels[level].tolist())}
            paths, back = np.unique(codes[:, : k + 1], axis=0, return_inverse=True)
            found = np.array([index.get(tuple(p), -1) for p in paths.tolist()])[back.ravel()]
            known &= found >= 0
            below = self.psi_[:level].sum(axis=0)
            mean[known] = self.nodes_[level][0][found[known]]
            cov[known] = self.nodes_[level][1][found[known]] + below
        return mean, cov
