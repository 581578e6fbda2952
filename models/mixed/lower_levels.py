"""The levels of the tree that hold many nodes, in blocks that stay in cache: one sweep up and down per evaluation.

The nodes above ("groups", such as appliance models) are not known during the sweep. Each group's total effect and the
fixed effects enter every node's score linearly, so a sweep returns, per group, the message (S, B) and the Gram matrices
of those linear maps; with them the exact gradient follows once the groups' posteriors are known.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from models.mixed import smallblocks as sb
from models.mixed.basis import Basis, basis_of
from models.mixed.leaf_sums import (
    Column,
    LeafSums,
    Messages,
    cut_blocks,
    design_rows,
    fixed_part,
    merge,
    segment_starts,
    without_fixed,
)


@dataclass
class Block:
    """One block's arrays on the way up, kept for the way down."""

    leaves: slice
    parent: list[np.ndarray]  # per level, the parent's position within the block (last: the group)
    ws: list[np.ndarray]
    wb: list[np.ndarray]  # where the leaves' parents are in the block, leaf: (q, n) for y only; else (q, size + 1, n)
    u: list[np.ndarray]
    basis: Basis

    def of_leaves(self, some: np.ndarray) -> Block:
        """The same with these leaves only, on the way down."""
        own = lambda arrays: [arrays[0][..., some], *arrays[1:]]
        return Block(self.leaves, own(self.parent), own(self.ws), own(self.wb), own(self.u), self.basis.of_leaves(some))


def sweep_up(
    leaf: LeafSums,
    parents: Sequence[np.ndarray],
    slices: list[slice],
    roots: Sequence[np.ndarray],
    out: Messages | None,
    known: dict[int, Basis] | None = None,
) -> Block:
    """Messages of one block, added into `out` (None: only what the way down needs); roots: L per lower level. known:
    bases of blocks by their first leaf, filled on the way."""
    q = leaf.q
    at = sb.slots(q)
    n_lower, here = len(slices), slices[0]
    home = min(1, n_lower - 1)  # the level at which intercepts and shared columns come in
    above = parent_of(parents, slices, 0)
    starts = segment_starts(above)
    basis = None if known is None else known.get(here.start)
    if basis is None:
        basis = basis_of(leaf, here, above - above[0], starts) if home else basis_of(leaf, here, None, None)
        if known is not None:
            known[here.start] = basis
    ws, u, big_k, logdet = sb.integrate(leaf.s[:, here], roots[0], logdet=out is not None)
    by = leaf.by[:, here]
    v = sb.times(u, by)
    wby = sb.subtract_transposed(by, big_k, v)
    quad, y, carried = np.zeros((basis.size + 1,) * 2), basis.size, slice(basis.first, None)
    if out is not None:
        out.logdet += float(logdet.sum())
        quad[y, y] -= float(np.einsum("in,in->", v, v))
        for k, (own, rows) in enumerate(basis.own):
            cross = rows @ wby[k]
            quad[own, y] += cross
            quad[y, own] += cross
            for j, (other, columns) in enumerate(basis.own[: k + 1]):
                value = (rows * ws[at[k, j]]) @ columns.T
                quad[own, other] += value
                if j < k:
                    quad[other, own] += value.T
    block = Block(here, [], [ws], [wby], [u], basis)
    s, b = ws, np.zeros((0, 0, 0))
    for level in range(n_lower):
        if level > 0:
            above = parent_of(parents, slices, level)
            starts = segment_starts(above)
        if level == home:
            if level == 0:
                b = with_own(basis, ws, wby)
            b = with_shared(basis, s, b, quad if out is not None else None)
            block.wb[level] = b
        block.parent.append(above if level == n_lower - 1 else above - above[0])
        s_up = np.add.reduceat(s, starts, axis=1)
        if level < home:
            b_up = np.empty((q, basis.size + 1 - basis.first, len(starts)))
            for k, (own, rows) in enumerate(basis.own):
                if len(rows):
                    for i in range(q):
                        b_up[i, basis.carried(own)] = np.add.reduceat(rows * ws[at[i, k]], starts, axis=1)
            b_up[:, -1] = np.add.reduceat(wby, starts, axis=1)
        else:
            b_up = np.add.reduceat(b, starts, axis=2)
        if level == n_lower - 1:
            if out is not None:
                groups = above[starts]
                out.s[:, groups] += s_up
                out.quad += basis.full.T @ quad @ basis.full
                for i in range(q):
                    out.b[i][:, groups] += basis.full.T @ b_up[i]
            return block
        s, u, big_k, logdet = sb.integrate(s_up, roots[level + 1], logdet=out is not None)
        v = sb.times(u, b_up)
        b = sb.subtract_transposed(b_up, big_k, v)
        if out is not None:
            out.logdet += float(logdet.sum())
            inside = carried if level < home else slice(None)
            for i in range(q):
                quad[inside, inside] -= v[i] @ v[i].T
        block.ws.append(s)
        block.wb.append(b)
        block.u.append(u)
    raise AssertionError("unreachable")


