"""Posteriors of installs and cycles where what lies above them is known: a short way down the tree.

With the fixed effects taken off the readings, a group's total effect is one vector with one covariance, and each level
below follows from its parent's in a few products; the maps of `lower_levels.sweep_down`, which carry every fixed effect
along, are not needed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.mixed import smallblocks as sb
from models.mixed.lower_levels import kept_share, segment_starts
from models.mixed.tree import Tree
from models.mixed.upper_levels import Nodes


def posteriors_below(
    tree: Tree,
    roots: Sequence[np.ndarray],
    mean: np.ndarray,
    spread: np.ndarray | None,
    wanted: np.ndarray | None = None,
) -> list[Nodes]:
    """Posterior of every node of the lower levels, leaves first, relative covariances; resolved shares are left zero.

    tree: its fixed effects are the intercepts alone, and part of the groups' effects. mean (q, g): of the groups' total
    effects; spread: their packed covariances, None where only means are wanted. wanted: places of the leaves that are,
    in order; no others are told then.
    """
    q = tree.q
    sizes = [tree.sizes[0] if wanted is None else len(wanted), *tree.sizes[1 : tree.n_lower]]
    out = [Nodes(np.empty((q, n)), np.zeros((q * (q + 1) // 2, n)), np.zeros(n)) for n in sizes]
    kinds = [r @ r.T for r in roots[: tree.n_lower]]
    for slices in tree.blocks:
        s, b = tree.leaf.s[:, slices[0]], tree.leaf.by[:, slices[0]]
        up = []
        for level, here in enumerate(slices):
            ws, u, big_k, _ = sb.integrate(s, roots[level], logdet=False)
            wb = sb.subtract_transposed(b, big_k, sb.times(u, b))
            parent = tree.parents[level][here] if level < len(tree.parents) else np.zeros(ws.shape[1], dtype=int)
            if level < len(slices) - 1:
                starts = segment_starts(parent)
                s, b = np.add.reduceat(ws, starts, axis=1), np.add.reduceat(wb, starts, axis=1)
            if level == 0 and wanted is not None:
                first, last = np.searchsorted(wanted, (here.start, here.stop)).tolist()
                some = wanted[first:last] - here.start
                ws, wb, u = ws.take(some, axis=1), wb.take(some, axis=1), u.take(some, axis=2)
                parent, here = parent[some], slice(first, last)
            up.append((ws, u, wb, parent, here))
        above, above_cov, first = mean, spread, 0
        for level in range(len(slices) - 1, -1, -1):
            (ws, u, wb, parent, here), d = up[level], kinds[level]
            known = above.take(parent - first, axis=1)
            above = known + sb.constant_times(d, wb - sb.symmetric_times(ws, known))
            out[level].mean[:, here] = above
            if above_cov is not None:
                above_cov = sb.gram(u) + sb.sandwich(kept_share(ws, d), above_cov.take(parent - first, axis=1))
                out[level].cov[:, here] = above_cov
            first = here.start
    return out
