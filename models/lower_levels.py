"""The levels of the tree that hold many nodes, in blocks that stay in cache: one sweep up and down per evaluation.

The nodes above ("groups", such as appliance models) are not known during the sweep. Each group's total effect and the
fixed effects enter every node's score linearly, so a sweep returns, per group, the message (S, B) and the Gram matrices
of those linear maps; with them the exact gradient follows once the groups' posteriors are known. Messages and Grams are
sums over nodes: shards add.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from models import smallblocks as sb

Column = tuple[int, np.ndarray | None]  # component it acts on; value per leaf, None for 1


@dataclass
class LeafSums:
    """What the leaves know: S = Z'Z packed (q (q + 1) / 2, n), Z'y (q, n), y'y, all without the residual variance.

    columns: fixed effects as (component, value per leaf); the first q are the intercepts (k, None).
    n_obs: readings, less one for each leaf whose level was freed. logdet: what freeing them added to the criterion.
    """

    s: np.ndarray
    by: np.ndarray
    yy: float
    n_obs: float
    columns: tuple[Column, ...]
    logdet: float = 0.0

    def __post_init__(self) -> None:
        q = self.by.shape[0]
        intercepts = [(k, v is None) for k, v in self.columns[:q]]
        if intercepts != [(k, True) for k in range(q)]:
            raise ValueError(f"the first {q} columns must be the intercepts (0, None) ...; got {intercepts}")

    @property
    def q(self) -> int:
        return self.by.shape[0]

    @property
    def p(self) -> int:
        return len(self.columns)


def fixed_part(leaf: LeafSums, beta: np.ndarray) -> np.ndarray:
    """What the fixed effects but the intercepts do to each leaf, (q, n)."""
    out = np.zeros_like(leaf.by)
    for b, (component, x) in zip(beta.tolist(), leaf.columns, strict=True):
        if x is not None:
            out[component] += b * x
    return out


def without_fixed(leaf: LeafSums, beta: np.ndarray) -> LeafSums:
    """The sums of the leaves with all fixed effects but the intercepts taken off the readings."""
    q = leaf.q
    known = fixed_part(leaf, beta)
    pulled = sb.symmetric_times(leaf.s, known)
    yy = leaf.yy - 2 * float(np.sum(known * leaf.by)) + float(np.sum(known * pulled))
    return LeafSums(leaf.s, leaf.by - pulled, yy, leaf.n_obs, leaf.columns[:q], leaf.logdet)


@dataclass
class Messages:
    """What the groups hear: packed S (., g), B = Z'[X y] (q, p + 1, g), the quadratic [X y]'[X y] and sums of logdets.

    With gradients: h per level, the sum of the nodes' local information; grams per level (g, q (q + 1) / 2, p + 1,
    p + 1); info[l][m], sums of products of information between levels, (q, q, q, q), the scoring matrix.
    """

    s: np.ndarray
    b: np.ndarray
    quad: np.ndarray
    logdet: float
    n_obs: float
    h: list[np.ndarray] = field(default_factory=list)
    grams: list[np.ndarray] = field(default_factory=list)
    info: list[list[np.ndarray]] = field(default_factory=list)


def merge(parts: Sequence[Messages], groups: Sequence[np.ndarray], n_groups: int) -> Messages:
    """Add the messages of shards; groups[k] numbers the groups of part k in the whole, each once."""
    first = parts[0]
    total = Messages(
        s=np.zeros((first.s.shape[0], n_groups)),
        b=np.zeros((*first.b.shape[:2], n_groups)),
        quad=np.zeros_like(first.quad),
        logdet=0.0,
        n_obs=0.0,
        h=[np.zeros_like(h) for h in first.h],
        grams=[np.zeros((n_groups, *g.shape[1:])) for g in first.grams],
        info=[[np.zeros_like(x) for x in row] for row in first.info],
    )
    for part, at in zip(parts, groups, strict=True):
        total.s[:, at] += part.s
        total.b[:, :, at] += part.b
        total.quad += part.quad
        total.logdet += part.logdet
        total.n_obs += part.n_obs
        for level in range(len(total.h)):
            total.h[level] += part.h[level]
            total.grams[level][at] += part.grams[level]
            for other in range(len(total.h)):
                total.info[level][other] += part.info[level][other]
    return total


@dataclass
class Block:
    """One block's arrays on the way up, kept for the way down."""

    leaves: slice
    parent: list[np.ndarray]  # per level, the parent's position within the block (last: the group)
    ws: list[np.ndarray]
    wb: list[np.ndarray]  # leaf: (q, n) for y only; above: (q, p + 1, n)
    u: list[np.ndarray]
    columns: list[tuple[np.ndarray, np.ndarray]]  # as `design_rows`

    def of_leaves(self, some: np.ndarray) -> Block:
        """The same with these leaves only, on the way down."""
        own = lambda arrays: [arrays[0][..., some], *arrays[1:]]
        columns = [(effects, rows[:, some]) for effects, rows in self.columns]
        return Block(self.leaves, own(self.parent), own(self.ws), own(self.wb), own(self.u), columns)


