"""What the fit leaves over of each reading, and how little a far-off one may count."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import ndtr

from models.cycle_sums import Forest, clock
from models.fitted import SeriesFit, State, settle_levels

KNEE = 3.0  # standard deviations up to which a reading counts in full
FAR_OUT = 12.0  # and beyond which a normal has none


@dataclass
class Residuals:
    """Per reading: residual on the fit's scale, leverage (share of it that its cycle's posterior follows, 0 to 1)."""

    residual: np.ndarray
    leverage: np.ndarray

    def studentised(self, sigma: float) -> np.ndarray:
        return self.residual / (sigma * np.sqrt(1 - np.minimum(self.leverage, 0.98)))


def reading_leaves(fit: SeriesFit, forest: Forest) -> tuple[np.ndarray, np.ndarray]:
    """Per reading: position of its cycle in the tree, and tau."""
    readings = fit.readings
    leaf_of_run = np.empty(len(readings.start), dtype=np.int64)
    at = forest.runs(readings)
    leaf_of_run[at[at >= 0]] = np.flatnonzero(at >= 0)
    counts = np.diff(np.r_[readings.start, len(readings.z)])
    gamma = fit.cycle_gammas(forest)
    if np.all(gamma == 1.0):
        return np.repeat(leaf_of_run, counts), clock(readings.hours, 1.0)
    return np.repeat(leaf_of_run, counts), clock(readings.hours, np.repeat(gamma[leaf_of_run], counts))


def residuals(fit: SeriesFit, forest: Forest, state: State) -> Residuals:
    readings = fit.readings
    leaf, tau = reading_leaves(fit, forest)
    mean, cov = settle_levels(fit, forest, state, state.nodes[0])
    z = readings.z - readings.centre - (0.0 if fit.offset is None else fit.offset)
    residual = z - mean[0][leaf] - mean[1][leaf] * tau
    variance = cov[0][leaf] + 2 * tau * cov[1][leaf] + tau**2 * cov[2][leaf]
    return Residuals(residual, np.clip(readings.weight * variance / fit.sigma**2, 0.0, 1.0))


def student_weights(t: np.ndarray, df: float) -> np.ndarray:
    """Weights of a Student-t likelihood (Lange, Little & Taylor 1989, J. Am. Stat. Assoc. 84), 1 up to the knee.

    Within the knee all readings count in full, so that a fleet without mistakes is fitted as if by least squares.
    """
    at_knee = df + KNEE**2
    return np.where(np.abs(t) <= KNEE, 1.0, at_knee / (df + t**2))


@cache
def lost_variance(df: float) -> float:
    """Expected weight times squared residual under a normal: what the weights take from sigma^2."""
    density = lambda t: np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi)
    inner = float(ndtr(KNEE)) - 0.5 - KNEE * float(density(KNEE))
    node, width = np.polynomial.legendre.leggauss(60)
    t = KNEE + (FAR_OUT - KNEE) / 2 * (node + 1)
    outer = (FAR_OUT - KNEE) / 2 * float(np.sum(width * student_weights(t, df) * t * t * density(t)))
    return 2 * (inner + outer)
