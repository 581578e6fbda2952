"""Each analyser's bias, estimated together with the drift of all that it read, shrunk towards none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Protocol

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import LinearOperator, cg
from scipy.special import logsumexp, softmax

# Stated accuracy of service-grade flue gas analysers, common practice, no source: O2 0.3 % by volume, CO 10 % of the
# reading, temperatures 2 K. An indicator that no analyser reads has no entry.
STATED = {"o2_pct": 0.3, "co_air_free_ppm": 0.10, "flue_over_return_k": 2.0}
# How far sound analysers are apart is learnt from the fleet: spreads in parts of the stated accuracy, expected around a
# fifth of it by a lognormal; and whether a few are far off beyond that (a Cauchy), or none (as good as a normal). Own
# judgement, no source.
SPREADS = np.geomspace(0.02, 1.0, 9)
EXPECTED, LOG_SD = 0.2, 0.8
TAILS = (1.0, 30.0)  # degrees of freedom of a Student t, as likely one as the other
WORST = 2.0  # of the stated accuracy: what is expected of an analyser of which nothing can be told, at most
FEW = 400  # up to so many analysers the whole joint covariance is computed, beyond only its diagonal, roughly
ROUNDS = 12
DAMPED = 0.7  # of each step: whole ones may swing
LEARNT_FROM = 2_000  # analysers, spread evenly, tell enough of the laws
UNLIKELY = 30.0  # a law that is e^30 times less likely than the likeliest is left out
AT_ONCE = 4_096  # analysers whose moments are taken together
Z99 = 2.5758


@dataclass(frozen=True)
class AnalyserBias:
    """Bias per analyser in its own unit (K for temperatures, part of the reading on a log scale, else the indicator's
    unit).

    number: analyser numbers, sorted. bias, sd, tests: per analyser. scale: per reading, what one unit of bias does on
    the fit's scale.
    """

    number: np.ndarray
    bias: np.ndarray
    sd: np.ndarray
    tests: np.ndarray

    def of(self, analyser: np.ndarray, scale: np.ndarray) -> np.ndarray:
        """What the bias adds to each reading on the fit's scale; 0 where no analyser is named or it is not known."""
        if len(self.number) == 0:
            return np.zeros(len(analyser))
        table = np.zeros(int(self.number[-1]) + 2)  # its last place, also -1, for those not known
        table[self.number] = self.bias
        return table[np.where(analyser < len(table), analyser, -1)] * scale

    def extended(self, number: np.ndarray) -> AnalyserBias:
        """With these analysers too; of those not yet known no bias is assumed."""
        every = np.union1d(self.number, number)
        at = np.searchsorted(every, self.number)
        bias, sd, tests = (np.zeros(len(every), dtype=a.dtype) for a in (self.bias, self.sd, self.tests))
        bias[at], sd[at], tests[at] = self.bias, self.sd, self.tests
        return AnalyserBias(every, bias, sd, tests)

    def wants_calibration(self, stated: float) -> np.ndarray:
        """Analysers that read away from their peers by more than chance (99 %) and more than their stated accuracy."""
        return (np.abs(self.bias) > Z99 * self.sd) & (np.abs(self.bias) > stated)


class Projection(Protocol):
    """P of a mixed model over the readings: X'P X for the columns of X (readings, k)."""

    def gram(self, vectors: sparse.csr_array) -> np.ndarray: ...

    def product(self, vectors: sparse.csr_array) -> Product: ...


class Product(Protocol):
    """X'P X, as products with vectors (k,) and its diagonal."""

    def times(self, x: np.ndarray) -> np.ndarray: ...

    @property
    def diagonal(self) -> np.ndarray: ...


