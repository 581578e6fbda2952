"""The projection of a fitted drift model: what of vectors over the readings the model does not explain.

P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1, V the covariance of the readings under the fit, weights in it. Only products
x'P x are asked for, and they follow from one pass up the tree with the vectors in the place of the readings.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from models.drift.cycle_sums import CycleSums, Forest, positions
from models.drift.fitted import SeriesFit
from models.drift.robust import residuals
from models.drift.states import LOWER, State, beta_precision, built_up_before, freed_levels, reading_lines, tree_sums
from models.mixed import smallblocks as sb
from models.mixed.lower_levels import Messages, design_rows, segment_starts, sweep_up
from models.mixed.tree import Tree


class Projector:
    """P of one fit over its readings."""

    def __init__(self, fit: SeriesFit, forest: Forest) -> None:
        self.fit, self.forest = fit, forest

    def gram(self, vectors: sparse.csr_array) -> np.ndarray:
        """X'P X for the columns of X (readings, k): (k, k)."""
        return gram_above(messages_of(self.fit, self.forest, vectors), self.forest.parents[LOWER:], self.fit)

    def product(self, vectors: sparse.csr_array) -> Product:
        """The same, not written out: for many columns, few of which meet in a node."""
        return product_of(self.fit, self.forest, vectors)


def messages_of(fit: SeriesFit, forest: Forest, vectors: sparse.csr_array) -> Messages:
    """What the lower levels say to the appliance models when vectors (readings, k) stand in for the readings; as
    `lower_levels.sweep`, so shards add."""
    readings, k = fit.readings, vectors.shape[1]
    n, n_obs = forest.size, len(readings.z)
    lines = reading_lines(fit, forest)
    leaf, tau = lines.leaf, lines.tau
    weight = readings.weight
    weighted = scaled_rows(vectors, weight)
    here = (leaf, np.arange(n_obs))
    ones = sparse.csr_array((np.ones(n_obs), here), shape=(n, n_obs)) @ weighted
    taus = sparse.csr_array((tau, here), shape=(n, n_obs)) @ weighted
    sums = tree_sums(fit, forest)
    base = sums.leaf(fit.terms.columns(forest, built_up_before(fit, forest)), freed_levels(forest))
    p = base.p
    quad = np.zeros((p + k, p + k))
    quad[p:, p:] = dense(vectors.T @ weighted)
    swept = freed_levels(forest) & (sums.w > 0)
    if swept.any():
        w, t = np.where(swept, sums.w, 1.0), np.where(swept, sums.t, 0.0)
        gone = scaled_rows(ones, swept / w)  # each freed cycle's mean
        quad[p:, p:] -= dense(gone.T @ scaled_rows(ones, swept.astype(float)))
        taus = taus - scaled_rows(gone, t)
        ones = scaled_rows(ones, (~swept).astype(float))
    slot = sb.slots(2)
    s, b, fixed = base.s, [sparse.csr_array(ones), sparse.csr_array(taus)], np.zeros((2, p, 0))
    for level in range(LOWER):
        ws, u, big_k, _ = sb.integrate(s, fit.roots[level], logdet=False)
        v = [scaled_rows(b[0], u[i, 0]) + scaled_rows(b[1], u[i, 1]) for i in range(2)]
        for i in range(2):
            quad[p:, p:] -= dense(v[i].T @ v[i])
        b = [b[i] - scaled_rows(v[0], big_k[0, i]) - scaled_rows(v[1], big_k[1, i]) for i in range(2)]
        starts = segment_starts(forest.parents[level])
        if level == 0:  # of the many cycles, only their sums are held with all fixed effects
            fixed = np.empty((2, p, len(starts)))
            rows = design_rows(base, slice(0, n))
            for k, (own, x) in enumerate(rows):
                quad[own, p:] += (b[k].T @ x.T).T
                for j, (other, y) in enumerate(rows[: k + 1]):
                    value = (x * ws[slot[k, j]]) @ y.T
                    quad[np.ix_(own, other)] = value
                    quad[np.ix_(other, own)] = value.T
                for i in range(2):
                    fixed[i, own] = np.add.reduceat(x * ws[slot[i, k]], starts, axis=1)
        else:
            v_fixed = sb.times(u, fixed)
            for i in range(2):
                quad[:p, :p] -= v_fixed[i] @ v_fixed[i].T
                quad[:p, p:] -= (v[i].T @ v_fixed[i].T).T
            fixed = np.add.reduceat(sb.subtract_transposed(fixed, big_k, v_fixed), starts, axis=2)
        up = sparse.csr_array(
            (np.ones(s.shape[1]), (forest.parents[level], np.arange(s.shape[1]))), shape=(len(starts), s.shape[1])
        )
        b = [up @ x for x in b]
        s = np.add.reduceat(ws, starts, axis=1)
    quad[p:, :p] = quad[:p, p:].T
    said = np.stack([np.concatenate([fixed[i], b[i].toarray().T]) for i in range(2)])
    return Messages(s, said, quad, 0.0, float(n_obs))


