"""The levels above: few nodes, all at once, from the groups' messages to the root and back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.linalg.lapack import dpotrf as potrf
from scipy.linalg.lapack import dpotrs as potrs

from models.mixed import smallblocks as sb
from models.mixed.lower_levels import Messages, segment_starts


@dataclass(frozen=True)
class LevelPrior:
    """Weak prior on one level's covariance: `members` pseudo-nodes with covariance `psi` (q, q), absolute. 0 members:
    none."""

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
    scaled: list[np.ndarray] = field(default_factory=list)  # how these move with log sigma2
    dof: float = np.inf  # of a residual variance that was profiled out
    group_u: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))  # (p + 1, g)
    group_cov: np.ndarray = field(default_factory=lambda: np.zeros((0, 0, 0)))  # (g, q, p + 1): first rows, relative
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


@dataclass(frozen=True)
class Above:
    """An evaluation of a whole fleet and the numbers of the appliance models and designs in it (in the order of its
    nodes), for a part of the fleet to look up its own."""

    at: Evaluation
    models: np.ndarray
    designs: np.ndarray

    def of(self, models: np.ndarray, designs: np.ndarray) -> Evaluation:
        """The evaluation with these models and designs only, in this order; all must be known."""
        m, d = places(self.models, models), places(self.designs, designs)
        few = [Nodes(n.mean[:, k], n.cov[:, k], n.resolved[k]) for n, k in zip(self.at.nodes, (m, d), strict=True)]
        return replace(
            self.at, group_u=self.at.group_u[:, m], group_cov=self.at.group_cov[m], nodes=few, links=[], infos=[]
        )

    def part(self, models: np.ndarray, designs: np.ndarray) -> Above:
        return Above(self.of(models, designs), models, designs)


def places(known: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Position of each wanted number among the known ones."""
    order = np.argsort(known, kind="stable")
    return order[np.searchsorted(known, wanted, sorter=order)]


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


