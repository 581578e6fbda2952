"""The linear programme that gives each install of an area one week within the technicians' hours.

    minimise    sum cost x  +  sum without y  +  sum over_price u
    subject to  sum_w x + y = 1 for each install;   sum_i hours x - sum u <= available for each week
                x, y >= 0;   0 <= u <= over_hours, step by step dearer

Solved exactly by column generation: a sample of the installs prices the hours, each install enters with the weeks that
are nearly best at these prices, HiGHS solves that programme, and every choice left out is then priced. It ends when no
week left out could lower the cost, which is the proof that the whole programme is solved.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import linprog

from models.plan.visit_weeks import Array

SAMPLES = (150, 1200, 6000)  # installs that price the hours before the whole area does
CHOICES_PER_INSTALL = 1.4
PRICING_TOLERANCE = 1e-7
STEP, FASTER = 0.3, 4.0  # how far prices may rise in a round, as a share of the highest; how much farther in the next
BOUGHT = 1e-6  # hours


@dataclass(frozen=True)
class Staffing:
    """One area's solution.

    objective: value of the linear programme. [out-of-range days, up to the constants of the costs]
    hour_price: (weeks,) dual of the hours: how much one more hour in that week lowers the objective. [d/h], 0
    where slack
    share: (n, weeks) sparse, the linear programme's shares. without: (n,) share that got no hours.
    bound_gap: objective minus the Lagrangian bound at the duals; 0 up to rounding proves the optimum. [d]
    """

    objective: float
    hour_price: Array
    share: sparse.csr_matrix
    without: Array
    bound_gap: float


@dataclass(frozen=True)
class MoreHours:
    """Hours above those available, to be had step by step, each dearer than the one before.

    hours: (steps, weeks) to be had on each step, inf on the last for as many as it takes. [h]
    price: (steps, weeks) of an hour on that step. [d/h]
    """

    hours: Array
    price: Array


def solve_weeks(cost: Array, without: Array, hours: Array, available: Array, more: MoreHours | None = None) -> Staffing:
    """Solve the programme for one area.

    cost: (n, weeks) of a visit in each week, inf where none may fall. [d]
    without: (n,) of no visit within the hours, finite. [d]
    hours: (n,) of a visit. [h] available: (weeks,) hours there are; inf for no limit. [h]
    more: hours that can be had above these; None: no more.
    Raises ValueError on shapes that do not agree or on a cost that is not a number.
    """
    n, weeks = cost.shape
    if without.shape != (n,) or hours.shape != (n,) or available.shape != (weeks,):
        raise ValueError(
            f"shapes do not agree: cost {cost.shape}, without {without.shape}, hours {hours.shape}, "
            f"available {available.shape}"
        )
    if np.isnan(cost).any() or not np.isfinite(without).all() or not np.isfinite(hours).all():
        raise ValueError("costs and hours must be numbers; only `cost` may be inf, where a week is not allowed")
    more = MoreHours(np.zeros((0, weeks)), np.zeros((0, weeks))) if more is None else more
    if n == 0:
        return Staffing(0.0, np.zeros(weeks), sparse.csr_matrix((0, weeks)), np.zeros(0), 0.0)
    total = max(float(hours.sum()), 1e-12)
    choices = np.column_stack([cost, without])
    price: Array | None = None
    for size in [s for s in SAMPLES if s < n / 1.5]:
        rows = np.unique(np.linspace(0, n - 1, size).astype(np.int64))
        part = float(hours[rows].sum()) / total
        own = MoreHours(more.hours * part, more.price)
        price = _generate(choices[rows], hours[rows], available * part, own, price, slack=len(rows) // 100).price
    last = _generate(choices, hours, available, more, price, slack=0)
    last.price[:] = _closed_weeks_priced(choices, hours, available, last.price)
    bound = lagrangian_bound(cost, without, hours, available, last.price, more)
    weekly = last.share[:, :weeks]
    none = np.asarray(last.share[:, [weeks]].todense()).ravel()
    return Staffing(last.objective, last.price, weekly, none, last.objective - bound)


def lagrangian_bound(
    cost: Array, without: Array, hours: Array, available: Array, price: Array, more: MoreHours | None = None
) -> float:
    """Lower bound of the programme at any prices of the hours, 0 or above. (weeks,) -> [d]"""
    least = np.minimum((cost + price * hours[:, None]).min(axis=1), without)
    limited = np.isfinite(available)
    bound = float(least.sum() - price[limited] @ available[limited])
    if more is not None and more.hours.size:
        gain = np.maximum(price - more.price, 0)[:, limited]
        gain = np.where(gain < 1e-9, 0, gain)  # the duals' own rounding, times endless hours
        bound -= float(np.where(gain > 0, gain * np.where(gain > 0, more.hours[:, limited], 0), 0).sum())
    return bound


def _closed_weeks_priced(choices: Array, hours: Array, available: Array, price: Array) -> Array:
    """Prices with those of weeks without any hours set to what a first hour there would save.

    A week without hours takes no visit, so any price above that is a dual too, and HiGHS may return a wild one.
    """
    closed = np.isfinite(available) & (available <= 1e-9)
    if not closed.any():
        return price
    open_ = _priced(choices, hours, price)
    open_[:, np.flatnonzero(closed)] = np.inf
    elsewhere = open_.min(axis=1)
    saved = (elsewhere[:, None] - choices[:, :-1][:, closed]) / np.maximum(hours, 1e-9)[:, None]
    priced = price.copy()
    priced[closed] = np.minimum(np.maximum(saved.max(axis=0), 0.0), price[closed])
    return priced


@dataclass(frozen=True)
class _Solution:
    objective: float
    price: Array
    share: sparse.csr_matrix  # (n, weeks + 1)


def _priced(choices: Array, hours: Array, price: Array) -> Array:
    """Cost of each choice with its hours paid; the last choice takes none."""
    return choices + np.append(price, 0.0) * hours[:, None]


def _generate(
    choices: Array, hours: Array, available: Array, more: MoreHours, price: Array | None, slack: int
) -> _Solution:
    """Solve with few choices, price the others, add the best, until at most `slack` would still lower the cost.

    With few choices the hours may not suffice, and would be priced without bound: each round may buy hours at little
    above the prices before it, and another follows where it did (du Merle et al. 1999, stabilised column generation).
    """
    open_ = np.isfinite(choices)
    keep = open_ if price is None else _nearly_best(choices, hours, open_, price)
    # Dearer than any choice an install has, so that it is in no optimum; it keeps the few choices feasible.
    worst = np.where(open_, choices, -np.inf).max(axis=1) - choices.min(axis=1)
    dearest = 2 * float((worst / np.maximum(hours, 1e-3)).max()) + 1.0
    step = dearest if price is None else STEP * max(float(price.max()), 1e-6)
    while True:
        limit = np.full(len(available), dearest) if price is None else np.minimum(price + step, dearest)
        found, install_price, bought = _restricted(choices, hours, available, more, keep, limit)
        reduced = _priced(choices, hours, found.price) - install_price[:, None]
        bad = open_ & ~keep & (reduced < -PRICING_TOLERANCE)
        if bought <= BOUGHT and int(bad.sum()) <= slack:
            return found
        if bought > BOUGHT:
            step *= FASTER
        price = found.price
        best = np.argsort(np.where(bad, reduced, np.inf), axis=1, kind="stable")[:, :2]
        add = np.zeros_like(bad)
        np.put_along_axis(add, best, True, axis=1)
        keep = keep | (add & bad)


def _nearly_best(choices: Array, hours: Array, open_: NDArray[np.bool_], price: Array) -> NDArray[np.bool_]:
    """The choices nearest to each install's best at some prices, CHOICES_PER_INSTALL on average."""
    gap = _priced(choices, hours, price)
    gap -= gap.min(axis=1)[:, None]
    finite = gap[open_]
    wanted = int(CHOICES_PER_INSTALL * len(choices))
    return gap <= np.partition(finite, wanted)[wanted] if len(finite) > wanted else open_


