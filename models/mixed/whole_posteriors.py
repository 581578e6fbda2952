"""Posteriors of installs and cycles from an evaluation of the whole tree, with what is not known of the fixed effects.

The groups' u is known from the way down; each block is swept up and down once more, and its maps carry every fixed
effect along. Where these are taken as known, `below` is a shorter way.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.mixed import smallblocks as sb
from models.mixed.leaf_sums import segment_starts
from models.mixed.lower_levels import sweep_down, sweep_up
from models.mixed.tree import Tree
from models.mixed.upper_levels import Evaluation, Nodes


def leaf_posteriors(
    tree: Tree, roots: Sequence[np.ndarray], e: Evaluation, wanted: np.ndarray | None = None
) -> list[Nodes]:
    """Posterior of every node of the lower levels, given an evaluation at `roots`; leaves first, relative covariances.

    wanted: True for the leaves that are; the others, and the nodes above, are left zero."""
    leaf, q = tree.leaf, tree.leaf.q
    out = [Nodes(np.zeros((q, n)), np.zeros((q * (q + 1) // 2, n)), np.zeros(n)) for n in tree.sizes[: tree.n_lower]]
    lower = list(roots[: tree.n_lower])
    prior_rate = np.cumsum([(r @ r.T)[-1, -1] for r in lower[::-1]])[::-1]
    cov_u = np.zeros((leaf.p + 1,) * 2)  # of a group's u, beyond its first rows that of the fixed effects
    cov_u[: leaf.p, : leaf.p] = e.beta_cov
    for slices in tree.blocks:
        block = sweep_up(leaf, tree.parents, slices, lower, None, tree.bases)
        first, last = int(block.parent[-1][0]), int(block.parent[-1][-1]) + 1
        full, constant = block.basis.full, block.basis.constant
        group_u, shift = full @ e.group_u[:, first:last], constant @ e.group_u[:, first:last]
        some = None if wanted is None else np.flatnonzero(wanted[slices[0]])
        if some is not None:
            block = block.of_leaves(some)
        groups = block.parent[-1]
        for level, down in sweep_down(block, lower, q):
            if some is not None and level > 0:
                continue
            index = groups
            for k in range(tree.n_lower - 2, level - 1, -1):
                index = index[block.parent[k]]
            nodes, here = out[level], slices[level]
            if level == 0 and some is not None:
                if len(some) == 0:
                    continue
                here = here.start + some
            nodes.mean[:, here] = np.einsum("icn,cn->in", down.total, group_u[:, index - first])
            if level > 0:  # of a node above the leaves no covariate is told, constant or not
                nodes.mean[:, here] += shift[:, index - first]
            starts = segment_starts(index)
            ends = np.r_[starts[1:], len(index)]
            spread, common = np.empty_like(down.total), np.zeros_like(down.c)
            for a, b in zip(starts.tolist(), ends.tolist(), strict=True):
                cov_u[:q], cov_u[:, :q] = e.group_cov[index[a]], e.group_cov[index[a]].T
                np.matmul(full @ cov_u @ full.T, down.total[:, :, a:b], out=spread[:, :, a:b])
                if level > 0:
                    both = np.tensordot(constant @ cov_u @ full.T, down.total[:, :, a:b], axes=(1, 1))  # (q, q, n)
                    both = both + both.transpose(1, 0, 2) + (constant @ cov_u @ constant.T)[:, :, None]
                    common[:, a:b] = both[sb.triangle(q)]
            row = 0
            for i in range(q):
                for j in range(i + 1):
                    nodes.cov[row, here] = down.c[row] + common[row] + np.einsum("cn,cn->n", spread[i], down.total[j])
                    row += 1
            if prior_rate[level] > 0:
                nodes.resolved[here] = 1 - down.c[-1] / prior_rate[level]
            else:
                nodes.resolved[here] = 0.0
    return out


def all_nodes(tree: Tree, roots: Sequence[np.ndarray], e: Evaluation) -> list[Nodes]:
    """Posterior of every node of every level, leaves first, relative covariances."""
    return [*leaf_posteriors(tree, roots, e), *e.nodes]
