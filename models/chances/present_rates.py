"""How fast each indicator drifts now: rates in the indicator's own unit, from the posterior of the open cycle."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from models.arrays import Floats
from models.chances.forecast import TINY_VARIANCE, Outlook
from models.tails import Z80


def drift_rates(o: Outlook, transform: str) -> tuple[Floats, Floats, Floats]:
    """Drift at the present level, in the indicator's unit per 1,000 burner hours, with an 80 % interval; each (n,).

    Where a visit left open whether the cycle goes on, mean and variance are those of both ways together.
    """
    rates = _of_one_cycle(o, transform)
    if o.restarted is None:
        return rates
    at = np.flatnonzero(o.doubt > 0)
    q, (mean, low, high) = o.doubt[at], (r[at] for r in rates)
    mean2, low2, high2 = _of_one_cycle(o.restarted, transform)
    middle = (1 - q) * mean + q * mean2
    apart = 2 * Z80 * np.sqrt(q * (1 - q)) * np.abs(mean2 - mean)
    half = np.sqrt((1 - q) * (high - low) ** 2 + q * (high2 - low2) ** 2 + apart**2) / 2
    for rate, of_both in zip(rates, (middle, middle - half, middle + half), strict=True):
        rate[at] = of_both
    return rates


def _of_one_cycle(o: Outlook, transform: str) -> tuple[Floats, Floats, Floats]:
    """The rates as if nothing were in doubt.

    The present value and the rate are jointly normal on the scale of the fit. On the log scale their product's first
    three moments are exact and its quantiles follow by Cornish and Fisher's expansion, or where it is too skew for that
    by Gauss-Hermite quadrature over the level. With gamma other than 1 the rate is that at the present hours (100 h at
    least: a power below 1 begins infinitely steep).
    """
    hours = np.maximum(o.hours_open / 1000.0, 0.1)
    pace = np.where(o.gamma == 1.0, 1.0, o.gamma * hours ** (o.gamma - 1.0))
    var = np.maximum(o.v11, 0.0) + (o.m1 * o.rel_sd * o.own) ** 2
    if transform == "identity":
        half = Z80 * np.sqrt(var)
        return pace * o.m1, pace * (o.m1 - half), pace * (o.m1 + half)
    tau = o.tau(np.zeros(len(o)))
    var_z = np.maximum(o.v00 + 2 * o.v01 * tau + o.v11 * tau**2, 0.0)
    cov = o.v01 + o.v11 * tau
    # E[e^(k (z - its mean)) r^k]: the exponential's tilt shifts r by k cov.
    moment = [np.exp(k * k * np.minimum(var_z, 0.25) / 2) for k in (1, 2, 3)]
    r = [o.m1 + k * cov for k in (1, 2, 3)]
    first = moment[0] * r[0]
    second = moment[1] * (r[1] ** 2 + var)
    third = moment[2] * (r[2] ** 3 + 3 * r[2] * var)
    variance = np.maximum(second - first**2, TINY_VARIANCE)
    sd = np.sqrt(variance)
    skew = (third - 3 * first * second + 2 * first**3) / (variance * sd)
    low, high = (first + sd * (z + (Z80**2 - 1) * skew / 6) for z in (-Z80, Z80))
    hard = np.flatnonzero((np.abs(skew) > 0.3) | (var_z > 0.25))
    for bound, chance in ((low, 0.1), (high, 0.9)):
        start = np.clip(bound, first - 2 * sd, first + 2 * sd)[hard]
        bound[hard] = _product_quantile(start, o.m1[hard], var[hard], var_z[hard], cov[hard], chance)
    scale = np.exp(o.m0 + o.m1 * tau) * pace
    return scale * o.m1, scale * np.minimum(low, o.m1), scale * np.maximum(high, o.m1)


def _product_quantile(start: Floats, mean: Floats, var: Floats, var_z: Floats, cov: Floats, chance: float) -> Floats:
    """Quantile of e^z r, z ~ N(0, var_z) and r ~ N(mean, var) with covariance cov, by Newton and quadrature; (n,)."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    keep = np.abs(nodes) < 4.0
    nodes, weights = nodes[keep], weights[keep] / weights[keep].sum()
    s = np.sqrt(np.maximum(var_z, TINY_VARIANCE))
    tilt = cov / s
    # Nearly perfect correlation would make steps of the quadrature: the rest is kept at a few percent of the spread.
    rest = np.sqrt(np.maximum(var - tilt**2, 2e-3 * var + TINY_VARIANCE))[:, None]
    middle = mean[:, None] + tilt[:, None] * nodes
    shrink = np.exp(-s[:, None] * nodes)
    most = np.sqrt(var) * np.exp(s)
    x = start
    for _ in range(4):
        u = (x[:, None] * shrink - middle) / rest
        off = ndtr(u) @ weights - chance
        slope = (np.exp(-0.5 * u * u) * shrink / rest) @ weights / np.sqrt(2 * np.pi)
        x = x - np.clip(off / np.maximum(slope, 1e-9), -most, most)
    return x