def analyser_bias(
    project: Projection,
    z: np.ndarray,
    analyser: np.ndarray,
    scale: np.ndarray,
    stated: float,
    bent: np.ndarray | None = None,
) -> AnalyserBias | None:
    """Biases b of z = drift + C b + noise, C the scale of each reading's own analyser, b with the prior of `shrunk`.

    project: the projection of the mixed model with everything but the analysers in it, so that what an install's own
    level may explain is not taken for a bias, and the other way round: (C'PC + T) b = C'P z. bent: per reading, what
    is missing in the score (see `fitted.SeriesFit.bent`). None where fewer than two analysers are named.
    """
    number, vectors = per_analyser(z, analyser, scale)
    if len(number) < 2:
        return None
    index = np.searchsorted(number, analyser[analyser >= 0])
    more = np.zeros(len(number)) if bent is None else np.bincount(index, bent[analyser >= 0], len(number))
    if len(number) > FEW:
        return solved_by_steps(number, project.product(vectors), more, np.bincount(index), stated)
    gram = project.gram(vectors)
    gram[: len(number), len(number)] += more
    return solved(number, gram, np.bincount(index), stated)


def per_analyser(
    z: np.ndarray, analyser: np.ndarray, scale: np.ndarray, number: np.ndarray | None = None
) -> tuple[np.ndarray, sparse.csr_array]:
    """Numbers of the analysers, and [C z] as columns over the readings; number: those to have columns, if not all."""
    named = np.flatnonzero(analyser >= 0)
    if number is None:
        number = np.unique(analyser[named])
    index = np.searchsorted(number, analyser[named])
    every = np.arange(len(z))
    columns = np.r_[index, np.full(len(z), len(number))]
    values = np.r_[scale[named], z]
    return number, sparse.csr_array((values, (np.r_[named, every], columns)), shape=(len(z), len(number) + 1))


