"""Age replacement for a state that goes out of range unseen: how long a cycle pays for its visit.

A visit costs c (in out-of-range days: hours times the price of an hour). Until the next visit, at age T, an install is
out of range for D(T) = integral of F expected days. The long-run cost per day (c + D(T)) / T is least where
T F(T) - D(T) = c, and then equals F(T) (Barlow & Hunter 1960, policy II, with F as the rate at which cost runs up).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from models.plan.visit_weeks import Array, Chances, first_reached

STEEPEST, FLATTEST = 8.0, 0.5  # bounds of the power that carries a cycle back to its start
USUAL_POWER = (
    4.0  # where nearly all have left already and the curve no longer shows it: drift with spread rates, no source
)
NEARLY_ALL = 0.98
BEFORE = np.arange(16) / 16  # points in the stretch before as_of, as shares of the age


@dataclass(frozen=True)
class FreshCycles:
    """A cycle from its start, taken from the present one.

    At age a the chance F(a) is the present one, later it follows the forecast; earlier the hazard added up so far is a
    power of the age, with the forecast's own log-log slope (a Weibull life). Straight between points. An approximation:
    the next cycle is taken to drift like the present one.

    age: (n,) days since the cycle began at as_of, above 0. [d]
    start: (n,) chance that a cycle begins out of range, which no visit can be expected to mend.
    ages, points, total: (n, k) ages, rising; F there; expected days out of range up to there. [d]
    """

    age: Array
    start: Array
    ages: Array
    points: Array
    total: Array

    @classmethod
    def of(cls, chances: Chances, age: Array, start: Array | float = 0.0) -> FreshCycles:
        age = np.maximum(np.asarray(age, float), 1.0)
        later = chances.chance.astype(float)
        begins = np.minimum(np.broadcast_to(np.asarray(start, float), age.shape), later[:, 0])
        ahead = min(6, len(chances.nodes) - 1)
        now, then = (_hazard(later[:, k], begins) for k in (0, ahead))
        slope = np.log(np.maximum(then, 1e-12) / np.maximum(now, 1e-12)) / np.log1p(chances.nodes[ahead] / age)
        power = np.where(later[:, 0] > NEARLY_ALL, USUAL_POWER, np.clip(slope, FLATTEST, STEEPEST))
        # Through the logarithm, whose products lie within -23 and 0, so that nothing can overflow; a share of 0 apart.
        grown = np.hstack([np.zeros((len(age), 1)), np.exp(power[:, None] * np.log(BEFORE[1:]))])
        early = begins[:, None] - (1 - begins[:, None]) * np.expm1(-now[:, None] * grown)
        ages = np.hstack([age[:, None] * BEFORE, age[:, None] + chances.nodes])
        points = np.maximum.accumulate(np.hstack([early, later]), axis=1)
        total = np.zeros_like(points)
        np.cumsum((points[:, 1:] + points[:, :-1]) / 2 * np.diff(ages, axis=1), axis=1, out=total[:, 1:])
        return cls(age, begins, ages, points, total)

    @property
    def longest(self) -> Array:
        """Age at which the forecast ends. (n,) [d]"""
        return self.ages[:, -1]

    def tolerated(self, tolerance: float) -> Array:
        """The chance that is accepted at a visit, (n,): the tolerance.

        Where a visit itself is expected to leave more than that, keeping to it would mean visits without end for what
        they do not mend: there it is the tolerance of those that begin in range, on top of what a visit leaves.
        """
        return np.where(self.start < tolerance, tolerance, self.start + tolerance * (1 - self.start))

    def chance_at(self, age: Array) -> Array:
        """F at an age per install; constant beyond the forecast. age: (n,) [d] -> (n,)."""
        low, high, share, _ = self._place(age)
        return low + share * (high - low)

    def days_out(self, age: Array) -> Array:
        """D, expected days out of range from the start of the cycle to an age per install. (n,) [d] -> (n,) [d]."""
        low, high, share, step = self._place(age)
        row = np.arange(len(self.age))
        width = self.ages[row, step + 1] - self.ages[row, step]
        beyond = np.maximum(age - self.longest, 0.0) * self.points[:, -1]
        return self.total[row, step] + width * share * (low + share * (high - low) / 2) + beyond

    def age_at_chance(self, chance: Array | float) -> Array:
        """Age at which F reaches a chance (0 where a cycle begins above it), inf where it never does. (n,) [d]"""
        target = np.broadcast_to(np.asarray(chance, float), self.age.shape)
        step, reached = first_reached(self.points, target)
        row = np.arange(len(step))
        low, high = self.points[row, step], self.points[row, step + 1]
        share = np.clip((target - low) / np.maximum(high - low, 1e-300), 0, 1)
        age = self.ages[row, step] + share * (self.ages[row, step + 1] - self.ages[row, step])
        return np.where(reached, age, np.inf)

    def worth(self, age: Array) -> Array:
        """T F(T) - D(T): the price of a visit at which an age is the best one. (n,) [d] -> (n,) [d]."""
        return age * self.chance_at(age) - self.days_out(age)

    @cached_property
    def _worth(self) -> Array:
        return self.ages * self.points - self.total  # rises along a row

    def best_age(self, price: Array) -> Array:
        """Age of least long-run cost for a visit that costs `price` out-of-range days; inf beyond the forecast. [d]"""
        step, reached = first_reached(self._worth, price)
        row = np.arange(len(step))
        start, end = self.ages[row, step], self.ages[row, step + 1]
        slope = (self.points[row, step + 1] - self.points[row, step]) / (end - start)
        rest = np.maximum(price - self._worth[row, step], 0)
        age = np.sqrt(start**2 + 2 * rest / np.maximum(slope, 1e-300))  # F straight in between: exact
        return np.where(reached, np.minimum(age, end), np.inf)

    def cost_rate(self, age: Array, price: Array) -> Array:
        """Long-run cost per day of cycles of a given length: (price + D) / age. (n,) [d/d]."""
        return (price + self.days_out(age)) / age

    def _place(self, age: Array) -> tuple[Array, Array, Array, NDArray[np.int64]]:
        age = np.clip(age, 0, self.longest)
        step = np.clip((self.ages <= age[:, None]).sum(axis=1) - 1, 0, self.ages.shape[1] - 2)
        row = np.arange(len(step))
        start, end = self.ages[row, step], self.ages[row, step + 1]
        return self.points[row, step], self.points[row, step + 1], (age - start) / (end - start), step


def _hazard(chance: Array, start: Array) -> Array:
    """Hazard that has added up to a chance, from those that began in range."""
    return -np.log1p(-np.clip((chance - start) / np.maximum(1 - start, 1e-12), 0, 1 - 1e-7))


def hour_price(cycles: FreshCycles, hours: Array, tolerance: float, longest: float = 3650.0) -> float:
    """What one technician hour is worth in out-of-range days to a firm with this risk tolerance.

    A firm that visits a typical install when its chance reaches the tolerance behaves as if a visit cost
    T F(T) - D(T) at that age; the median over the installs that get there, per hour of their visit. [d/h]
    hours: (n,) of a visit. [h]
    """
    age = cycles.age_at_chance(cycles.tolerated(tolerance))
    seen = np.isfinite(age) & (age <= longest) & (hours > 0)
    if not seen.any():
        return float(tolerance * 365.0 / max(float(np.median(hours)) if len(hours) else 1.0, 0.1))
    worth = cycles.worth(np.where(seen, age, cycles.age))
    return float(np.median((np.maximum(worth, 0.0) / np.maximum(hours, 1e-9))[seen]))


def day_price(
    cycles: FreshCycles, price: Array, shortest: Array, longest: Array, tolerance: float | None = None
) -> Array:
    """g: long-run out-of-range days per day of the cycles to come, the price of their visits among them. (n,)

    price: (n,) of a visit [d]; shortest, longest: (n,) allowed length of a cycle [d].
    tolerance: None, or the chance at which an install is visited whatever it costs: g is no more than that.
    """
    age = np.clip(cycles.best_age(price), shortest, np.maximum(longest, shortest))
    age = np.minimum(age, cycles.longest)
    rate = cycles.cost_rate(age, price)
    return rate if tolerance is None else np.minimum(rate, cycles.tolerated(tolerance))
