"""A linear mixed model on a tree: restricted likelihood from sums, exact gradient, posteriors of every node.

Levels run from the leaves (0) upwards; each node carries an effect ~ N(0, D sigma^2), D = L L' relative to the residual
variance, which is profiled out. The lower levels go block by block (`lower_levels`), the few nodes above them are
optimised inside. Sources: Laird & Ware 1982 (Biometrics 38); Pinheiro & Bates 2000, ch. 2; Bates et al. 2015 (J. Stat.
Softw. 67(1)) for the relative factor; the gradient is Fisher's identity.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import linalg

from models import smallblocks as sb
from models.lower_levels import LeafSums, Messages, cut_blocks, segment_starts, sweep, sweep_down, sweep_up
from models.newton import minimise

MANY_NODES = 2000  # a level with more nodes than this is swept in blocks
BLOCK_LEAVES = 8000
SATURATED = 1e-10  # of the mean square: a residual variance below it is none


@dataclass(frozen=True)
class LevelPrior:
    """Weak prior on one level's covariance: `members` pseudo-nodes with covariance `psi` (q, q), absolute. 0 members: none."""

    members: float
    psi: np.ndarray


@dataclass(frozen=True)
class Priors:
    """None anywhere gives plain REML.

    levels: one per level or None. sigma_members, sigma2: pseudo-readings with that residual variance.
    beta_precision, beta_mean: proper normal prior of the fixed effects on the absolute scale; used with a fixed sigma.
    """

    levels: tuple[LevelPrior | None, ...] = ()
    sigma_members: float = 0.0
    sigma2: float = 0.0
    beta_precision: np.ndarray | None = None
    beta_mean: np.ndarray | None = None


@dataclass
class Evaluation:
    """Criterion and what came with it. Relative quantities times sigma2 are absolute."""

    criterion: float
    sigma2: float
    beta: np.ndarray
    beta_cov: np.ndarray  # relative
    rss: float
    logdet: float
    n_obs: float
    gradients: list[np.ndarray] = field(default_factory=list)  # d criterion / d D per level, all levels
    infos: list[list[np.ndarray]] = field(default_factory=list)
    group_u: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))  # (p + 1, g)
    group_cov: np.ndarray = field(default_factory=lambda: np.zeros((0, 0, 0)))  # (g, p + 1, p + 1), relative
    nodes: list[Nodes] = field(default_factory=list)  # upper levels
    links: list[Link] = field(default_factory=list)  # upper levels


@dataclass
class Nodes:
    """Posterior of one level's nodes: total effect (group intercepts and all effects above, own included).

    mean (q, n); cov packed (., n), relative to sigma2, uncertainty of the fixed effects in it; resolved (n,): share of
    the variance of the node's own effect, last component (the rate), that its data took away.
    """

    mean: np.ndarray
    cov: np.ndarray
    resolved: np.ndarray


@dataclass
class Link:
    """How the nodes of one upper level hang together: total effect = total u + noise, u = (-beta, 1) of the root.

    total (q, p + 1, n); given u, a node's effect is keep (q, q, n) times its parent's noise plus noise of its own with
    covariance own (packed); cond (packed): all of the noise, the parents' included; parent (n,). Relative to sigma2.
    """

    total: np.ndarray
    keep: np.ndarray
    own: np.ndarray
    cond: np.ndarray
    parent: np.ndarray


