"""What travels up the tree: the sums of cycles and leaves, and the messages of its lower levels to the groups above.

Messages are sums over nodes: shards add.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from models.mixed import smallblocks as sb

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


@dataclass
class CycleSums:
    """n readings and the weighted sums of 1, tau, tau^2, z, tau z, z^2 per cycle; z less the fit's centre."""

    n: np.ndarray
    w: np.ndarray
    t: np.ndarray
    tt: np.ndarray
    z: np.ndarray
    tz: np.ndarray
    zz: np.ndarray

    def at(self, index: np.ndarray) -> CycleSums:
        """Reordered; index -1 gives a cycle without readings."""
        if len(index) == len(self.n) and np.array_equal(index, np.arange(len(index))):
            return self
        inside = index >= 0
        pick = lambda x: np.where(inside, x[np.maximum(index, 0)], 0.0) if len(x) else np.zeros(len(index))
        return CycleSums(*(pick(x) for x in (self.n, self.w, self.t, self.tt, self.z, self.tz, self.zz)))

    def taken(self, here: np.ndarray) -> CycleSums:
        """Of these cycles."""
        return CycleSums(*(x[here] for x in (self.n, self.w, self.t, self.tt, self.z, self.tz, self.zz)))

    def with_new(self, here: np.ndarray, sums: CycleSums) -> CycleSums:
        """With those of these cycles in place of their own."""
        out = [x.copy() for x in (self.n, self.w, self.t, self.tt, self.z, self.tz, self.zz)]
        for x, new in zip(out, (sums.n, sums.w, sums.t, sums.tt, sums.z, sums.tz, sums.zz), strict=True):
            x[here] = new
        return CycleSums(*out)

    def leaf(self, columns: tuple[Column, ...], freed: np.ndarray) -> LeafSums:
        """Leaves of the tree. freed: cycles whose level is unknown; only their slope counts.

        Freeing a level is the exact limit of a normal prior with infinite variance on it: the cycle's mean is swept
        out.
        """
        s, by = np.stack([self.w, self.t, self.tt]), np.stack([self.z, self.tz])
        yy, n_obs, logdet = float(self.zz.sum()), float(self.n.sum()), 0.0
        swept = np.flatnonzero(freed & (self.w > 0))
        if len(swept):
            w, t, z = self.w[swept], self.t[swept], self.z[swept]
            lone = self.n[swept] < 2
            s[2, swept] = np.where(lone, 0.0, np.maximum(self.tt[swept] - t * t / w, 0.0))
            by[1, swept] = np.where(lone, 0.0, self.tz[swept] - t * z / w)
            s[:2, swept] = 0.0
            by[0, swept] = 0.0
            yy -= float((z * z / w).sum())
            n_obs -= float(len(swept))
            logdet += float(np.log(w).sum())
        return LeafSums(s, by, yy, n_obs, columns, logdet)


def fixed_part(leaf: LeafSums, beta: np.ndarray) -> np.ndarray:
    """What the fixed effects but the intercepts do to each leaf, (q, n)."""
    out = np.zeros_like(leaf.by)
    for b, (component, x) in zip(beta.tolist(), leaf.columns, strict=True):
        if x is not None:
            out[component] += b * x
    return out


def without_fixed(leaf: LeafSums, beta: np.ndarray) -> LeafSums:
    """The sums of the leaves with all fixed effects but the intercepts taken off the readings."""
    return without(leaf, fixed_part(leaf, beta))


def without(leaf: LeafSums, known: np.ndarray) -> LeafSums:
    """The sums of the leaves with a known effect on each of them, (q, n), taken off the readings; the fixed effects
    that are left are the intercepts."""
    pulled = sb.symmetric_times(leaf.s, known)
    yy = leaf.yy - 2 * float(np.vdot(known, leaf.by)) + float(np.vdot(known, pulled))
    return LeafSums(leaf.s, leaf.by - pulled, yy, leaf.n_obs, leaf.columns[: leaf.q], leaf.logdet)


@dataclass
class Messages:
    """What the groups hear: packed S (., g), B = Z'[X y] (q, p + 1, g), the quadratic [X y]'[X y] and sums of logdets.

    With gradients, per level: h, the sum of the nodes' local information; own (q, q, g, q, p + 1), the sums of products
    of the nodes' score maps with those of the intercepts, by group, and common (q (q + 1) / 2, p + 1 - q, p + 1 - q),
    those of all others, over all groups, since beyond the intercepts a group's u is that of all; info[l][m], sums of
    products of information between levels, (q, q, q, q), the scoring matrix.
    """

    s: np.ndarray
    b: np.ndarray
    quad: np.ndarray
    logdet: float
    n_obs: float
    h: list[np.ndarray] = field(default_factory=list)
    own: list[np.ndarray] = field(default_factory=list)
    common: list[np.ndarray] = field(default_factory=list)
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
        own=[np.zeros((*x.shape[:2], n_groups, *x.shape[3:])) for x in first.own],
        common=[np.zeros_like(x) for x in first.common],
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
            total.own[level][:, :, at] += part.own[level]
            total.common[level] += part.common[level]
            for other in range(len(total.h)):
                total.info[level][other] += part.info[level][other]
    return total


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
    new = np.ones(len(index), dtype=bool)
    np.not_equal(index[1:], index[:-1], out=new[1:])
    return np.flatnonzero(new)


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