def parent_of(parents: Sequence[np.ndarray], slices: list[slice], level: int) -> np.ndarray:
    here = slices[level]
    return parents[level][here] if level < len(parents) else np.zeros(here.stop - here.start, dtype=int)


def with_own(basis: Basis, ws: np.ndarray, wby: np.ndarray) -> np.ndarray:
    """W B of leaves whose parents are groups: of their own columns and the readings."""
    q = len(wby)
    at = sb.slots(q)
    b = np.empty((q, basis.size + 1 - basis.first, ws.shape[1]))
    for k, (own, rows) in enumerate(basis.own):
        for i in range(q):
            b[i, basis.carried(own)] = rows * ws[at[i, k]]
    b[:, -1] = wby
    return b


def with_shared(basis: Basis, ws: np.ndarray, b: np.ndarray, quad: np.ndarray | None) -> np.ndarray:
    """W B of all vectors of the basis, from that of the columns of the leaves and the readings; what the others do to
    the quadratic is added into `quad`."""
    q = len(b)
    at = sb.slots(q)
    out = np.empty((q, basis.size + 1, ws.shape[1]))
    out[:, basis.first :] = b
    for k, (shared, rows) in enumerate(basis.shared):
        for i in range(q):
            out[i, k] = ws[at[i, k]]
            if len(shared) > 1:
                out[i, shared[1:]] = rows[1:] * ws[at[i, k]]
        if quad is None:
            continue
        cross = rows @ b[k].T
        quad[shared, basis.first :] += cross
        quad[basis.first :, shared] += cross.T
        for j, (other, columns) in enumerate(basis.shared[: k + 1]):
            value = (rows * ws[at[k, j]]) @ columns.T
            quad[np.ix_(shared, other)] += value
            if j < k:
                quad[np.ix_(other, shared)] += value.T
    return out


@dataclass
class Down:
    """Per lower level of a block: the score map A (q, size + 1, n) with Z'P(y - X beta) = A u, the map T with the
    node's total effect = T u, its covariance C given u (packed), and the local information H = Z'P Z given u (packed).

    u = full (-(intercepts + group effect), -other fixed effects, 1), length size + 1 of the block's basis.
    """

    score: np.ndarray
    total: np.ndarray
    c: np.ndarray
    h: np.ndarray
    x: np.ndarray | None  # Z'P Z between this node and its parent in the block, (q, q, n)


def sweep_down(
    block: Block, roots: Sequence[np.ndarray], q: int, posteriors: bool = True
) -> Iterator[tuple[int, Down]]:
    """From the highest lower level to the leaves, given the groups: (level, Down). posteriors False leaves out what
    only the leaves' posteriors need: their `total` and `c` are then empty; True what only the scoring matrix needs."""
    at = sb.slots(q)
    basis, n_lower = block.basis, len(block.ws)
    above: Down | None = None
    for level in range(n_lower - 1, -1, -1):
        ws, u = block.ws[level], block.u[level]
        d = roots[level] @ roots[level].T
        wanted = level > 0 or posteriors
        h, x = ws.copy(), None
        total = cond = ws[:0]
        if wanted:
            cond = sb.gram(u)  # D - D WS D = U'U with U = R^-1 L'
        if above is None:
            score = block.wb[level].copy()
            if wanted:
                total = sb.constant_times(d, score)
                for i in range(q):
                    total[i, i] -= 1.0
        else:
            par = block.parent[level]
            c_par = above.c.take(par, axis=1)
            expected = above.total
            if level == 0:  # what acts on all leaves of a parent counts as the parent's
                expected = expected.copy()
                for k, (shared, rows) in enumerate(basis.shared):
                    expected[k, shared[1:]] -= rows[1:]
            expected = expected[:, :, par]
            score = sb.symmetric_times(-ws, expected)
            if level == 0:
                for k, (own, rows) in enumerate(basis.own):
                    for i in range(q):
                        score[i, own] += rows * ws[at[i, k]]
                score[:, -1] += block.wb[0]
            else:
                # the intercepts' share came with the block's own W S, which the parent's total replaces
                score += block.wb[level]
                for i in range(q):
                    for k in range(q):
                        score[i, k] -= ws[at[i, k]]
            h -= sb.congruence(ws, c_par, q)
            if wanted:
                total = expected + sb.constant_times(d, score)
                cond = cond + sb.sandwich(kept_share(ws, d), c_par)
            if not posteriors:  # Z'P Z between node and parent: WS (I - C_par WS_par) restricted to D_par's own
                above_ws, above_d = block.ws[level + 1], roots[level + 1] @ roots[level + 1].T
                shrink = kept_share(above_ws, above_d).take(par, axis=2)
                x = np.empty((q, q, ws.shape[1]))
                for i in range(q):
                    for j in range(q):
                        x[i, j] = sb.dot([(ws[at[i, k]], shrink[k, j]) for k in range(q)], ws[0])
        if level == 0 and wanted:  # -P for the covariates: total = group + parent's + own + P beta
            for k, (own, rows) in enumerate(basis.own):
                total[k, own] -= rows
        down = Down(score, total, cond, h, x)
        yield level, down
        above = down


