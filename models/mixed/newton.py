"""A quasi-Newton minimiser for few parameters and dear evaluations: scoring matrix plus the last secant corrections."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

Function = Callable[[np.ndarray], tuple[float, np.ndarray, np.ndarray]]
RELATIVE = 1e-3
Secants = Sequence[tuple[np.ndarray, np.ndarray]]  # steps, and how the gradient changed over each


@dataclass
class Minimum:
    x: np.ndarray
    value: float
    evaluations: int
    converged: bool
    secants: Secants = ()
    unseen: np.ndarray | None = None  # x a last step on, not looked at any more


def safe_inverse_step(hess: np.ndarray, grad: np.ndarray) -> np.ndarray:
    """-H^-1 g with H made positive definite: eigenvalues by magnitude, floored, on the scale of its own diagonal."""
    scale = np.sqrt(np.maximum(np.abs(np.diag(hess)), 1e-12 * max(np.abs(hess).max(), 1e-300)))
    value, vector = np.linalg.eigh(hess / np.outer(scale, scale))
    value = np.maximum(np.abs(value), 1e-4)
    return -(vector @ ((vector.T @ (grad / scale)) / value)) / scale


def with_secants(hess: np.ndarray, pairs: Secants) -> np.ndarray:
    """BFGS updates of the scoring matrix with the latest (step, change of gradient), damped after Powell."""
    value, vector = np.linalg.eigh(hess)
    b = (vector * np.maximum(np.abs(value), 1e-8 * max(np.abs(value).max(), 1e-300))) @ vector.T
    for s, y in pairs:
        bs = b @ s
        sbs = float(s @ bs)
        if sbs <= 0:
            continue
        sy = float(s @ y)
        if sy < 0.2 * sbs:
            theta = 0.8 * sbs / (sbs - sy)
            y = theta * y + (1 - theta) * bs
            sy = float(s @ y)
        b = b - np.outer(bs, bs) / sbs + np.outer(y, y) / sy
    return b


def minimise(
    function: Function,
    start: np.ndarray,
    tolerance: float = 1e-8,
    limit: int = 100,
    secants: Secants = (),
    enough: float = 0.0,
    relative: float = RELATIVE,
) -> Minimum:
    """Minimise; `function` gives value, gradient and an approximate Hessian. secants: known beforehand; those
    that contradict that Hessian are not believed. enough: a step is the last, and where it leads is not looked at, when
    the step after it would predict a smaller decrease than this, by what the steps before it made of theirs.

    Stops when the predicted decrease falls below tolerance times (1 + relative |value|), or nothing can be gained any
    more.
    """
    x = np.array(start, dtype=float)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        return _descend(function, x, tolerance, limit, secants, enough, relative)


def _descend(
    function: Function, x: np.ndarray, tolerance: float, limit: int, secants: Secants, enough: float, relative: float
) -> Minimum:
    f, g, h = function(x)
    evaluations, pairs = 1, [(s, y) for s, y in secants if 0.5 < (s @ y) / max(s @ h @ s, 1e-300) < 2.0]
    if x.size == 0:
        return Minimum(x, f, evaluations, True)
    before = 0.0  # predicted decrease of the step before
    while evaluations < limit:
        step = safe_inverse_step(with_secants(h, pairs), g)
        slope = float(g @ step)
        small = tolerance * (1 + relative * abs(f))
        if slope**2 < enough * before:
            return Minimum(x, f, evaluations, True, pairs, x + step)
        if -slope < small:
            return Minimum(x, f, evaluations, True, pairs)
        before = -slope
        size = float(np.max(np.abs(step) / (np.abs(x) + 0.1 * np.abs(x).max() + 1e-8)))
        t = min(1.0, 3.0 / size)
        while True:
            new = x + t * step
            f_new, g_new, h_new = function(new)
            evaluations += 1
            if np.isfinite(f_new) and f_new <= f + 1e-4 * t * slope:
                break
            if t * -slope < 0.1 * small or evaluations >= limit:
                return Minimum(x, f, evaluations, -slope < 1e3 * small, pairs)
            # the parabola through both values and the slope, kept within a factor of ten
            bend = f_new - f - t * slope if np.isfinite(f_new) else np.inf
            t *= float(np.clip(-t * slope / (2 * bend), 0.1, 0.5)) if np.isfinite(bend) and bend > 0 else 0.1
        pairs = [*pairs[-2:], (new - x, g_new - g)]
        x, f, g, h = new, f_new, g_new, h_new
    return Minimum(x, f, evaluations, False, pairs)