@dataclass(frozen=True)
class Product:
    """X'P X as base - away' away - fixed' precision^-1 fixed: base (k, k), away (nodes, k), fixed (effects, k)."""

    base: sparse.csr_array
    away: sparse.csr_array
    fixed: np.ndarray
    precision: np.ndarray

    def times(self, x: np.ndarray) -> np.ndarray:
        """X'P X x."""
        last = self.fixed.T @ np.linalg.solve(self.precision, self.fixed @ x)
        return self.base @ x - self.away.T @ (self.away @ x) - last

    @property
    def diagonal(self) -> np.ndarray:
        last = np.sum(self.fixed * np.linalg.solve(self.precision, self.fixed), axis=0)
        return self.base.diagonal() - np.asarray(self.away.multiply(self.away).sum(axis=0)).ravel() - last


def product_of(fit: SeriesFit, forest: Forest, vectors: sparse.csr_array) -> Product:
    """As `messages_of` and `gram_above`, level by level, with the vectors left sparse."""
    readings, lines, sums, freed = (
        fit.readings,
        reading_lines(fit, forest),
        tree_sums(fit, forest),
        freed_levels(forest),
    )
    leaf = sums.leaf(fit.terms.columns(forest, built_up_before(fit, forest)), freed)
    weighted = scaled_rows(vectors, readings.weight)
    per_leaf = [
        sparse.csr_array((x, (lines.leaf, np.arange(len(x)))), shape=(forest.size, len(x)))
        for x in (np.ones(len(readings.z)), lines.tau)
    ]
    b = [sparse.csr_array(x @ weighted) for x in per_leaf]
    swept = freed & (sums.w > 0)
    w = np.where(swept, sums.w, 1.0)
    away = [scaled_rows(b[0], swept / np.sqrt(w))]  # each freed cycle's mean
    b = [scaled_rows(b[0], ~swept), sparse.csr_array(b[1] - scaled_rows(b[0], swept * sums.t / w))]
    s, slot, p = leaf.s, sb.slots(2), leaf.p
    xx, cross, fixed = np.zeros((p, p)), np.zeros((p, vectors.shape[1])), np.zeros((2, p, 0))
    rows = design_rows(leaf, slice(0, forest.size))
    for level, root in enumerate(fit.roots):
        ws, u, big_k, _ = sb.integrate(s, root, logdet=False)
        v = [scaled_rows(b[0], u[i, 0]) + scaled_rows(b[1], u[i, 1]) for i in range(2)]
        away += v
        b = [b[i] - scaled_rows(v[0], big_k[0, i]) - scaled_rows(v[1], big_k[1, i]) for i in range(2)]
        parent = forest.parents[level] if level < len(forest.parents) else np.zeros(ws.shape[1], dtype=int)
        starts = segment_starts(parent)
        if level == 0:
            fixed = np.empty((2, p, len(starts)))
            for k, (own, x) in enumerate(rows):
                cross[own] += (b[k].T @ x.T).T
                for j, (other, y) in enumerate(rows):
                    xx[np.ix_(own, other)] = (x * ws[slot[k, j]]) @ y.T
                for i in range(2):
                    fixed[i, own] = np.add.reduceat(x * ws[slot[i, k]], starts, axis=1)
        else:
            v_fixed = sb.times(u, fixed)
            for i in range(2):
                xx -= v_fixed[i] @ v_fixed[i].T
                cross -= (v[i].T @ v_fixed[i].T).T
            fixed = np.add.reduceat(sb.subtract_transposed(fixed, big_k, v_fixed), starts, axis=2)
        up = sparse.csr_array(
            (np.ones(len(parent)), (parent, np.arange(len(parent)))), shape=(len(starts), len(parent))
        )
        b = [sparse.csr_array(up @ x) for x in b]
        s = np.add.reduceat(ws, starts, axis=1)
    s2 = fit.sigma**2
    away_all = sparse.csr_array(sparse.vstack(away) / fit.sigma)
    return Product(vectors.T @ weighted / s2, away_all, cross / fit.sigma, xx + beta_precision(fit) * s2)


