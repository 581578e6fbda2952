"""Rules for when to visit, beside each other in the long run: visits, hours and out-of-range days per year."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.plan.renewal import FreshCycles
from models.plan.visit_weeks import Array

YEAR = 365.25


@dataclass(frozen=True)
class PolicyYear:
    """What a rule costs a fleet per year in the long run. out_days: install-days out of range."""

    visits: float
    hours: float
    out_days: float


def policy_year(cycles: FreshCycles, length: Array, hours: Array) -> PolicyYear:
    """Per year in the long run, each install visited at its own cycle length. length: (n,) [d]; hours: (n,) of a
    visit [h].
    """
    per_year = YEAR / length
    return PolicyYear(
        float(per_year.sum()), float((per_year * hours).sum()), float((cycles.days_out(length) * per_year).sum())
    )


def by_risk(
    cycles: FreshCycles, hours: Array, price: float, shortest: Array, longest: Array, tolerance: float | None = None
) -> Array:
    """Cycle length of least long-run cost at a price of hours. (n,) [d]

    price: of an hour [d/h]. shortest, longest: (n,) allowed lengths; where they cross, longest holds. [d]
    tolerance: None, or the chance that no cycle may pass, whatever it costs.
    """
    best = cycles.best_age(price * hours)
    if tolerance is not None:
        best = np.minimum(best, cycles.age_at_chance(cycles.tolerated(tolerance)))
    return np.clip(best, np.minimum(shortest, longest), longest)


def equal_shortening(interval: Array, hours: Array, total_hours: float) -> Array:
    """Everyone's interval times one factor, so that the hours per year come to a total. interval: (n,) [d] -> (n,)
    [d].
    """
    present = float((YEAR / interval * hours).sum())
    return interval * (present / total_hours)


def by_risk_within_hours(
    cycles: FreshCycles, hours: Array, total_hours: float, shortest: Array, longest: Array
) -> tuple[Array, float]:
    """Cycle lengths of least out-of-range days for given hours per year, and the price of an hour that yields them.

    One price for all installs is what makes the hours work equally hard everywhere (the Lagrange multiplier of the
    hours); it is found by bisection. Returns (n,) [d] and [d/h].
    """
    low, high = 0.0, 1.0
    longest = np.minimum(longest, cycles.longest)
    shortest = np.minimum(shortest, longest)

    def lengths(price: float) -> Array:
        return np.clip(cycles.best_age(price * hours), shortest, longest)

    def needed(price: float) -> float:
        return float((YEAR / lengths(price) * hours).sum())

    while needed(high) > total_hours and high < 1e6:
        high *= 4
    for _ in range(45):
        middle = (low + high) / 2
        if needed(middle) > total_hours:
            low = middle
        else:
            high = middle
    return lengths(high), high