def _restricted(
    choices: Array, hours: Array, available: Array, more: MoreHours, keep: NDArray[np.bool_], limit: Array
) -> tuple[_Solution, Array, float]:
    """HiGHS on the kept choices, with as many hours as it takes at the prices `limit`, (weeks,).

    Written as changes from one choice of each install to its others, so that the rows are the weeks, and those installs
    only that have three choices or more.
    Returns the solution, each install's least priced choice, and how many such hours it bought.
    """
    n, weeks = len(choices), choices.shape[1] - 1
    first = keep.argmax(axis=1)
    others = keep.copy()
    others[np.arange(n), first] = False
    row, week = np.nonzero(others)
    k = len(row)
    limited = np.flatnonzero(np.isfinite(available))
    place = np.full(weeks + 1, -1)
    place[limited] = np.arange(len(limited))
    several = np.flatnonzero(others.sum(axis=1) > 1)
    one_of = np.full(n, -1)
    one_of[several] = len(limited) + np.arange(len(several))
    prices = np.vstack([more.price, limit])[:, limited]
    most = np.vstack([more.hours, np.full(weeks, np.inf)])[:, limited]
    bought = np.tile(np.arange(len(limited)), len(prices))
    total = k + len(bought)
    change, hour = np.arange(k), np.arange(k, total)
    entry = np.r_[hours[row], -hours[row], np.ones(k), -np.ones(len(bought))]
    at_row = np.r_[place[week], place[first[row]], one_of[row], bought]
    at_column = np.r_[change, change, change, hour]
    there = at_row >= 0
    rows = (entry[there], (at_row[there], at_column[there]))
    taken = np.bincount(first, hours, minlength=weeks + 1)[:weeks]
    cost_of_first = choices[np.arange(n), first]
    price, shares, objective, beyond = np.zeros(weeks), np.zeros(k), float(cost_of_first.sum()), 0.0
    if total:
        solution = linprog(
            np.r_[choices[row, week] - cost_of_first[row], prices.ravel()],
            A_ub=sparse.csr_matrix(rows, shape=(len(limited) + len(several), total)),
            b_ub=np.r_[(available - taken)[limited], np.ones(len(several))],
            bounds=np.column_stack([np.zeros(total), np.r_[np.ones(k), most.ravel()]]),
            method="highs-ds",
            options={"presolve": False},  # nothing is left to take out
        )
        if solution.status != 0:
            raise RuntimeError(f"HiGHS found no optimum for {n} installs and {k} choices: {solution.message}")
        shares, objective = np.clip(solution.x[:k], 0, 1), objective + float(solution.fun)
        beyond = float(solution.x[total - len(limited) :].sum())
        price[limited] = np.maximum(-solution.ineqlin.marginals[: len(limited)], 0)
    stays = np.maximum(1 - np.bincount(row, shares, minlength=n), 0)
    every = sparse.csr_matrix((np.r_[shares, stays], (np.r_[row, np.arange(n)], np.r_[week, first])), (n, weeks + 1))
    kept = np.where(keep, _priced(choices, hours, price), np.inf)
    return _Solution(objective, price, every), kept.min(axis=1), beyond


def spread_level(hours: Array, must: NDArray[np.bool_], working_days: Array, headroom: float) -> Array:
    """Hours per week that an area without stated capacity would need, spread evenly over its working days. (weeks,) [h]

    hours, must: (n,) of the visits that have to fall in the horizon. working_days: (weeks,) days worked.
    headroom: factor above 1 that leaves the plan free to move.
    """
    days = float(working_days.sum())
    if days <= 0:
        return np.full(len(working_days), np.inf)
    return headroom * float(hours[must].sum()) * working_days / days


def crowded_hours(level: Array, price: float, steps: int = 8) -> MoreHours:
    """Hours above an even level: each further level's worth costs `price` an hour more. level: (weeks,) [h]"""
    usual = float(level[np.isfinite(level)].mean()) if np.isfinite(level).any() else 1.0
    hours = np.full((steps, len(level)), max(usual, 1.0))
    hours[-1] = np.inf
    return MoreHours(hours, price * np.arange(1, steps + 1)[:, None] * np.ones(len(level)))
