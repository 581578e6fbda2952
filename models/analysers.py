"""Each analyser's bias, estimated together with the drift of all that it read, shrunk towards none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.sparse.linalg import LinearOperator, cg

# Stated accuracy of service-grade flue gas analysers, common practice, no source: O2 0.3 % by volume, CO 10 % of the
# reading, temperatures 2 K. An indicator that no analyser reads has no entry.
STATED = {"o2_pct": 0.3, "co_air_free_ppm": 0.10, "flue_over_return_k": 2.0}
BASE = 0.08  # most analysers read within this part of their stated accuracy: own judgement, no source
TAILS = 1.0  # degrees of freedom of the prior: a few are far off, and are not drawn back for it
FEW = 40  # up to so many analysers the whole joint covariance is computed
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

    def wants_calibration(self, stated: float) -> np.ndarray:
        """Analysers that read away from their peers by more than chance (99 %) and more than their stated accuracy."""
        return (np.abs(self.bias) > Z99 * self.sd) & (np.abs(self.bias) > stated)


class Projection(Protocol):
    """P of a mixed model over the readings: P x, and X P X' for a few rows X at once."""

    def __call__(self, x: np.ndarray) -> np.ndarray: ...

    def gram(self, vectors: np.ndarray) -> np.ndarray: ...


def analyser_bias(
    project: Projection, z: np.ndarray, analyser: np.ndarray, scale: np.ndarray, stated: float
) -> AnalyserBias | None:
    """Biases b of z = drift + C b + noise, C the scale of each reading's own analyser, b with a heavy-tailed prior.

    project: readings' vector to P times it, P the projection of the mixed model with everything but the analysers in
    it, so that what an install's own level may explain is not taken for a bias, and the other way round: (C'PC + T) b
    = C'P z. The prior is a scaled t with `TAILS` degrees of freedom (as a normal of its own scale per analyser, a few
    rounds). None where fewer than two analysers are named.
    """
    named = analyser >= 0
    if not named.any():
        return None
    number, index = np.unique(analyser[named], return_inverse=True)
    count = len(number)
    if count < 2:
        return None
    rows = np.flatnonzero(named)
    c = scale[rows]
    tests = np.bincount(index)

    base2 = (BASE * stated) ** 2
    tau2 = np.full(count, (0.5 * stated) ** 2)
    if count <= FEW:
        vectors = np.zeros((count + 1, len(z)))
        vectors[index, rows] = c
        vectors[count] = z
        matrix = project.gram(vectors)
        matrix, target = matrix[:count, :count], matrix[:count, count]
        # what all analysers share is no bias of any: projected out like the fixed effects
        common = matrix.sum(axis=1)
        share = float(common.sum())
        if share > 1e-9 * len(rows):
            target = target - common * (target.sum() / share)
            matrix = matrix - np.outer(common, common) / share
        for _ in range(8):
            cov = np.linalg.inv(matrix + np.diag(1 / tau2))
            bias = cov @ target
            tau2 = (bias**2 + np.diag(cov) + TAILS * base2) / (TAILS + 1)
        return AnalyserBias(number, bias, np.sqrt(np.diag(cov)), tests)

    def spread(b: np.ndarray) -> np.ndarray:
        out = np.zeros(len(z))
        out[rows] = c * b[index]
        return out

    def gather(x: np.ndarray) -> np.ndarray:
        return np.bincount(index, c * x[rows], count)

    common = gather(project(spread(np.ones(count))))
    share = float(common.sum())
    whole = common / share if share > 1e-9 * len(rows) else np.zeros(count)

    def of_peers(x: np.ndarray) -> np.ndarray:
        return x - whole * float(x.sum())

    def apply(b: np.ndarray) -> np.ndarray:
        return of_peers(gather(project(spread(b - float(whole @ b)))))

    target = of_peers(gather(project(z)))
    # the information of each analyser on its own, from one random probe (Hutchinson 1990)
    signs = np.where(np.random.default_rng(0).random((2, count)) < 0.5, -1.0, 1.0)
    information = np.mean([s * apply(s) for s in signs], axis=0)
    information = np.maximum(information, 0.05 * np.median(np.abs(information)) + 1e-12)
    bias = np.zeros(count)
    for _ in range(3):
        system = LinearOperator((count, count), matvec=lambda b, t=tau2: apply(b) + b / t)
        first = LinearOperator((count, count), matvec=lambda b, t=tau2: b / (information + 1 / t))
        bias, _ = cg(system, target, x0=bias, rtol=1e-4, maxiter=25, M=first)
        variance = 1 / (information + 1 / tau2)
        tau2 = (bias**2 + variance + TAILS * base2) / (TAILS + 1)
    return AnalyserBias(number, bias, np.sqrt(variance), tests)
