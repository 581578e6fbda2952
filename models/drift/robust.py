"""What the fit leaves over of each reading, and how little a far-off one may count."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import ndtr

from models.drift.cycle_sums import Forest
from models.drift.fitted import SeriesFit
from models.drift.states import State, reading_lines, settle_levels

KNEE = 3.0  # standard deviations up to which a reading counts in full
FAR_OUT = 12.0  # and beyond which a normal has none


@dataclass
class Residuals:
    """Per reading: residual on the fit's scale, leverage (share of it that its cycle's posterior follows, 0 to 1)."""

    residual: np.ndarray
    leverage: np.ndarray

    def studentised(self, sigma: float) -> np.ndarray:
        return self.residual / (sigma * np.sqrt(1 - np.minimum(self.leverage, 0.98)))


def residuals(fit: SeriesFit, forest: Forest, state: State) -> Residuals:
    readings, lines = fit.readings, reading_lines(fit, forest)
    tau = lines.tau
    mean, cov = (x.take(lines.leaf, axis=1) for x in settle_levels(fit, forest, state, state.nodes[0]))
    residual = lines.z - mean[0] - mean[1] * tau
    variance = (cov[2] * tau + 2 * cov[1]) * tau + cov[0]
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