def kept_share(ws: np.ndarray, d: np.ndarray) -> np.ndarray:
    """I - D W S per node, (q, q, n): what a node's own data leave of what lies above it."""
    q = len(d)
    at = sb.slots(q)
    keep = -np.stack(
        [[sb.dot([(float(d[i, k]), ws[at[k, j]]) for k in range(q)], ws[0]) for j in range(q)] for i in range(q)]
    )
    for i in range(q):
        keep[i, i] += 1.0
    return keep


def sweep(
    leaf: LeafSums,
    parents: Sequence[np.ndarray],
    blocks: list[list[slice]],
    roots: Sequence[np.ndarray],
    n_groups: int,
    gradient: bool,
    known: dict[int, Basis] | None = None,
) -> Messages:
    """One sweep over all blocks: the groups' messages and, asked for, what the gradient and the scoring matrix need."""
    q, p = leaf.q, leaf.p
    n_lower = len(roots)
    quad = np.zeros((p + 1, p + 1))
    quad[p, p] = leaf.yy
    out = Messages(
        np.zeros((q * (q + 1) // 2, n_groups)), np.zeros((q, p + 1, n_groups)), quad, leaf.logdet, leaf.n_obs
    )
    if gradient:
        out.h = [np.zeros((q, q)) for _ in range(n_lower)]
        out.own = [np.zeros((q, q, n_groups, q, p + 1)) for _ in range(n_lower)]
        out.common = [np.zeros((q * (q + 1) // 2, p + 1 - q, p + 1 - q)) for _ in range(n_lower)]
        out.info = [[np.zeros((q, q, q, q)) for _ in range(n_lower)] for _ in range(n_lower)]
    at = sb.slots(q)
    for slices in blocks:
        block = sweep_up(leaf, parents, slices, roots, out, known)
        if not gradient:
            continue
        groups, full = block.parent[n_lower - 1], block.basis.full
        for level, down in sweep_down(block, roots, q, posteriors=False):
            sums = down.h.sum(axis=1)
            out.h[level] += sums[at]
            of_group = groups if level == n_lower - 1 else groups[to_top(block, level)]
            starts = segment_starts(of_group)
            out.own[level][:, :, of_group[starts]] += with_intercepts(down.score, starts) @ full
            beyond = full[:, q:]
            for i in range(q):
                for j in range(i + 1):
                    out.common[level][at[i, j]] += beyond.T @ (down.score[i] @ down.score[j].T) @ beyond
            info = down.h[at].reshape(q * q, -1)
            out.info[level][level] += products(info, q)
            if down.x is not None:
                cross = products(down.x.reshape(q * q, -1), q)
                out.info[level][level + 1] += cross
                out.info[level + 1][level] += cross.transpose(2, 3, 0, 1)
    return out


def with_intercepts(score: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Sums over the nodes of each group of products of score maps (q, m, n): score[i, c] score[j, d] with c an
    intercept, as [i, j, group, c, d]. starts: first node of each group."""
    q, m, n = score.shape
    left, right = score[:, :q].reshape(q * q, n), score.reshape(q * m, n).T
    out = np.empty((len(starts), q * q, q * m))
    for of_group, a, b in zip(out, starts.tolist(), [*starts[1:].tolist(), n], strict=True):
        np.matmul(left[:, a:b], right[a:b], out=of_group)
    return out.reshape(-1, q, q, q, m).transpose(1, 3, 0, 2, 4)


def products(flat: np.ndarray, q: int) -> np.ndarray:
    """Sum over nodes of X[a, c] X[b, d], as [a, b, c, d]: tr(X' E X F) = sum E[a, b] T[a, b, c, d] F[c, d]."""
    return (flat @ flat.T).reshape(q, q, q, q).transpose(0, 2, 1, 3)


def to_top(block: Block, level: int) -> np.ndarray:
    """Each node's ancestor at the highest lower level, as a position within the block."""
    index = block.parent[level]
    for k in range(level + 1, len(block.ws) - 1):
        index = block.parent[k][index]
    return index


__all__ = [
    "Basis",
    "Block",
    "Column",
    "Down",
    "LeafSums",
    "Messages",
    "cut_blocks",
    "design_rows",
    "fixed_part",
    "merge",
    "segment_starts",
    "sweep",
    "sweep_down",
    "sweep_up",
    "without_fixed",
]