class Tree:
    """Leaves with their sums, and who belongs to whom.

    leaf: sums. parents: per level but the highest, each node's parent (sorted, no gaps); the highest level hangs from
    the root. n_lower: levels swept in blocks (default: the leaves and every level with many nodes).
    """

    def __init__(
        self, leaf: LeafSums, parents: Sequence[np.ndarray] = (), n_lower: int | None = None, block: int = BLOCK_LEAVES
    ) -> None:
        self.leaf, self.parents = leaf, [np.asarray(x) for x in parents]
        sizes = [leaf.by.shape[1]] + [int(x[-1]) + 1 if len(x) else 0 for x in self.parents]
        for level, index in enumerate(self.parents):
            if len(index) != sizes[level] or np.any(np.diff(index) < 0) or np.any(np.diff(index) > 1) or index[0] != 0:
                raise ValueError(f"parents of level {level} must be sorted, start at 0 and leave no gap")
        self.sizes = sizes
        if n_lower is None:
            n_lower = 1
            while n_lower < len(sizes) and sizes[n_lower] > MANY_NODES:
                n_lower += 1
        self.n_lower = n_lower
        self.n_groups = sizes[n_lower] if n_lower < len(sizes) else 1
        self.blocks = cut_blocks(self.parents, n_lower, sizes[0], block)

    @property
    def levels(self) -> int:
        return len(self.sizes)

    def messages(self, roots: Sequence[np.ndarray], gradient: bool = True) -> Messages:
        """What the lower levels say to the groups; the part of the work that shards share."""
        return sweep(self.leaf, self.parents, self.blocks, roots[: self.n_lower], self.n_groups, gradient)

    def evaluate(
        self, roots: Sequence[np.ndarray], priors: Priors = Priors(), sigma2: float | None = None, gradient: bool = True,
        messages: Messages | None = None,
    ) -> Evaluation:
        """Criterion (-2 REML with its constants, priors added) at L per level; sigma2 None profiles it out."""
        m = self.messages(roots, gradient) if messages is None else messages
        return evaluate_upper(m, self.parents[self.n_lower :], self.n_lower, roots, priors, sigma2, gradient)

    def fit(self, start: Sequence[np.ndarray], priors: Priors = Priors(), tolerance: float = 1e-8) -> TreeFit:
        """Minimise the criterion over all levels' L, starting at `start`.

        Raises LinAlgError where the readings leave no residual variance (as many effects as readings).
        """
        upper = list(start[self.n_lower :])
        counted = {"passes": 0}
        best: list = [np.inf, None, None]

        def outer(x: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
            def evaluated() -> tuple[Evaluation, list[np.ndarray]]:
                nonlocal upper
                lower = split_roots(x, self.leaf.q)
                m = self.messages(lower)
                counted["passes"] += 1
                upper = self.fit_upper(m, lower, upper, priors, tolerance)
                e = self.evaluate([*lower, *upper], priors, messages=m)
                if e.sigma2 < SATURATED * self.leaf.yy / max(self.leaf.n_obs, 1.0):
                    raise np.linalg.LinAlgError("no residual variance is left: as many effects as readings")
                if e.criterion < best[0]:
                    best[:] = [e.criterion, e, [*lower, *upper]]
                return e, [*lower, *upper]

            return in_roots_or_inf(evaluated, range(self.n_lower), x.size)

        found = minimise(outer, join_roots(start[: self.n_lower]), tolerance)
        for _ in range(4):
            if best[1] is None:
                raise np.linalg.LinAlgError("no residual variance is left: as many effects as readings")
            e, roots = best[1], best[2]
            upper = roots[self.n_lower :]
            moved = leave_saddle(roots[: self.n_lower], e.gradients[: self.n_lower])
            if moved is None:
                break
            found = minimise(outer, join_roots(moved), tolerance)
        return TreeFit(self, best[2], best[1], priors, counted["passes"], found.converged)

    def fit_upper(
        self, m: Messages, lower: list[np.ndarray], upper: list[np.ndarray], priors: Priors, tolerance: float
    ) -> list[np.ndarray]:
        """The levels above, given what the lower ones say."""
        if not upper:
            return upper
        q = self.leaf.q

        def inner(x: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
            roots = [*lower, *split_roots(x, q)]
            levels = range(self.n_lower, self.levels)
            return in_roots_or_inf(lambda: (self.evaluate(roots, priors, messages=m), roots), levels, x.size)

        found = minimise(inner, join_roots(upper), tolerance * 0.1)
        best = split_roots(found.x, q)
        for _ in range(2):
            e = self.evaluate([*lower, *best], priors, messages=m)
            moved = leave_saddle(best, e.gradients[self.n_lower :])
            if moved is None:
                break
            best = split_roots(minimise(inner, join_roots(moved), tolerance * 0.1).x, q)
        return best


@dataclass
class TreeFit:
    """An optimum: L per level (relative), the evaluation there, and what to know of it."""

    tree: Tree
    roots: list[np.ndarray]
    at: Evaluation
    priors: Priors
    passes: int
    converged: bool

    @property
    def psi(self) -> list[np.ndarray]:
        """Covariance per level, absolute, (q, q)."""
        return [self.at.sigma2 * r @ r.T for r in self.roots]

    @property
    def singular(self) -> list[bool]:
        """Levels whose covariance has no full rank: an optimum on the boundary."""
        out = []
        for d in self.psi:
            scale = np.sqrt(np.diag(d))
            ok = np.all(scale > 1e-5 * np.sqrt(self.at.sigma2)) and np.linalg.eigvalsh(d / np.outer(scale, scale))[0] > 1e-6
            out.append(not ok)
        return out


def join_roots(roots: Sequence[np.ndarray]) -> np.ndarray:
    """Lower triangles of L, level after level, as one vector. Diagonals are free in sign: D = L L' is the same."""
    return np.concatenate([r[np.tril_indices(len(r))] for r in roots]) if len(roots) else np.zeros(0)


def split_roots(x: np.ndarray, q: int) -> list[np.ndarray]:
    size = q * (q + 1) // 2
    out = []
    for k in range(len(x) // size):
        r = np.zeros((q, q))
        r[np.tril_indices(q)] = x[k * size : (k + 1) * size]
        out.append(r)
    return out


def in_roots_or_inf(
    evaluated: Callable[[], tuple[Evaluation, list[np.ndarray]]], levels: range, size: int
) -> tuple[float, np.ndarray, np.ndarray]:
    """As `in_roots`; where numbers give out (an absurd step), a criterion of infinity, from which the search turns back."""
    try:
        e, roots = evaluated()
        f, g, h = in_roots(e, roots, levels)
        if not (np.isfinite(f) and np.all(np.isfinite(g)) and np.all(np.isfinite(h))):
            raise np.linalg.LinAlgError("not finite")
        return f, g, h
    except np.linalg.LinAlgError:
        return np.inf, np.zeros(size), np.eye(size)


def in_roots(e: Evaluation, roots: Sequence[np.ndarray], levels: range) -> tuple[float, np.ndarray, np.ndarray]:
    """Criterion, gradient and scoring matrix in the entries of L of the given levels.

    Where an optimum lies on the boundary, a diagonal entry of L is 0 and the criterion is a parabola in it: nothing
    special has to be done but to leave saddles (`leave_saddle`).
    """
    q = roots[0].shape[0]
    rows, cols = np.tril_indices(q)
    size = len(rows)
    grad = np.concatenate([2 * (e.gradients[k] @ roots[k])[rows, cols] for k in levels])
    jacobians = []
    for k in levels:
        j = np.zeros((q, q, size))
        for a in range(size):
            j[rows[a], :, a] += roots[k][:, cols[a]]
            j[:, rows[a], a] += roots[k][:, cols[a]]
        jacobians.append(j)
    hess = np.zeros((size * len(levels), size * len(levels)))
    for a, la in enumerate(levels):
        for b, lb in enumerate(levels):
            block = np.einsum("abi,abcd,cdj->ij", jacobians[a], e.infos[la][lb], jacobians[b])
            if la == lb:
                block = block + 2 * e.gradients[la][np.ix_(rows, rows)] * (cols[:, None] == cols[None, :])
            hess[a * size : (a + 1) * size, b * size : (b + 1) * size] = block
    return e.criterion, grad, hess


def leave_saddle(roots: Sequence[np.ndarray], gradients: Sequence[np.ndarray]) -> list[np.ndarray] | None:
    """Where D is singular although the criterion falls into its null space, a start that leaves; None at an optimum.

    The conditions of an optimum over positive semidefinite D: G D = 0 and G positive semidefinite.
    """
    moved, out = False, []
    for r, g in zip(roots, gradients, strict=True):
        d = r @ r.T
        value, vector = np.linalg.eigh(g)
        v = vector[:, 0]
        step = 0.01 * max(np.trace(d), 1e-4)
        if -value[0] * step > 1e-4 and v @ d @ v < 1e-3 * np.trace(d):
            d = d + step * np.outer(v, v)
            moved = True
            out.append(np.linalg.cholesky(d + 1e-14 * np.trace(d) * np.eye(len(d))))
        else:
            out.append(r)
    return out if moved else None


def evaluate_upper(
    m: Messages, parents: Sequence[np.ndarray], n_lower: int, roots: Sequence[np.ndarray], priors: Priors,
    sigma2: float | None, gradient: bool,
) -> Evaluation:
    """From the groups' messages to the root and back: criterion, fixed effects, gradients of all levels."""
    q, p = m.b.shape[0], m.b.shape[1] - 1
    at = sb.slots(q)
    n_levels = len(roots)
    quad, logdet = m.quad.copy(), m.logdet
    s, b = m.s, m.b
    kept = []
    for level in range(n_lower, n_levels):
        ws, u, big_k, ld = sb.integrate(s, roots[level])
        v = sb.times(u, b)
        wb = sb.subtract_transposed(b, big_k, v)
        for i in range(q):
            quad -= v[i] @ v[i].T
        logdet += float(ld.sum())
        index = parents[level - n_lower] if level - n_lower < len(parents) else np.zeros(ws.shape[1], dtype=int)
        kept.append((ws, wb, u, index))
        starts = segment_starts(index)
        s, b = np.add.reduceat(ws, starts, axis=1), np.add.reduceat(wb, starts, axis=2)
    xx, xy, yy = quad[:p, :p], quad[:p, p], float(quad[p, p])
    precision = xx
    if priors.beta_precision is not None:
        if sigma2 is None:
            raise ValueError("a prior on the fixed effects needs a fixed sigma2; give one")
        precision = xx + priors.beta_precision * sigma2
        mean = np.zeros(p) if priors.beta_mean is None else priors.beta_mean
        xy = xy + priors.beta_precision @ mean * sigma2
        yy += float(mean @ priors.beta_precision @ mean) * sigma2
    if not np.all(np.isfinite(precision)):
        raise np.linalg.LinAlgError("the information of the fixed effects is not finite")
    factor = linalg.cho_factor(precision, lower=True)
    beta = linalg.cho_solve(factor, xy)
    beta_cov = linalg.cho_solve(factor, np.eye(p))
    rss = max(yy - float(xy @ beta), 1e-300)
    log_xx = 2 * float(np.log(np.diag(factor[0])).sum())
    dof = m.n_obs - (p if priors.beta_precision is None else 0)
    shrink_dof, shrink_rss, prior_logdet = priors.sigma_members, priors.sigma_members * priors.sigma2, 0.0
    inverses: dict[int, np.ndarray] = {}
    for level, prior in enumerate(priors.levels):
        if prior is not None and prior.members > 0:
            d = roots[level] @ roots[level].T
            inverse = np.linalg.inv(d + 1e-12 * np.trace(d) * np.eye(q) + 1e-300 * np.eye(q))
            inverses[level] = inverse
            shrink_dof += prior.members * q
            shrink_rss += prior.members * float(np.sum(prior.psi * inverse))
            prior_logdet += prior.members * float(np.linalg.slogdet(d + 1e-300 * np.eye(q))[1])
    if sigma2 is None:
        sigma2 = (rss + shrink_rss) / (dof + shrink_dof)
    criterion = (
        dof * np.log(2 * np.pi) + (dof + shrink_dof) * np.log(sigma2) + (rss + shrink_rss) / sigma2
        + logdet + prior_logdet + log_xx
    )
    e = Evaluation(float(criterion), float(sigma2), beta, beta_cov, rss, logdet, m.n_obs)
    u_root = np.r_[-beta, 1.0]
    cov_root = np.zeros((p + 1, p + 1))
    cov_root[:p, :p] = beta_cov
    outer_root = cov_root + np.outer(u_root, u_root) / sigma2
    n_groups = m.s.shape[1]
    e.gradients = [np.zeros((q, q)) for _ in range(n_levels)]
    e.infos = [[np.zeros((q, q, q, q)) for _ in range(n_levels)] for _ in range(n_levels)]
    total = np.zeros((q, p + 1, 1))
    for i in range(q):
        total[i, i] = -1.0
    cond = np.zeros((q * (q + 1) // 2, 1))
    e.nodes = [Nodes(np.zeros((q, 0)), np.zeros((0, 0)), np.zeros(0)) for _ in range(n_levels - n_lower)]
    e.links = [Link(total, total, cond, cond, np.zeros(0, dtype=int)) for _ in range(n_levels - n_lower)]
    for level in range(n_levels - 1, n_lower - 1, -1):
        ws, wb, u, index = kept[level - n_lower]
        d = roots[level] @ roots[level].T
        t_par, c_par = total[:, :, index], cond[:, index]
        shift = t_par.copy()
        for i in range(q):
            shift[i, i] += 1.0
        score = wb - sb.symmetric_times(ws, shift)
        h = ws - sb.congruence(ws, c_par, q)
        if gradient:
            flat = score.reshape(q, p + 1, -1)
            spread = np.einsum("icn,cd->idn", flat, outer_root)
            e.gradients[level] = h.sum(axis=1)[at] - np.einsum("idn,jdn->ij", spread, flat)
            full = h[at].reshape(q * q, -1)
            e.infos[level][level] = (full @ full.T).reshape(q, q, q, q).transpose(0, 2, 1, 3)
        keep = np.eye(q)[:, :, None] - np.einsum("ik,kjn->ijn", d, ws[at])
        total = t_par + sb.constant_times(d, score)
        own = sb.gram(u)
        cond = own + sb.sandwich(keep, c_par)
        spread = np.einsum("icn,cd->idn", total, cov_root)
        cov = cond + np.stack([np.einsum("dn,dn->n", spread[i], total[j]) for i in range(q) for j in range(i + 1)])
        mean = np.einsum("icn,c->in", total, u_root)
        resolved = 1 - own[-1] / d[-1, -1] if d[-1, -1] > 0 else np.zeros(own.shape[1])
        e.nodes[level - n_lower] = Nodes(mean, cov, resolved)
        e.links[level - n_lower] = Link(total, keep, own, cond, index)
    if total.shape[2] != n_groups:
        total, cond = np.repeat(total, n_groups, axis=2), np.repeat(cond, n_groups, axis=1)
    maps = np.zeros((n_groups, p + 1, p + 1))
    maps[:, :q] = -np.moveaxis(total, 2, 0)
    for i in range(q, p + 1):
        maps[:, i, i] = 1.0
    e.group_u = (maps @ u_root).T
    e.group_cov = maps @ cov_root @ maps.transpose(0, 2, 1)
    e.group_cov[:, :q, :q] += sb.unpack(cond, q)
    if gradient:
        moment = e.group_cov + e.group_u.T[:, :, None] * e.group_u.T[:, None, :] / sigma2
        for level in range(n_lower):
            pairs = np.einsum("gscd,gcd->s", m.grams[level], moment)
            e.gradients[level] = m.h[level] - pairs[at]
            for other in range(n_lower):
                e.infos[level][other] = m.info[level][other]
        for level, inverse in inverses.items():
            prior = priors.levels[level]
            assert prior is not None
            e.gradients[level] = e.gradients[level] + prior.members * (inverse - inverse @ prior.psi @ inverse / sigma2)
            e.infos[level][level] = e.infos[level][level] + prior.members * np.einsum("ac,bd->abcd", inverse, inverse)
    return e


def leaf_posteriors(tree: Tree, roots: Sequence[np.ndarray], e: Evaluation) -> list[Nodes]:
    """Posterior of every node of the lower levels, given an evaluation at `roots`; leaves first, relative covariances."""
    leaf, q, p = tree.leaf, tree.leaf.q, tree.leaf.p
    out = [
        Nodes(np.empty((q, n)), np.empty((q * (q + 1) // 2, n)), np.empty(n)) for n in tree.sizes[: tree.n_lower]
    ]
    dump = Messages(
        np.zeros((q * (q + 1) // 2, tree.n_groups)), np.zeros((q, p + 1, tree.n_groups)), np.zeros((p + 1, p + 1)), 0.0, 0.0
    )
    lower = list(roots[: tree.n_lower])
    prior_rate = np.cumsum([(r @ r.T)[-1, -1] for r in lower[::-1]])[::-1]
    for slices in tree.blocks:
        block = sweep_up(leaf, tree.parents, slices, lower, dump)
        groups = block.parent[-1]
        for level, down in sweep_down(block, lower, q, p):
            index = groups
            for k in range(tree.n_lower - 2, level - 1, -1):
                index = index[block.parent[k]]
            here, nodes = slices[level], out[level]
            starts = segment_starts(index)
            ends = np.r_[starts[1:], len(index)]
            for a, b in zip(starts.tolist(), ends.tolist(), strict=True):
                t = down.total[:, :, a:b]
                g = index[a]
                nodes.mean[:, here.start + a : here.start + b] = np.tensordot(t, e.group_u[:, g], axes=(1, 0))
                row = 0
                for i in range(q):
                    spread = e.group_cov[g] @ t[i]
                    for j in range(i + 1):
                        value = down.c[row, a:b] + np.einsum("cn,cn->n", spread, t[j])
                        nodes.cov[row, here.start + a : here.start + b] = value
                        row += 1
            if prior_rate[level] > 0:
                nodes.resolved[here] = 1 - down.c[-1] / prior_rate[level]
            else:
                nodes.resolved[here] = 0.0
    return out


def all_nodes(tree: Tree, roots: Sequence[np.ndarray], e: Evaluation) -> list[Nodes]:
    """Posterior of every node of every level, leaves first, relative covariances."""
    return [*leaf_posteriors(tree, roots, e), *e.nodes]