def messages_of_analysers(fit: SeriesFit, forest: Forest, place: np.ndarray, scale: np.ndarray, k: int) -> Messages:
    """`messages_of` [C z], C with one entry per reading: in column `place` (-1: none; k of them) the value `scale`.

    What two columns have in common follows from their entries at the same node on the way up; what a column and the
    fixed effects, from its entries at the cycles, and what is left of the latter in each install.
    """
    readings, lines = fit.readings, reading_lines(fit, forest)
    z, freed = readings.z - readings.centre, freed_levels(forest)
    sums = readings.summed(lines.tau, z).at(forest.runs(readings))
    leaf = sums.leaf(fit.terms.columns(forest, built_up_before(fit, forest)), freed)
    p = leaf.p
    out = Tree(leaf, forest.parents, n_lower=LOWER)
    found = Messages(
        np.zeros((3, out.n_groups)), np.zeros((2, p + 1, out.n_groups)), np.zeros((p + 1, p + 1)), 0.0, 0.0
    )
    found.quad[p, p] = leaf.yy
    named = np.flatnonzero(place >= 0)
    named = named[np.argsort(lines.leaf[named], kind="stable")]
    column, cycle, w = place[named], lines.leaf[named], readings.weight[named] * scale[named]
    b, gone, of_freed = less_freed(sums, freed, cycle, w, lines.tau[named])
    own = np.diag(np.bincount(column, w * scale[named], k)) - products(cycle, column, [gone], k)
    read = z[named] - of_freed * sums.z[cycle]
    with_z, cross = np.bincount(column, w * read, k), np.zeros((k, p + 1))
    node, s, entries = cycle, leaf.s, [b]
    for level in range(LOWER):
        ws, u, big_k, _ = sb.integrate(s, fit.roots[level], logdet=False)
        v = [u[i, 0][node] * b[0] + u[i, 1][node] * b[1] for i in range(2)]
        own -= products(node, column, v, k)
        b = [b[i] - big_k[0, i][node] * v[0] - big_k[1, i][node] * v[1] for i in range(2)]
        parent = forest.parents[level]
        node, s = parent[node], np.add.reduceat(ws, segment_starts(parent), axis=1)
        entries.append(b)
    of_group, size = column * out.n_groups + node, k * out.n_groups
    said = np.stack([np.bincount(of_group, x, size).reshape(k, out.n_groups) for x in b])
    first = np.searchsorted(cycle, np.arange(forest.size + 1))
    of_cycle, of_install = (r @ r.T for r in fit.roots[:LOWER])
    for slices in out.blocks:
        block = sweep_up(leaf, forest.parents, slices, fit.roots[:LOWER], found)
        ends = first[slices[0].start : slices[0].stop + 1]
        here, ends = slice(ends[0], ends[-1]), ends - ends[0]
        rows = column[here]
        less = -sb.constant_times(of_install, block.wb[1])  # what the install's own effect explains of each vector
        for x, (shared, values) in zip(less, block.basis.shared, strict=True):
            x[shared] += values
        left = np.zeros((k, block.basis.size + 1))
        ends_of_installs = ends[np.append(segment_starts(block.parent[0]), len(block.parent[0]))]
        for x, y, (apart, values) in zip((e[here] for e in entries[1]), less, block.basis.own, strict=True):
            left += sums_of_products(x, rows, ends_of_installs, y, k)
            left[:, apart] += sums_of_products(x, rows, ends, values, k)
        known = sb.constant_times(of_cycle, block.wb[0])[:, cycle[here] - slices[0].start]
        left[:, -1] -= np.bincount(rows, entries[0][0][here] * known[0] + entries[0][1][here] * known[1], k)
        cross += left @ block.basis.full
    quad = np.zeros((p + k + 1, p + k + 1))
    x, c = slice(0, p), slice(p, p + k)
    quad[x, x], quad[x, -1], quad[-1, x], quad[-1, -1] = (
        found.quad[:p, :p], found.quad[:p, p], found.quad[p, :p], found.quad[p, p],
    )  # fmt: skip
    quad[c, c], quad[c, x], quad[x, c] = own, cross[:, :p], cross[:, :p].T
    quad[c, -1] = quad[-1, c] = with_z + cross[:, p]
    return Messages(found.s, np.concatenate([found.b[:, :p], said, found.b[:, p:]], axis=1), quad, 0.0, float(len(z)))


def sums_of_products(x: np.ndarray, column: np.ndarray, ends: np.ndarray, values: np.ndarray, k: int) -> np.ndarray:
    """Per column (k) the sum of its entries x times the values (m, nodes) of their nodes: (k, m). ends: of the nodes
    among the entries, from 0 on."""
    return sparse.csc_array((x, column, ends), shape=(k, values.shape[1])) @ np.ascontiguousarray(values.T)


def less_freed(
    sums: CycleSums, freed: np.ndarray, node: np.ndarray, w: np.ndarray, tau: np.ndarray
) -> tuple[list[np.ndarray], np.ndarray, np.ndarray]:
    """Entries w and w tau of the cycles `node` with the means of freed cycles swept out; the entries whose products
    that takes away; and 1 / weight of their cycle where that was freed, else 0."""
    share = np.where(freed & (sums.w > 0), 1.0 / np.where(sums.w > 0, sums.w, 1.0), 0.0)[node]
    return [np.where(share > 0, 0.0, w), w * (tau - share * sums.t[node])], w * np.sqrt(share), share