def evaluate_upper(
    m: Messages,
    parents: Sequence[np.ndarray],
    n_lower: int,
    roots: Sequence[np.ndarray],
    priors: Priors,
    sigma2: float | None,
    gradient: bool,
    nodes: bool = True,
    lower: bool = True,
) -> Evaluation:
    """From the groups' messages to the root and back: criterion, fixed effects, gradients of all levels.

    nodes: also the posteriors of the upper nodes. lower: also what the lower levels' gradients or posteriors need.
    """
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
    factor, failed = potrf(precision, lower=1, clean=0)  # linalg.cho_factor without its checks
    if failed:
        raise np.linalg.LinAlgError("the information of the fixed effects is not positive definite")
    beta, beta_cov = potrs(factor, xy, lower=1)[0], potrs(factor, np.eye(p), lower=1)[0]
    rss = max(yy - float(xy @ beta), 1e-300)
    log_xx = 2 * float(np.log(factor.diagonal()).sum())
    dof = m.n_obs - (p if priors.beta_precision is None else 0)
    shrink_dof, shrink_rss, prior_logdet = priors.sigma_members, priors.sigma_members * priors.sigma2, 0.0
    relative = [root @ root.T for root in roots]
    inverses: dict[int, np.ndarray] = {}
    if with_prior := [level for level, prior in enumerate(priors.levels) if prior is not None and prior.members > 0]:
        d, one = np.stack([relative[level] for level in with_prior]), np.eye(q)
        inverse = np.linalg.inv(d + 1e-12 * np.trace(d, axis1=1, axis2=2)[:, None, None] * one + 1e-300 * one)
        logdets = np.linalg.slogdet(d + 1e-300 * one)[1].tolist()
        for k, level in enumerate(with_prior):
            prior = priors.levels[level]
            assert prior is not None
            inverses[level] = inverse[k]
            shrink_dof += prior.members * q
            shrink_rss += prior.members * float(np.sum(prior.psi * inverse[k]))
            prior_logdet += prior.members * logdets[k]
    profiled = sigma2 is None
    if sigma2 is None:
        if dof + shrink_dof <= 0:
            raise np.linalg.LinAlgError("no residual variance is left: as many effects as readings")
        sigma2 = (rss + shrink_rss) / (dof + shrink_dof)
    criterion = (
        dof * np.log(2 * np.pi)
        + (dof + shrink_dof) * np.log(sigma2)
        + (rss + shrink_rss) / sigma2
        + logdet
        + prior_logdet
        + log_xx
    )
    e = Evaluation(float(criterion), float(sigma2), beta, beta_cov, rss, logdet, m.n_obs)
    e.dof = dof + shrink_dof if profiled else np.inf
    if not (gradient or nodes or lower):
        return e
    u_root = np.r_[-beta, 1.0]
    cov_root = np.zeros((p + 1, p + 1))
    cov_root[:p, :p] = beta_cov
    outer_root = cov_root + np.outer(u_root, u_root) / sigma2
    e.gradients, e.scaled = ([np.zeros((q, q)) for _ in range(n_levels)] for _ in range(2))
    e.infos = [[np.zeros((q, q, q, q)) for _ in range(n_levels)] for _ in range(n_levels)]
    total = np.zeros((q, p + 1, 1))
    for i in range(q):
        total[i, i] = -1.0
    cond = np.zeros((q * (q + 1) // 2, 1))
    e.nodes = [Nodes(np.zeros((q, 0)), np.zeros((0, 0)), np.zeros(0)) for _ in range(n_levels - n_lower)]
    e.links = [Link(total, total, cond, cond, np.zeros(0, dtype=int)) for _ in range(n_levels - n_lower)]
    for level in range(n_levels - 1, n_lower - 1, -1):
        ws, wb, u, index = kept[level - n_lower]
        d = relative[level]
        t_par, c_par = total[:, :, index], cond[:, index]
        shift = t_par.copy()
        for i in range(q):
            shift[i, i] += 1.0
        score = wb - sb.symmetric_times(ws, shift)
        h = ws - sb.congruence(ws, c_par, q)
        if gradient:
            flat = score.reshape(q, p + 1, -1)
            spread = np.einsum("icn,cd->idn", flat, outer_root)
            e.scaled[level] = np.einsum("idn,jdn->ij", spread, flat)
            e.gradients[level] = h.sum(axis=1)[at] - e.scaled[level]
            full = h[at].reshape(q * q, -1)
            e.infos[level][level] = (full @ full.T).reshape(q, q, q, q).transpose(0, 2, 1, 3)
        if level == n_lower and not (nodes or lower):
            break
        keep = np.eye(q)[:, :, None] - np.einsum("ik,kjn->ijn", d, ws[at])
        total = t_par + sb.constant_times(d, score)
        own = sb.gram(u)
        cond = own + sb.sandwich(keep, c_par)
        if nodes:
            spread = np.einsum("icn,cd->idn", total, cov_root)
            cov = cond + np.stack([np.einsum("dn,dn->n", spread[i], total[j]) for i in range(q) for j in range(i + 1)])
            mean = np.einsum("icn,c->in", total, u_root)
            resolved = 1 - own[-1] / d[-1, -1] if d[-1, -1] > 0 else np.zeros(own.shape[1])
            e.nodes[level - n_lower] = Nodes(mean, cov, resolved)
            e.links[level - n_lower] = Link(total, keep, own, cond, index)
    if lower:
        reach_groups(e, m, total, cond, u_root, cov_root, gradient)
    if gradient:
        for level, inverse in inverses.items():
            prior = priors.levels[level]
            assert prior is not None
            held = prior.members * (inverse @ prior.psi @ inverse) / sigma2
            e.scaled[level] = e.scaled[level] + held
            e.gradients[level] = e.gradients[level] + prior.members * inverse - held
            e.infos[level][level] = e.infos[level][level] + prior.members * np.einsum("ac,bd->abcd", inverse, inverse)
    return e


def reach_groups(
    e: Evaluation,
    m: Messages,
    total: np.ndarray,
    cond: np.ndarray,
    u_root: np.ndarray,
    cov_root: np.ndarray,
    gradient: bool,
) -> None:
    """Each group's u and its covariance, and with them the gradients of the lower levels, put into `e`."""
    q = m.b.shape[0]
    at = sb.slots(q)
    n_groups = m.s.shape[1]
    if total.shape[2] != n_groups:
        total, cond = np.repeat(total, n_groups, axis=2), np.repeat(cond, n_groups, axis=1)
    maps = -np.moveaxis(total, 2, 0)
    e.group_u = np.repeat(u_root[:, None], n_groups, axis=1)
    e.group_u[:q] = (maps @ u_root).T
    e.group_cov = maps @ cov_root
    e.group_cov[:, :, :q] = e.group_cov @ maps.transpose(0, 2, 1) + sb.unpack(cond, q)
    if gradient:
        moment = e.group_cov + e.group_u[:q].T[:, :, None] * e.group_u.T[:, None, :] / e.sigma2
        by_kind = np.zeros((*moment.shape, 2))  # among the intercepts, and with the others
        by_kind[:, :, :q, 0], by_kind[:, :, q:, 1] = moment[:, :, :q], moment[:, :, q:]
        beyond = (cov_root + np.outer(u_root, u_root) / e.sigma2)[q:, q:]
        for level in range(len(m.h)):
            among, mixed = (m.own[level].reshape(q * q, -1) @ by_kind.reshape(-1, 2)).T.reshape(2, q, q)
            common = m.common[level].reshape(len(cond), -1) @ beyond.ravel()
            e.scaled[level] = among + mixed + mixed.T + common[at]
            e.gradients[level] = m.h[level] - e.scaled[level]
            for other in range(len(m.h)):
                e.infos[level][other] = m.info[level][other]
