"""What kinds of work restore by exchanger design: drawn together by as much as designs and materials are alike.

A design's share is that of its material and something of its own, a material's that of all and something of its own;
both spreads are common to the kinds of work of one indicator. How far designs or materials differ is itself learnt from
few of them, and often they do not differ at all: each spread has a chance to be none, and is else half-normal (Gelman
2006, Bayesian Anal. 1; a mass at none: Mitchell & Beauchamp 1988, J. Am. Stat. Assoc. 83). Answers are integrated
over both. So 80 % intervals hold some 90 % where nothing differs, and some 75 % where differences are half as large as
errors; a larger chance of none would narrow the former and cost the latter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.arrays import Floats

SPREAD = 0.1  # scale of what designs, or materials, differ by in a share, if they do: own judgement, no source
NONE = 0.2  # chance that they do not differ: own judgement, no source
STEPS = 28


@dataclass(frozen=True)
class Measured:
    """One kind of work: share restored of each design, the variance with which it is measured (above 0), and its
    material as a number; each (n,)."""

    share: Floats
    variance: Floats
    material: np.ndarray


def between_designs(kinds: Sequence[Measured]) -> list[tuple[Floats, Floats]]:
    """Posterior mean and variance of each design's share, kind by kind, each (n,); of a kind's mean nothing is
    known."""
    tau, prior = spreads()
    fits = np.add.outer(prior, prior)  # log, by the spread of designs and that of materials
    found = []
    for kind in kinds:
        _, of = np.unique(kind.material, return_inverse=True)
        member = np.eye(int(of.max(initial=-1)) + 1)[of]
        w = 1 / (tau[:, None] ** 2 + kind.variance)
        weight = w @ member
        mean = (w * kind.share) @ member / weight  # of each material, (spreads, materials)
        fits = fits + 0.5 * (np.log(w).sum(axis=1) - np.log(weight).sum(axis=1))[:, None]
        fits = fits - 0.5 * (w * (kind.share - mean[:, of]) ** 2).sum(axis=1)[:, None]
        v = tau[None, :, None] ** 2 + 1 / weight[:, None, :]
        total = (1 / v).sum(axis=2, keepdims=True)
        centre = (mean[:, None, :] / v).sum(axis=2, keepdims=True) / total
        off = mean[:, None, :] - centre
        fits = fits - 0.5 * (np.log(v).sum(axis=2) + np.log(total[..., 0]) + (off**2 / v).sum(axis=2))
        left = 1 / (weight[:, None, :] * v)  # of the way from a material's own mean to that of all
        of_material = (mean[:, None, :] - left * off)[..., of]
        var_material = (left * tau[None, :, None] ** 2 + left**2 / total)[..., of]
        left = (w * kind.variance)[:, None, :]
        value = kind.share + left * (of_material - kind.share)
        found.append((value, left * tau[:, None, None] ** 2 + left**2 * var_material))
    p = np.exp(fits - fits.max())[..., None]
    p /= p.sum()
    means = [(p * value).sum(axis=(0, 1)) for value, _ in found]
    return [
        (mean, (p * (variance + (value - mean) ** 2)).sum(axis=(0, 1)))
        for mean, (value, variance) in zip(means, found, strict=True)
    ]


def spreads() -> tuple[Floats, Floats]:
    """Spreads of a grid, none first, and the log of their prior weights (trapezoidal rule); each (STEPS + 1,)."""
    tau = np.r_[0.0, np.geomspace(0.02 * SPREAD, 4 * SPREAD, STEPS)]
    density = np.exp(-0.5 * (tau / SPREAD) ** 2)
    step = np.diff(tau)
    weight = np.r_[0.0, step * density[1:]] + np.r_[0.0, step[1:], 0.0] * density
    weight[1] += step[0] * density[0]  # the first step is as good as flat
    weight *= (1 - NONE) / weight.sum()
    weight[0] = NONE
    return tau, np.log(weight)