def products(node: np.ndarray, column: np.ndarray, vectors: Sequence[np.ndarray], k: int) -> np.ndarray:
    """Sum of X'X (k, k) of matrices X (nodes, columns) whose entries are sums of what is given; equal nodes lie
    together."""
    out = np.zeros(k * k)
    for i, j in pairs(node):
        out += np.bincount(column[i] * k + column[j], sum(v[i] * v[j] for v in vectors), k * k)
    half = out.reshape(k, k)
    return half + half.T + np.diag(np.bincount(column, sum(v * v for v in vectors), k))


def analyser_sums(fit: SeriesFit, forest: Forest, state: State, number: np.ndarray) -> np.ndarray:
    """Per analyser: score of its bias at the fit as it stands (C'P z), its information (the diagonal of C'PC, the
    effects above the installs taken as known), readings: (3, analysers). Parts of a fleet add."""
    readings, lines, s2 = fit.readings, reading_lines(fit, forest), fit.sigma**2
    left = residuals(fit, forest, state)
    place = positions(number, readings.analyser)
    named = np.flatnonzero(place >= 0)
    index, node, w, residual = place[named], lines.leaf[named], readings.weight[named], left.residual[named]
    scale = fit.scale_at(lines.z[named] + readings.centre - residual)
    score = np.bincount(index, scale * w * residual, len(number)) / s2
    bent = fit.bent(scale, left.leverage[named])
    if bent is not None:
        score += np.bincount(index, bent, len(number))
    b, gone, _ = less_freed(state.sums, state.freed, node, w * scale, lines.tau[named])
    information = np.bincount(index, scale**2 * w, len(number))
    s = state.tree.leaf.s
    for level in range(LOWER):
        ws, u, big_k, _ = sb.integrate(s, fit.roots[level], logdet=False)
        v = [u[i, 0][node] * b[0] + u[i, 1][node] * b[1] for i in range(2)]
        information -= squares(node, index, [gone, *v] if level == 0 else v, len(number))
        if level < LOWER - 1:
            b = [b[i] - big_k[0, i][node] * v[0] - big_k[1, i][node] * v[1] for i in range(2)]
            node, s = forest.parents[level][node], np.add.reduceat(ws, segment_starts(forest.parents[level]), axis=1)
    return np.stack([score, information / s2, np.bincount(index, minlength=len(number))])


def squares(node: np.ndarray, column: np.ndarray, vectors: Sequence[np.ndarray], k: int) -> np.ndarray:
    """Sum of squares per column (k,) of matrices (nodes, columns) whose entries are sums of what is given; equal nodes
    lie together."""
    out = np.bincount(column, sum(v * v for v in vectors), k)
    for i, j in pairs(node):
        same = np.flatnonzero(column[i] == column[j])
        i, j = i[same], j[same]
        out += np.bincount(column[i], 2 * sum(v[i] * v[j] for v in vectors), k)
    return out


def pairs(node: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """All pairs of places within the runs of a list, each once, by how far they are apart."""
    first, apart = np.arange(len(node)), 0
    while len(first):
        apart += 1
        first = first[: np.searchsorted(first, len(node) - apart)]
        first = first[node[first] == node[first + apart]]
        if len(first):
            yield first, first + apart


def gram_above(m: Messages, parents: list[np.ndarray], fit: SeriesFit) -> np.ndarray:
    """X'P X from what all groups heard; parents: of the levels above the lower ones."""
    s, b, whole = m.s, m.b, m.quad.copy()
    for level, root in enumerate(fit.roots[LOWER:]):
        ws, u, big_k, _ = sb.integrate(s, root, logdet=False)
        v = sb.times(u, b)
        whole -= v[0] @ v[0].T + v[1] @ v[1].T
        if level < len(parents):
            starts = segment_starts(parents[level])
            s = np.add.reduceat(ws, starts, axis=1)
            b = np.add.reduceat(sb.subtract_transposed(b, big_k, v), starts, axis=2)
    p = len(fit.terms.terms)
    precision = whole[:p, :p] + beta_precision(fit) * fit.sigma**2
    return (whole[p:, p:] - whole[p:, :p] @ np.linalg.solve(precision, whole[:p, p:])) / fit.sigma**2


def scaled_rows(x: sparse.csr_array, by: np.ndarray) -> sparse.csr_array:
    out = sparse.csr_array(x, copy=True)
    out.data = out.data * np.repeat(by, np.diff(out.indptr))
    return out


def dense(x: sparse.sparray) -> np.ndarray:
    return x.toarray()