def cut_blocks(parents: Sequence[np.ndarray], n_lower: int, n_leaves: int, size: int) -> list[list[slice]]:
    """Slices per lower level, about `size` leaves each, never through a node of the highest lower level."""
    to_top = np.arange(n_leaves)
    for level in range(n_lower - 1):
        to_top = parents[level][to_top]
    first_leaf = np.flatnonzero(np.r_[True, to_top[1:] != to_top[:-1]]) if n_leaves else np.zeros(0, dtype=int)
    cuts = [0]
    while cuts[-1] < n_leaves:
        k = np.searchsorted(first_leaf, cuts[-1] + size, side="left")
        cuts.append(int(first_leaf[k]) if k < len(first_leaf) else n_leaves)
    blocks = []
    for a, b in pairwise(cuts):
        slices = [slice(a, b)]
        for level in range(n_lower - 1):
            lo, hi = slices[-1].start, slices[-1].stop
            slices.append(slice(int(parents[level][lo]), int(parents[level][hi - 1]) + 1))
        blocks.append(slices)
    return blocks


def segment_starts(index: np.ndarray) -> np.ndarray:
    """First position of each run in a sorted index without gaps."""
    return np.flatnonzero(np.r_[True, index[1:] != index[:-1]])


def design_rows(leaf: LeafSums, here: slice) -> list[tuple[np.ndarray, np.ndarray]]:
    """Per component: numbers of its fixed effects, the intercept first, and their values (effects, leaves)."""
    n = leaf.s[0, here].shape[0]
    out = []
    for k in range(leaf.q):
        own = [j for j, (component, _) in enumerate(leaf.columns) if component == k]
        rows = np.ones((len(own), n))
        for row, j in zip(rows, own, strict=True):
            values = leaf.columns[j][1]
            if values is not None:
                row[:] = values[here]
        out.append((np.array(own), rows))
    return out


def sweep_up(
    leaf: LeafSums,
    parents: Sequence[np.ndarray],
    slices: list[slice],
    roots: Sequence[np.ndarray],
    out: Messages | None,
) -> Block:
    """Messages of one block, added into `out` (None: only what the way down needs); roots: L per lower level."""
    q, p = leaf.q, leaf.p
    at = sb.slots(q)
    n_lower = len(slices)
    here = slices[0]
    x = design_rows(leaf, here)
    ws, u, big_k, logdet = sb.integrate(leaf.s[:, here], roots[0])
    by = leaf.by[:, here]
    v = sb.times(u, by)
    wby = sb.subtract_transposed(by, big_k, v)
    if out is not None:
        out.logdet += float(logdet.sum())
        out.quad[p, p] -= float(np.einsum("in,in->", v, v))
        for k, (own, rows) in enumerate(x):
            cross = rows @ wby[k]
            out.quad[own, p] += cross
            out.quad[p, own] += cross
            for j, (other, columns) in enumerate(x[: k + 1]):
                value = (rows * ws[at[k, j]]) @ columns.T
                out.quad[np.ix_(own, other)] += value
                if j < k:
                    out.quad[np.ix_(other, own)] += value.T
    block = Block(here, [], [ws], [wby], [u], x)
    s, b = ws, None
    for level in range(n_lower):
        above = parents[level][slices[level]] if level < len(parents) else np.zeros(s.shape[1], dtype=int)
        first = int(above[0])
        local = above - first
        block.parent.append(above if level == n_lower - 1 else local)
        starts = segment_starts(above)
        s_up = np.add.reduceat(s, starts, axis=1)
        if b is None:
            b_up = np.empty((q, p + 1, len(starts)))
            for k, (own, rows) in enumerate(x):
                for i in range(q):
                    b_up[i, own[0]] = s_up[at[i, k]]
                    if len(own) > 1:
                        b_up[i, own[1:]] = np.add.reduceat(rows[1:] * ws[at[i, k]], starts, axis=1)
            b_up[:, p] = np.add.reduceat(wby, starts, axis=1)
        else:
            b_up = np.add.reduceat(b, starts, axis=2)
        if level == n_lower - 1:
            if out is not None:
                groups = above[starts]
                out.s[:, groups] += s_up
                out.b[:, :, groups] += b_up
            return block
        s, u, big_k, logdet = sb.integrate(s_up, roots[level + 1])
        v = sb.times(u, b_up)
        b = sb.subtract_transposed(b_up, big_k, v)
        if out is not None:
            out.logdet += float(logdet.sum())
            for i in range(q):
                out.quad -= v[i] @ v[i].T
        block.ws.append(s)
        block.wb.append(b)
        block.u.append(u)
    raise AssertionError("unreachable")


