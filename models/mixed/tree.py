"""A linear mixed model on a tree: restricted likelihood from sums, exact gradient, posteriors of every node.

Levels run from the leaves (0) upwards; each node carries an effect ~ N(0, D sigma^2), D = L L' relative to the residual
variance, which is profiled out. The lower levels go block by block (`lower_levels`), the few nodes above them are
optimised inside. Sources: Laird & Ware 1982 (Biometrics 38); Pinheiro & Bates 2000, ch. 2; Bates et al. 2015 (J. Stat.
Softw. 67(1)) for the relative factor; the gradient is Fisher's identity.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from models.mixed import smallblocks as sb
from models.mixed.leaf_sums import LeafSums, Messages, cut_blocks
from models.mixed.lower_levels import Basis, sweep
from models.mixed.newton import RELATIVE, Secants, minimise
from models.mixed.upper_levels import Evaluation, LevelPrior, Nodes, Priors, evaluate_upper

MANY_NODES = 2000  # a level with more nodes than this is swept in blocks
BLOCK_LEAVES = 16_000
REMEMBERED = 60_000  # leaves of trees that keep the bases of their blocks from one sweep to the next
TOGETHER = 6000  # up to so many leaves a sweep costs no more than the levels above: all are optimised at once
PLAIN = Priors()
SATURATED = 1e-10  # of the mean square: a residual variance below it is none


class Trunk:
    """The levels above, and the search of all levels' covariances; what the lower levels say comes from `messages`.

    q: effects per node. levels: of the whole tree. above: parents per level from the groups on. n_lower: levels below
    the groups. n_leaves: their number. mean_square: of the readings, to tell when no residual variance is left.
    """

    def __init__(
        self, q: int, levels: int, n_lower: int, above: Sequence[np.ndarray], n_leaves: int, mean_square: float
    ) -> None:
        self.q, self.levels, self.n_lower, self.above = q, levels, n_lower, list(above)
        self.n_leaves, self.mean_square = n_leaves, mean_square

    def messages(self, roots: Sequence[np.ndarray], gradient: bool = True) -> Messages:
        """What the lower levels say to the groups."""
        raise NotImplementedError

    def evaluate(
        self,
        roots: Sequence[np.ndarray],
        priors: Priors = PLAIN,
        sigma2: float | None = None,
        gradient: bool = True,
        messages: Messages | None = None,
        nodes: bool = True,
        lower: bool = True,
    ) -> Evaluation:
        """Criterion (-2 REML with its constants, priors added) at L per level; sigma2 None profiles it out."""
        m = self.messages(roots, gradient) if messages is None else messages
        return evaluate_upper(m, self.above, self.n_lower, roots, priors, sigma2, gradient, nodes, lower)

    def fit(
        self,
        start: Sequence[np.ndarray],
        priors: Priors = PLAIN,
        tolerance: float = 1e-8,
        sigma2: float | None = None,
        secants: Secants = (),
        enough: float = 0.0,
        relative: float = RELATIVE,
    ) -> TreeFit:
        """Minimise the criterion over all levels' L, starting at `start`; sigma2 None profiles it out. secants: of the
        levels that the outer search moves, where they are known from another one. enough, relative: as
        `newton.minimise`; the evaluation is that before a last step that is not looked at.

        Raises LinAlgError where the readings leave no residual variance (as many effects as readings).
        """
        together = self.n_leaves <= TOGETHER
        outside = self.levels if together else self.n_lower  # levels whose L the outer search moves
        upper = list(start[outside:])
        counted = {"passes": 0}
        best: list = [np.inf, None, None, None]

        def outer(x: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
            def evaluated() -> tuple[Evaluation, list[np.ndarray]]:
                nonlocal upper
                moving = split_roots(x, self.q)
                m = self.messages(moving)
                counted["passes"] += 1
                upper = self.fit_upper(m, moving, upper, priors, tolerance, sigma2, relative)
                e = self.evaluate([*moving, *upper], priors, sigma2, messages=m, nodes=False)
                if sigma2 is None and e.sigma2 < SATURATED * self.mean_square:
                    raise np.linalg.LinAlgError("no residual variance is left: as many effects as readings")
                if e.criterion < best[0]:
                    best[:] = [e.criterion, e, [*moving, *upper], m]
                return e, [*moving, *upper]

            return in_roots_or_inf(evaluated, range(outside), x.size)

        found = minimise(
            outer, join_roots(start[:outside]), tolerance, secants=secants, enough=enough, relative=relative
        )
        for _ in range(4):
            if best[1] is None:
                raise np.linalg.LinAlgError("no residual variance is left: as many effects as readings")
            e, roots = best[1], best[2]
            upper = roots[outside:]
            moved = leave_saddle(roots[:outside], e.gradients[:outside])
            if moved is None:
                break
            found = minimise(outer, join_roots(moved), tolerance, enough=enough, relative=relative)
        at = self.evaluate(best[2], priors, sigma2, messages=best[3])
        if found.unseen is not None:
            best[2] = [*split_roots(found.unseen, self.q), *best[2][outside:]]
        return TreeFit(self, best[2], at, priors, counted["passes"], found.converged, found.secants)

    def fit_upper(
        self,
        m: Messages,
        lower: list[np.ndarray],
        upper: list[np.ndarray],
        priors: Priors,
        tolerance: float,
        sigma2: float | None,
        relative: float,
    ) -> list[np.ndarray]:
        """The levels above, given what the lower ones say."""
        if not upper:
            return upper
        q = self.q

        def inner(x: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
            roots = [*lower, *split_roots(x, q)]
            levels = range(self.n_lower, self.levels)

            def evaluated() -> tuple[Evaluation, list[np.ndarray]]:
                return self.evaluate(roots, priors, sigma2, messages=m, nodes=False, lower=False), roots

            return in_roots_or_inf(evaluated, levels, x.size)

        found = minimise(inner, join_roots(upper), tolerance * 0.1, relative=relative)
        best = split_roots(found.x, q)
        for _ in range(2):
            e = self.evaluate([*lower, *best], priors, sigma2, messages=m, nodes=False, lower=False)
            moved = leave_saddle(best, e.gradients[self.n_lower :])
            if moved is None:
                break
            best = split_roots(minimise(inner, join_roots(moved), tolerance * 0.1, relative=relative).x, q)
        return best


class Tree(Trunk):
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
            steps = np.diff(index)
            if len(index) != sizes[level] or np.any(steps < 0) or np.any(steps > 1) or np.any(index[:1]):
                raise ValueError(f"parents of level {level} must be sorted, start at 0 and leave no gap")
        if n_lower is None:
            n_lower = 1
            while n_lower < len(sizes) and sizes[n_lower] > MANY_NODES:
                n_lower += 1
        mean_square = leaf.yy / max(leaf.n_obs, 1.0)
        super().__init__(leaf.q, len(sizes), n_lower, self.parents[n_lower:], sizes[0], mean_square)
        self.sizes = sizes
        self.n_groups = sizes[n_lower] if n_lower < len(sizes) else 1
        self.blocks = cut_blocks(self.parents, n_lower, sizes[0], block)
        self.bases: dict[int, Basis] | None = {} if sizes[0] <= REMEMBERED else None

    def messages(self, roots: Sequence[np.ndarray], gradient: bool = True) -> Messages:
        """What the lower levels say to the groups; the part of the work that shards share."""
        return sweep(self.leaf, self.parents, self.blocks, roots[: self.n_lower], self.n_groups, gradient, self.bases)


@dataclass
class TreeFit:
    """An optimum: L per level (relative), the evaluation there, and what to know of it."""

    tree: Trunk
    roots: list[np.ndarray]
    at: Evaluation
    priors: Priors
    passes: int
    converged: bool
    secants: Secants = ()

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
            ok = (
                np.all(scale > 1e-5 * np.sqrt(self.at.sigma2))
                and np.linalg.eigvalsh(d / np.outer(scale, scale))[0] > 1e-6
            )
            out.append(not ok)
        return out


def join_roots(roots: Sequence[np.ndarray]) -> np.ndarray:
    """Lower triangles of L, level after level, as one vector. Diagonals are free in sign: D = L L' is the same."""
    return np.concatenate([r[sb.triangle(len(r))] for r in roots]) if len(roots) else np.zeros(0)


