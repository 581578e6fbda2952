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

from models.visit_weeks import Array, Chances

STEEPEST, FLATTEST = 8.0, 0.5  # bounds of the power that carries a cycle back to its start


@dataclass(frozen=True)
class FreshCycles:
    """A cycle from its start, taken from the present one.

    At age a the chance F(a) is the present one, later it follows the forecast; earlier what has been added since the
    start is a power of the age with the forecast's own log-log slope. An approximation: the next cycle is taken to
    drift like the present one.

    chances: points after as_of. age: (n,) days since the cycle began at as_of, above 0. [d]
    start: (n,) chance that a cycle begins out of range, which no visit can be expected to mend.
    """

    chances: Chances
    age: Array
    start: Array
    power: Array
    before: Array  # (n,) expected days out of range from the cycle's start to as_of [d]

    @classmethod
    def of(cls, chances: Chances, age: Array, start: Array | float = 0.0) -> FreshCycles:
        age = np.maximum(np.asarray(age, float), 1.0)
        now = chances.chance[:, 0].astype(float)
        begins = np.minimum(np.broadcast_to(np.asarray(start, float), now.shape), now)
        ahead = min(6, len(chances.nodes) - 1)
        then = chances.chance[:, ahead].astype(float)
        slope = np.log(np.maximum(then - begins, 1e-12) / np.maximum(now - begins, 1e-12))
        power = np.clip(slope / np.log1p(chances.nodes[ahead] / age), FLATTEST, STEEPEST)
        return cls(chances, age, begins, power, age * (begins + (now - begins) / (power + 1)))

    def tolerated(self, tolerance: float) -> Array:
        """The chance that is accepted at a visit: the tolerance, of those that begin in range. -> (n,)."""
        return self.start + tolerance * (1 - self.start)

    def chance_at(self, age: Array) -> Array:
        """F at an age per install. age: (n,) [d] -> (n,)."""
        added = (self.chances.chance[:, 0] - self.start) * np.clip(age / self.age, 0, 1) ** self.power
        return np.where(age < self.age, self.start + added, self.chances.at_each(np.maximum(age - self.age, 0)))

    def days_out(self, age: Array) -> Array:
        """D, expected days out of range from the start of the cycle to an age per install. (n,) [d] -> (n,) [d]."""
        share = np.clip(age / self.age, 0, 1)
        steady = self.start * self.age
        early = steady * share + (self.before - steady) * share ** (self.power + 1)
        return np.where(age < self.age, early, self.before + self.chances.days_out_each(np.maximum(age - self.age, 0)))

    def age_at_chance(self, chance: Array | float) -> Array:
        """Age at which F reaches a chance (0 where a cycle begins above it); inf where it does not within the
        forecast. -> (n,) [d].
        """
        target = np.broadcast_to(np.asarray(chance, float), self.age.shape)
        points = self.chances.chance.astype(float)
        added = np.maximum(points[:, 0] - self.start, 1e-15)
        early = self.age * (np.maximum(target - self.start, 0.0) / added) ** (1 / self.power)
        step, reached = _first_reached(points, target)
        row = np.arange(len(step))
        low, high = points[row, step], points[row, step + 1]
        share = np.clip((target - low) / np.maximum(high - low, 1e-300), 0, 1)
        nodes = self.chances.nodes
        late = self.age + nodes[step] + share * (nodes[step + 1] - nodes[step])
        return np.where(target <= points[:, 0], np.minimum(early, self.age), np.where(reached, late, np.inf))

    def worth(self, age: Array) -> Array:
        """T F(T) - D(T): the price of a visit at which an age is the best one. (n,) [d] -> (n,) [d]."""
        return age * self.chance_at(age) - self.days_out(age)

    @cached_property
    def _worth_at_nodes(self) -> Array:
        # T F(T) - D(T) at the ages of the points; it rises along a row.
        ages = self.age[:, None] + self.chances.nodes
        return ages * self.chances.chance.astype(float) - (self.before[:, None] + self.chances.cumulated)

    def best_age(self, price: Array) -> Array:
        """Age of least long-run cost for a visit that costs `price` out-of-range days; inf beyond the forecast.
        (n,) [d].
        """
        points, nodes, worth = self.chances.chance, self.chances.nodes, self._worth_at_nodes
        early = self.age * (price / np.maximum(worth[:, 0], 1e-15)) ** (1 / (self.power + 1))
        step, reached = _first_reached(worth, price)
        row = np.arange(len(step))
        start, end = self.age + nodes[step], self.age + nodes[step + 1]
        slope = (points[row, step + 1].astype(float) - points[row, step]) / (end - start)
        rest = np.maximum(price - worth[row, step], 0)
        late = np.sqrt(start**2 + 2 * rest / np.maximum(slope, 1e-300))  # F straight in between: exact
        late = np.minimum(late, end)
        return np.where(price <= worth[:, 0], np.minimum(early, self.age), np.where(reached, late, np.inf))

    def cost_rate(self, age: Array, price: Array) -> Array:
        """Long-run cost per day of cycles of a given length: (price + D) / age. (n,) [d/d]."""
        return (price + self.days_out(age)) / age


def _first_reached(rising: Array, target: Array) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Last column before each row reaches its target (at most the last but one), and whether it reaches it at all."""
    below = (rising < target[:, None]).sum(axis=1)
    return np.clip(below - 1, 0, rising.shape[1] - 2), below < rising.shape[1]


def best_renewal(cost: Array, length: Array) -> tuple[int, float]:
    """Which of several replacement ages has the least expected cost per expected time, and that rate.

    cost, length: (k,) expected cost and expected length of a cycle that is ended at each age; length above 0.
    Source: the renewal-reward theorem as used for age replacement, Barlow & Hunter 1960.
    """
    rate = cost / length
    best = int(np.argmin(rate))
    return best, float(rate[best])


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
    age = np.minimum(age, cycles.age + cycles.chances.nodes[-1])
    rate = cycles.cost_rate(age, price)
    return rate if tolerance is None else np.minimum(rate, cycles.tolerated(tolerance))