@dataclass
class Down:
    """Per lower level of a block: the score map A (q, p + 1, n) with Z'P(y - X beta) = A u, the map T with the node's
    total effect = T u, its covariance C given u (packed), and the local information H = Z'P Z given u (packed).

    u = (-(intercepts + group effect), -other fixed effects, 1), length p + 1.
    """

    score: np.ndarray
    total: np.ndarray
    c: np.ndarray
    h: np.ndarray
    x: np.ndarray | None  # Z'P Z between this node and its parent, (q, q, n), where the parent is in the block


def sweep_down(
    block: Block, roots: Sequence[np.ndarray], q: int, p: int, posteriors: bool = True
) -> Iterator[tuple[int, Down]]:
    """From the highest lower level to the leaves, given the groups: (level, Down). posteriors False leaves out what
    only the leaves' posteriors need: their `total` and `c` are then empty."""
    at = sb.slots(q)
    n_lower = len(block.ws)
    above: Down | None = None
    for level in range(n_lower - 1, -1, -1):
        ws, u = block.ws[level], block.u[level]
        n = ws.shape[1]
        d = roots[level] @ roots[level].T
        wanted = level > 0 or posteriors
        if level > 0:
            score = block.wb[level].copy()
        else:
            score = np.empty((q, p + 1, n))
            for k, (own, rows) in enumerate(block.columns):
                for i in range(q):
                    score[i, own] = rows * ws[at[i, k]]
            score[:, p] = block.wb[0]
        h = ws.copy()
        total = cond = ws[:0]
        if wanted:
            cond = sb.gram(u)  # D - D WS D = U'U with U = R^-1 L'
        if above is not None:
            par = block.parent[level]
            c_par = above.c[:, par]
            # the intercepts' share of the score came with -WS u; the parent's total replaces it
            shifted = above.total.copy()
            for i in range(q):
                shifted[i, i] += 1.0
            score -= sb.symmetric_times(ws, shifted[:, :, par])
            h -= sb.congruence(ws, c_par, q)
            if wanted:
                total = above.total[:, :, par] + sb.constant_times(d, score)
                cond = cond + sb.sandwich(kept_share(ws, d), c_par)
            # Z'P Z between node and parent: WS (I - C_par WS_par) restricted to D_par's own integration
            above_ws, above_d = block.ws[level + 1], roots[level + 1] @ roots[level + 1].T
            shrink = kept_share(above_ws, above_d)
            shrink = shrink[:, :, par]
            x = np.stack(
                [[sb.dot([(ws[at[i, k]], shrink[k, j]) for k in range(q)], ws[0]) for j in range(q)] for i in range(q)]
            )
        else:
            if wanted:
                total = sb.constant_times(d, score)
                for i in range(q):
                    total[i, i] -= 1.0
            x = None
        if level == 0 and wanted:  # -P for the covariates: total = group + parent's + own + P beta
            for k, (own, rows) in enumerate(block.columns):
                total[k, own[1:]] -= rows[1:]
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
        out.grams = [np.zeros((n_groups, q * (q + 1) // 2, p + 1, p + 1)) for _ in range(n_lower)]
        out.info = [[np.zeros((q, q, q, q)) for _ in range(n_lower)] for _ in range(n_lower)]
    at = sb.slots(q)
    for slices in blocks:
        block = sweep_up(leaf, parents, slices, roots, out)
        if not gradient:
            continue
        groups = block.parent[n_lower - 1]
        for level, down in sweep_down(block, roots, q, p, posteriors=False):
            sums = down.h.sum(axis=1)
            out.h[level] += sums[at]
            of_group = groups if level == n_lower - 1 else groups[to_top(block, level)]
            starts = segment_starts(of_group)
            ends = np.r_[starts[1:], len(of_group)]
            for a, b in zip(starts.tolist(), ends.tolist(), strict=True):
                target = out.grams[level][of_group[a]]
                for i in range(q):
                    for j in range(i + 1):
                        target[at[i, j]] += down.score[i, :, a:b] @ down.score[j, :, a:b].T
            full = down.h[at].reshape(q * q, -1)
            out.info[level][level] += products(full, q)
            if down.x is not None:
                cross = products(down.x.reshape(q * q, -1), q)
                out.info[level][level + 1] += cross
                out.info[level + 1][level] += cross.transpose(2, 3, 0, 1)
    return out


def products(flat: np.ndarray, q: int) -> np.ndarray:
    """Sum over nodes of X[a, c] X[b, d], as [a, b, c, d]: tr(X' E X F) = sum E[a, b] T[a, b, c, d] F[c, d]."""
    return (flat @ flat.T).reshape(q, q, q, q).transpose(0, 2, 1, 3)


def to_top(block: Block, level: int) -> np.ndarray:
    """Each node's ancestor at the highest lower level, as a position within the block."""
    index = block.parent[level]
    for k in range(level + 1, len(block.ws) - 1):
        index = block.parent[k][index]
    return index