def solved(number: np.ndarray, gram: np.ndarray, tests: np.ndarray, stated: float) -> AnalyserBias:
    """Biases from [C z]'P [C z], the prior as in `shrunk`."""
    count = len(number)
    matrix, target = gram[:count, :count], gram[:count, count]
    # what all analysers share is no bias of any: projected out like the fixed effects
    common = matrix.sum(axis=1)
    share = float(common.sum())
    if share > 1e-9 * float(tests.sum()):
        target = target - common * (target.sum() / share)
        matrix = matrix - np.outer(common, common) / share

    def all_at_once(precision: np.ndarray, pull: np.ndarray, _: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        cov = np.linalg.inv(matrix + np.diag(precision))
        return cov @ (target + pull), np.diag(cov)

    return shrunk(number, tests, all_at_once, stated)


def solved_by_steps(
    number: np.ndarray, product: Product, more: np.ndarray, tests: np.ndarray, stated: float
) -> AnalyserBias:
    """`solved` for many analysers, by conjugate gradients; of the covariance the diagonal, roughly. more: per analyser,
    what is missing in the score."""
    count = len(number)
    times = lambda b: product.times(np.append(b, 0.0))[:count]
    target = product.times(np.append(np.zeros(count), 1.0))[:count] + more
    common = times(np.ones(count))
    share, information = float(common.sum()), product.diagonal[:count]
    if share > 1e-9 * float(tests.sum()):
        target = target - common * (target.sum() / share)
        information = information - common**2 / share
        shared = common / np.sqrt(share)
    else:
        shared = np.zeros(count)

    def by_steps(precision: np.ndarray, pull: np.ndarray, bias: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        system = LinearOperator((count, count), matvec=lambda b: times(b) - shared * (shared @ b) + precision * b)
        first = LinearOperator((count, count), matvec=lambda b: b / (information + precision))
        bias, _ = cg(system, target + pull, x0=bias, rtol=1e-6, maxiter=50, M=first)
        return bias, 1 / (information + precision)

    return shrunk(number, tests, by_steps, stated)


def shrunk(
    number: np.ndarray,
    tests: np.ndarray,
    posterior: Callable[[np.ndarray, np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]],
    stated: float,
) -> AnalyserBias:
    """Biases and their standard deviations under a prior whose spread and tails are learnt with them.

    Expectation propagation (Minka 2001, Proc. 17th UAI): for the prior of each analyser stands a normal, matched to
    mean and variance of its bias given the readings and all other analysers, round by round. Each law of the prior has
    a chance, to which every analyser adds what it says. posterior: biases and their variances under normal priors of
    the given precision and precision times mean, from both and the biases of the round before.
    """
    prior = -0.5 * (np.log(np.tile(SPREADS, len(TAILS)) / EXPECTED) / LOG_SD) ** 2
    precision, pull = np.full(len(number), 1 / (0.5 * stated) ** 2), np.zeros(len(number))
    heard = np.zeros(len(number), dtype=bool)
    heard[:: max(1, -(-len(number) // LEARNT_FROM))] = True
    least = 1 / (WORST * stated) ** 2
    bias, found = np.zeros(len(number)), 1 / precision
    for _ in range(ROUNDS):
        bias, found = posterior(precision, pull, bias)
        seen = np.maximum(1 / found - precision, 1e-9 / stated**2)  # without its own prior
        mean = (bias / found - pull) / seen
        of_law = prior + logsumexp(fits(mean[heard], seen[heard], *laws(stated)), axis=1).sum(axis=1)
        likely = of_law > of_law.max() - UNLIKELY
        kinds = [x[likely] for x in laws(stated)]
        first, variance = np.empty(len(number)), np.empty(len(number))
        for start in range(0, len(number), AT_ONCE):
            here = slice(start, start + AT_ONCE)
            first[here], variance[here] = moments(mean[here], seen[here], heard[here], of_law[likely], *kinds)
        matched = np.maximum(1 / variance - seen, least)
        precision, pull = (
            (1 - DAMPED) * precision + DAMPED * matched,
            (1 - DAMPED) * pull + DAMPED * ((seen + matched) * first - seen * mean),
        )
    return AnalyserBias(number, bias, np.sqrt(found), tests)


def fits(mean: np.ndarray, seen: np.ndarray, weight: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """How well each part of each law foretells what the readings say of each analyser, as a logarithm: (laws, parts,
    analysers). mean, seen: of its bias by the readings, and their precision."""
    total = variance[:, :, None] + 1 / seen
    return np.log(weight)[:, :, None] - 0.5 * (np.log(total) + mean**2 / total)


def moments(
    mean: np.ndarray, seen: np.ndarray, heard: np.ndarray, of_law: np.ndarray, weight: np.ndarray, variance: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of each bias by its readings, and by what all other analysers say of the laws. heard: of whom
    `of_law` already knows."""
    fit = fits(mean, seen, weight, variance)
    own = logsumexp(fit, axis=1)
    part = softmax((of_law[:, None] - heard * own)[:, None] + fit, axis=(0, 1))
    kept = variance[:, :, None] / (variance[:, :, None] + 1 / seen)
    middle = (part * kept).sum(axis=(0, 1)) * mean
    return middle, (part * (kept / seen + (kept * mean - middle) ** 2)).sum(axis=(0, 1))


@cache
def laws(stated: float) -> tuple[np.ndarray, np.ndarray]:
    """Every prior of a bias as normals around 0 that together make it, nearly: weights and variances (laws, parts).

    A Student t is a normal whose variance is df over a chi-squared: here by even steps of its logarithm.
    """
    step = np.geomspace(0.05, 1e4, 24)
    weight = np.stack([step ** (-df / 2) * np.exp(-df / (2 * step)) for df in TAILS])
    weight = np.repeat(weight / weight.sum(axis=1, keepdims=True), len(SPREADS), axis=0)
    return weight, np.tile((SPREADS * stated) ** 2, len(TAILS))[:, None] * step


def improved(known: AnalyserBias, sums: np.ndarray, stated: float) -> AnalyserBias:
    """Biases a Newton step on, each analyser on its own, from the sums of `projection.analyser_sums` over a fleet:
    what the others read wrong is off their readings as far as `known` has it. Same prior as `solved`."""
    score, information, tests = sums
    target = score + information * known.bias

    def one_by_one(precision: np.ndarray, pull: np.ndarray, _: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        variance = 1 / (np.maximum(information, 0.0) + precision)
        return variance * (target + pull), variance

    return shrunk(known.number, tests.astype(int), one_by_one, stated)
