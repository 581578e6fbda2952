"""Where to begin the search of a tree's covariances: moments of the leaves' own least-squares lines."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.mixed.lower_levels import LeafSums
from models.mixed.smallblocks import unpack

LOOKED_AT = 50_000  # leaves, spread evenly
FEWEST = 10


def guess(leaf: LeafSums, parents: Sequence[np.ndarray]) -> list[np.ndarray]:
    """L per level, relative to the residual variance; identities where too few leaves have a line of their own.

    The spread of the leaves' lines within each parent, less what their own error makes of it, then that of the parents'
    means within theirs, and so on.
    """
    q, n = leaf.q, leaf.by.shape[1]
    levels = len(parents) + 1
    at = np.arange(0, n, max(1, n // LOOKED_AT))
    s = unpack(leaf.s[:, at], q)
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", s), 1e-300))
    own = np.linalg.eigvalsh(s / scale[:, :, None] / scale[:, None, :])[:, 0] > 1e-3
    if own.sum() < max(FEWEST, 3 * q):
        return [np.eye(q)] * levels
    at, s = at[own], s[own]
    inverse = np.linalg.inv(s)
    lines = np.einsum("nij,jn->ni", inverse, leaf.by[:, at])
    every = len(at) / n
    explained = float(np.einsum("in,ni->", leaf.by[:, at], lines)) / every
    left = max(leaf.n_obs - q * n, 1.0)
    sigma2 = max((leaf.yy - explained) / left, 1e-6 * leaf.yy / max(leaf.n_obs, 1.0))
    error = inverse.mean(axis=0)
    out = []
    index = at
    values, weight = lines, np.ones(len(at))
    for level in range(levels):
        parent = parents[level][index] if level < len(parents) else np.zeros(len(index), dtype=int)
        group, back = np.unique(parent, return_inverse=True)
        count = np.bincount(back, weight)
        means = np.stack([np.bincount(back, weight * values[:, k]) / count for k in range(q)], axis=1)
        free = max(len(values) - len(group), 1)
        away = values - means[back]
        spread = away.T @ away / free / sigma2
        out.append(factor(spread - error if level == 0 else spread, spread))
        error = np.zeros((q, q))
        index, values, weight = group, means, np.ones(len(group))
    return out


def factor(d: np.ndarray, fallback: np.ndarray) -> np.ndarray:
    """Cholesky factor of a covariance made positive definite: no direction below a hundredth of its scale."""
    scale = np.sqrt(np.maximum(np.diag(fallback), 1e-12))
    value, vector = np.linalg.eigh(d / np.outer(scale, scale))
    fixed = (vector * np.maximum(value, 0.01)) @ vector.T
    return np.linalg.cholesky(fixed * np.outer(scale, scale))