def split_roots(x: np.ndarray, q: int) -> list[np.ndarray]:
    size = q * (q + 1) // 2
    out = []
    for k in range(len(x) // size):
        r = np.zeros((q, q))
        r[sb.triangle(q)] = x[k * size : (k + 1) * size]
        out.append(r)
    return out


def in_roots_or_inf(
    evaluated: Callable[[], tuple[Evaluation, list[np.ndarray]]], levels: range, size: int
) -> tuple[float, np.ndarray, np.ndarray]:
    """As `in_roots`; where numbers give out (an absurd step), a criterion of infinity, from which the search turns
    back."""
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

    A residual variance that is profiled out moves along: it is swept out of the matrix. Where an optimum lies on the
    boundary, a diagonal entry of L is 0 and the criterion is a parabola in it: nothing special has to be done but to
    leave saddles (`leave_saddle`).
    """
    q = roots[0].shape[0]
    rows, cols = sb.triangle(q)
    size = len(rows)
    root, gradient, scaled = (np.stack([x[k] for k in levels]) for x in (roots, e.gradients, e.scaled))
    info = np.array([[e.infos[k][m] for m in levels] for k in levels])
    jacobian = np.zeros((len(levels), q, q, size))  # d D / d L
    jacobian[:, rows, :, range(size)] = root[:, :, cols].transpose(2, 0, 1)
    jacobian += jacobian.transpose(0, 2, 1, 3)
    hess = np.einsum("kabi,kmabcd,mcdj->kimj", jacobian, info, jacobian)
    each = range(len(levels))
    hess[each, :, each] += 2 * gradient[:, rows[:, None], rows] * (cols[:, None] == cols)
    grad, moved = (2 * (x @ root)[:, rows, cols].ravel() for x in (gradient, scaled))
    return e.criterion, grad, hess.reshape(grad.size, grad.size) - np.outer(moved, moved) / e.dof


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


__all__ = [
    "LevelPrior",
    "Nodes",
    "Priors",
    "Tree",
    "TreeFit",
    "Trunk",
    "evaluate_upper",
]
