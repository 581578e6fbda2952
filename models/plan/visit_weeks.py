"""What each week of the horizon would cost an install, and which weeks it may be visited in.

Chances come as points on a few days common to the whole fleet (as_of, then the firsts of the months). Between points
the normal deviate of a chance runs straight, nearly: so does the value that drifts. A straight chance would be up to a
twentieth too high on single days, and reach the tolerance days too soon. Summed over months that evens out: for the
expected days out of range chances run straight, so that they are linear in the points and one matrix product serves a
whole area.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

Array = NDArray[np.floating]
Ints = NDArray[np.integer]
LEAST = 1e-7  # chances have six decimals


@dataclass(frozen=True)
class Chances:
    """Chance of being out of range, nobody visiting.

    nodes: (k,) days after as_of, the first 0, rising. [d]
    chance: (n, k) chance at those days, 0 to 1, not falling along a row.
    """

    nodes: Array
    chance: Array

    def __post_init__(self) -> None:
        if self.nodes.ndim != 1 or self.nodes[0] != 0 or np.any(np.diff(self.nodes) <= 0):
            raise ValueError(f"nodes must start at 0 and rise; got {self.nodes[:4]} …")
        if self.chance.ndim != 2 or self.chance.shape[1] != len(self.nodes):
            raise ValueError(
                f"chance must have {len(self.nodes)} columns, one per node; its shape is {self.chance.shape}"
            )

    def rows(self, index: Ints | slice) -> Chances:
        return Chances(self.nodes, self.chance[index])

    def days_out(self, days: Array) -> Array:
        """Expected days out of range between as_of and each day. days: (m,) [d] -> (n, m) [d].

        The expectation of the time spent out of range is the integral of the chance of being out of range (Fubini).
        """
        return np.asarray(self.chance, float) @ _integral_weights(self.nodes, days)

    def at_each(self, days: Array) -> Array:
        """Chance at one day per install. days: (n,) [d] -> (n,); constant outside the nodes."""
        left, share = self._place(days)
        low, high = self._around(left)
        between = ndtr(_deviate(low) + share * (_deviate(high) - _deviate(low)))
        # as told where a day is a node's own, also of chances too near to 0 and 1 for a deviate
        return np.where(share == 0, low, np.where(share == 1, high, np.clip(between, low, high)))

    def day_reached(self, chance: Array | float) -> Array:
        """Day on which the chance reaches a size: 0 where it has, inf where it does not within the nodes. (n,) [d]"""
        target = np.broadcast_to(np.asarray(chance, float), len(self.chance))
        left, reached = first_reached(self.chance, target)
        low, high = (_deviate(p) for p in self._around(left))
        share = np.clip((_deviate(target) - low) / np.maximum(high - low, 1e-12), 0, 1)
        day = self.nodes[left] + share * (self.nodes[left + 1] - self.nodes[left])
        return np.where(reached, day, np.inf)

    def days_out_each(self, days: Array) -> Array:
        """Expected days out of range from as_of to one day per install. days: (n,) [d], 0 or later -> (n,) [d]."""
        left, share = self._place(days)
        row = np.arange(len(days))
        low, high = self._around(left)
        step = (self.nodes[left + 1] - self.nodes[left]) * share
        beyond = np.maximum(np.asarray(days, float) - self.nodes[-1], 0.0)
        return self.cumulated[row, left] + step * (low + share * (high - low) / 2) + beyond * self.chance[:, -1]

    @cached_property
    def cumulated(self) -> Array:
        """Expected days out of range from as_of to each node, (n, k) [d]."""
        chance = np.asarray(self.chance, float)
        out = np.zeros_like(chance)
        np.cumsum((chance[:, 1:] + chance[:, :-1]) / 2 * np.diff(self.nodes), axis=1, out=out[:, 1:])
        return out

    def _around(self, left: Ints) -> tuple[Array, Array]:
        """Chances at a node of each install and at the next."""
        row = np.arange(len(left))
        return self.chance[row, left].astype(float), self.chance[row, left + 1].astype(float)

    def _place(self, days: Array) -> tuple[Ints, Array]:
        days = np.clip(np.asarray(days, float), self.nodes[0], self.nodes[-1])
        left = np.clip(np.searchsorted(self.nodes, days, side="right") - 1, 0, len(self.nodes) - 2)
        return left, (days - self.nodes[left]) / (self.nodes[left + 1] - self.nodes[left])


def first_reached(rising: Array, target: Array) -> tuple[Ints, NDArray[np.bool_]]:
    """Last column before each row reaches its target (at most the last but one), and whether it reaches it at all."""
    below = (rising < target[:, None]).sum(axis=1)
    return np.clip(below - 1, 0, rising.shape[1] - 2), below < rising.shape[1]


def _deviate(chance: Array) -> Array:
    return ndtri(np.clip(chance, LEAST, 1 - LEAST))


def _integral_weights(nodes: Array, days: Array) -> Array:
    """Weights (k, m) that turn node values into integrals from 0 to `days`; constant beyond the last node."""
    days = np.asarray(days, float)
    weights = np.zeros((len(nodes), len(days)))
    for k in range(len(nodes) - 1):
        width = nodes[k + 1] - nodes[k]
        share = np.clip((days - nodes[k]) / width, 0, 1)
        weights[k] += width * (share - share**2 / 2)
        weights[k + 1] += width * share**2 / 2
    weights[-1] += np.maximum(days - nodes[-1], 0)
    return weights


def combined_chance(log_in_range: Array) -> Array:
    """Chance that any series of an install is out of range, from the sum of log(1 - p) over its series.

    An approximation: it takes the series as independent, so it errs high where they drift together.
    """
    return 0.0 - np.expm1(np.minimum(log_in_range, 0.0))  # not -0.0


@dataclass(frozen=True)
class Windows:
    """Weeks an install may be visited in, counted from the first week of the horizon.

    first, last: (n,) first and last allowed week; both within 0 … weeks - 1, but `first` is `weeks` where the earliest
    date lies beyond the horizon and no visit has to fall in it: no week is allowed then.
    must: (n,) a visit has to fall in the horizon; otherwise none is needed by the interval.
    overdue: (n,) the latest date lay before as_of.
    """

    first: Ints
    last: Ints
    must: NDArray[np.bool_]
    overdue: NDArray[np.bool_]


FRIDAY = 4  # days after Monday


def windows(
    latest: Array,
    earliest: Array,
    at_once: NDArray[np.bool_],
    first_monday: float,
    weeks: int,
    catch_up_weeks: int,
    spare: Array | None = None,
    last_worked: int = FRIDAY,
) -> Windows:
    """Allowed weeks from the latest and earliest dates.

    latest, earliest: (n,) days after as_of; latest may be negative (overdue) or inf. [d]
    at_once: (n,) the chance of being out of range is above the tolerance already: no earliest date holds it back.
    first_monday: the first week's Monday, days after as_of. [d]
    catch_up_weeks: an overdue visit may fall in these first weeks.
    spare: None, or (n,) days up to which an overdue visit may give way to others, nan where it may not. [d]
    last_worked: the last weekday that is worked, Monday being 0: it lies on or before the latest date.
    """
    whole = np.floor((latest - last_worked - first_monday) / 7)
    overdue = latest < 0
    must = whole < weeks
    last = np.clip(np.where(np.isfinite(whole), whole, weeks - 1), 0, weeks - 1).astype(np.int64)
    catch_up = min(catch_up_weeks, weeks) - 1
    gives_way = np.zeros(len(last), bool) if spare is None else np.isfinite(spare)
    later = np.floor(((spare if spare is not None else latest) - last_worked - first_monday) / 7)
    later = np.clip(np.where(gives_way, later, 0), catch_up, weeks - 1).astype(np.int64)
    last = np.where(overdue, np.where(gives_way, later, catch_up), last)
    first = np.ceil((earliest - first_monday) / 7)
    first = np.clip(np.where(np.isfinite(first), first, 0), 0, weeks).astype(np.int64)
    first = np.where(at_once | overdue, 0, np.where(must, np.minimum(first, last), first))
    return Windows(first, last, must, overdue)


@dataclass(frozen=True)
class WeekCosts:
    """Costs in expected out-of-range days; only differences along a row mean anything.

    cost: (n, weeks) of a visit in that week; inf outside the window.
    without: (n,) of no visit within the hours: none at all where none is needed, else one that finds no hours.
    none: (n,) True where `without` means that no visit is needed in the horizon.
    """

    cost: Array
    without: Array
    none: NDArray[np.bool_]


def week_costs(
    chances: Chances,
    windows: Windows,
    day_price: Array,
    tolerance: float,
    visit_days: Array,
    latest: Array,
    urgency: Array | float = 0.0,
) -> WeekCosts:
    """Expected out-of-range days of each week, with what an early visit costs by shortening the cycle.

    A visit at day t leaves D(t) expected out-of-range days before it and starts the next cycle, whose long-run cost
    per day is g (`day_price`): D(t) - g t, up to a constant (renewal-reward; Barlow & Hunter 1960; Ross, Applied
    Probability Models, on relative costs). An overdue visit pays for each day it waits, twice what its cycles cost
    a day. A visit that finds no hours is taken to slip by a year: it costs the out-of-range days of that year, counted
    at no less than twice its cycles' cost too, which is above anything that moving visits in the horizon can cost.

    day_price: (n,) g, expected out-of-range days per day.
    tolerance: what a day of waiting counts for at least, twice.
    visit_days: (weeks,) when in each week a visit is counted, days after as_of. [d]
    latest: (n,) latest date, days after as_of. [d]
    urgency: (n,) what a day of waiting counts for besides, for readings that are out of range now.
    """
    weeks = len(visit_days)
    price = day_price[:, None]
    cost = chances.days_out(visit_days) - price * visit_days
    urgency = np.broadcast_to(np.asarray(urgency, float), day_price.shape)
    waiting = 2 * np.maximum(tolerance, day_price) + urgency
    cost += np.where(windows.overdue | (urgency > 0), waiting, 0.0)[:, None] * visit_days
    week = np.arange(weeks)
    inside = (week >= windows.first[:, None]) & (week <= windows.last[:, None])
    cost = np.where(inside, cost, np.inf)

    year = 364.0
    best = np.argmin(cost, axis=1)
    wanted = visit_days[best]
    slip = chances.days_out_each(wanted + year) - chances.days_out_each(wanted)
    short = cost[np.arange(len(best)), best] + np.maximum(slip, waiting * year)

    later = np.linspace(visit_days[-1] + 7, max(chances.nodes[-1], visit_days[-1] + 7), 25)
    beyond = np.where(later <= np.maximum(latest, later[0])[:, None], chances.days_out(later) - price * later, np.inf)
    without = np.where(windows.must, short, beyond.min(axis=1))
    return WeekCosts(cost, without, ~windows.must)
