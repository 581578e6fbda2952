"""How chances fared against what then happened."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.arrays import Floats

LEAST_CHANCE = 1e-4  # chances are held this far from 0 and 1 before a logarithm is taken
FEWEST_EVENTS = 5  # of either kind, below which discrimination and calibration are not told
BIN_EDGES = (0.0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 1.0)


@dataclass(frozen=True)
class Score:
    """brier: mean squared error of the chances; log_score: mean -log of the chance given to what happened (smaller is
    better in both). auc: chance that an event had the higher forecast. calibration_intercept, calibration_slope: of a
    logistic regression of the event on the forecast's log odds (0 and 1 are calibrated). None where too little to tell.
    """

    n: int
    events: int
    brier: float
    log_score: float
    auc: float | None
    calibration_intercept: float | None
    calibration_slope: float | None


def score(chance: Floats, event: NDArray[np.bool_]) -> Score:
    """Scores of chances (n,), 0 to 1, against events (n,)."""
    chance, y = np.asarray(chance, float), np.asarray(event, float)
    p = np.clip(chance, LEAST_CHANCE, 1 - LEAST_CHANCE)
    n, events = len(y), int(y.sum())
    told = min(events, n - events) >= FEWEST_EVENTS
    auc = intercept = slope = None
    if told:
        _, place, ties = np.unique(chance, return_inverse=True, return_counts=True)
        ranks = (np.cumsum(ties) - (ties - 1) / 2)[place]
        auc = float((ranks[y > 0].sum() - events * (events + 1) / 2) / (events * (n - events)))
        fitted = calibration(p, y)
        intercept, slope = fitted if fitted is not None else (None, None)
    log_score = float(-(y * np.log(p) + (1 - y) * np.log1p(-p)).mean())
    return Score(n, events, float(((chance - y) ** 2).mean()), log_score, auc, intercept, slope)


def calibration(chance: Floats, event: Floats) -> tuple[float, float] | None:
    """Intercept and slope of logit P(event) on logit chance (Cox 1958), by Newton; None where there is no such fit."""
    x = np.log(chance / (1 - chance))
    if np.ptp(x) < 1e-9:
        return None
    design = np.column_stack([np.ones_like(x), x])
    beta = np.array([0.0, 1.0])
    for _ in range(50):
        fit = 1 / (1 + np.exp(-np.clip(design @ beta, -30, 30)))
        hessian = design.T @ (design * (fit * (1 - fit))[:, None])
        try:
            step = np.linalg.solve(hessian + 1e-9 * np.eye(2), design.T @ (event - fit))
        except np.linalg.LinAlgError:
            return None
        beta = beta + np.clip(step, -2, 2)
        if np.abs(step).max() < 1e-8:
            return float(beta[0]), float(beta[1])
    return None


def bins(chance: Floats, event: NDArray[np.bool_]) -> list[dict[str, float]]:
    """Per bin of the chance: p_mid (mean chance), observed share, its 95 % Wilson interval, n; empty left out."""
    place = np.clip(np.searchsorted(BIN_EDGES, chance, side="right") - 1, 0, len(BIN_EDGES) - 2)
    out = []
    for k in range(len(BIN_EDGES) - 1):
        inside = place == k
        n = int(inside.sum())
        if n:
            share = float(event[inside].mean())
            low, high = wilson(share, n)
            out.append({"p_mid": float(chance[inside].mean()), "observed": share, "low": low, "high": high, "n": n})
    return out


def wilson(share: float, n: int, z: float = 1.959964) -> tuple[float, float]:
    """Interval of a proportion (Wilson 1927)."""
    centre = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return float(max(centre - half, 0.0)), float(min(centre + half, 1.0))
