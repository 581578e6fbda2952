"""The linear programme that gives each install of an area one week within the technicians' hours.

    minimise    sum cost x  +  sum without y  +  sum over_price u
    subject to  sum_w x + y = 1 for each install;   sum_i hours x - sum u <= available for each week
                x, y >= 0;   0 <= u <= over_hours, step by step dearer

Solved exactly by column generation: a sample of the installs prices the hours, each install enters with the few weeks
that are nearly best at these prices, HiGHS solves that programme, and every week left out is then priced. It ends
when no
week left out could lower the cost, which is the proof that the whole programme is solved.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import linprog

from models.visit_weeks import Array, Ints

SAMPLES = (400, 2500, 12_000)  # installs that price the hours before the whole area does
COLUMNS_PER_INSTALL = 3.0
PRICING_TOLERANCE = 1e-7
NO_WEEK = -1


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
    open_ = np.isfinite(cost)
    total = max(float(hours.sum()), 1e-12)
    price: Array | None = None
    for size in [s for s in SAMPLES if s < n / 1.5]:
        rows = np.unique(np.linspace(0, n - 1, size).astype(np.int64))
        part = float(hours[rows].sum()) / total
        keep = open_[rows] if price is None else _nearly_best(cost[rows], without[rows], hours[rows], price)
        price = _generate(
            cost[rows], without[rows], hours[rows], available * part, MoreHours(more.hours * part, more.price), keep,
            slack=len(rows) // 100,
        )[1]  # fmt: skip
    keep = open_.copy() if price is None else _nearly_best(cost, without, hours, price)
    solution, price, kept = _generate(cost, without, hours, available, more, keep, slack=0)
    row, week = np.nonzero(kept)
    share = sparse.csr_matrix((np.clip(solution.x[: len(row)], 0, 1), (row, week)), shape=(n, weeks))
    bound = lagrangian_bound(cost, without, hours, available, price, more)
    return Staffing(float(solution.fun), price, share, solution.x[len(row) : len(row) + n], float(solution.fun - bound))


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


def _nearly_best(cost: Array, without: Array, hours: Array, price: Array) -> NDArray[np.bool_]:
    """The weeks whose priced cost lies nearest to each install's least, a few per install on average."""
    gap = cost + price * hours[:, None]
    gap -= np.minimum(gap.min(axis=1), without)[:, None]
    finite = np.flatnonzero(np.isfinite(gap))
    wanted = int(COLUMNS_PER_INSTALL * len(cost))
    if len(finite) <= wanted:
        return np.isfinite(gap)
    level = np.partition(gap.ravel()[finite], wanted)[wanted]
    return gap <= level


def _generate(cost, without, hours, available, more, keep, slack):
    """Solve, price what was left out, add the best of it, until at most `slack` weeks would still lower the cost."""
    open_ = np.isfinite(cost)
    while True:
        solution, price, install_price = _restricted(cost, without, hours, available, more, keep)
        reduced = cost + price * hours[:, None] - install_price[:, None]
        bad = open_ & ~keep & (reduced < -PRICING_TOLERANCE)
        count = int(bad.sum())
        if count <= slack:
            return solution, price, keep
        best = np.argsort(np.where(bad, reduced, np.inf), axis=1, kind="stable")[:, :2]
        add = np.zeros_like(bad)
        np.put_along_axis(add, best, True, axis=1)
        keep = keep | (add & bad)


def _restricted(cost, without, hours, available, more, keep):
    """HiGHS on the kept columns. Returns the solution, the price of each week's hours, and of each install's visit."""
    n, weeks = cost.shape
    row, week = np.nonzero(keep)
    k = len(row)
    limited = np.flatnonzero(np.isfinite(available))
    place = np.full(weeks, -1)
    place[limited] = np.arange(len(limited))
    used = place[week] >= 0
    steps = len(more.hours)
    bought = np.tile(limited, steps)
    total = k + n + len(bought)
    visits = sparse.csr_matrix((np.ones(k + n), (np.r_[row, np.arange(n)], np.arange(k + n))), shape=(n, total))
    budget = sparse.csr_matrix(
        (
            np.r_[hours[row][used], -np.ones(len(bought))],
            (np.r_[place[week][used], place[bought]], np.r_[np.flatnonzero(used), k + n + np.arange(len(bought))]),
        ),
        shape=(len(limited), total),
    )
    most = np.r_[np.full(k + n, np.inf), more.hours[:, limited].ravel()]
    solution = linprog(
        np.r_[cost[row, week], without, more.price[:, limited].ravel()],
        A_ub=budget if len(limited) else None,
        b_ub=available[limited] if len(limited) else None,
        A_eq=visits,
        b_eq=np.ones(n),
        bounds=np.column_stack([np.zeros(total), most]),
        method="highs-ipm" if k > 2000 else "highs-ds",
    )
    if solution.status != 0:
        raise RuntimeError(f"HiGHS found no optimum for {n} installs and {k} columns: {solution.message}")
    price = np.zeros(weeks)
    if len(limited):
        price[limited] = np.maximum(-solution.ineqlin.marginals, 0)
    return solution, price, solution.eqlin.marginals


def whole_weeks(
    staffing: Staffing,
    cost: Array,
    without: Array,
    hours: Array,
    available: Array,
    none: NDArray[np.bool_],
    crowding_price: float = 0.0,
) -> tuple[Ints, NDArray[np.bool_]]:
    """One whole week per install from the programme's shares.

    An install that the programme gives one week keeps it. The few it splits (at most one per week, as in any basic
    solution) are placed one by one, longest visit first, in the cheapest week (at the hours' prices) with room. A visit
    that has to be made and finds no room is short of hours: it goes where its cost and the crowding are least.

    none: (n,) no visit is needed, so that `without` means no visit.
    crowding_price: what each hour costs for every usual week's worth of hours a week is over already. [d/h]
    Returns week (n,), NO_WEEK for no visit, and short (n,): placed beyond the hours there are.
    """  # fmt: skip
    n, weeks = cost.shape
    week = np.full(n, NO_WEEK, np.int64)
    short = np.zeros(n, bool)
    if n == 0:
        return week, short
    top = np.asarray(staffing.share.argmax(axis=1)).ravel()
    size = np.asarray(staffing.share.max(axis=1).todense()).ravel()
    whole = size >= 1 - 1e-6
    week[whole] = top[whole]
    left_out = ~whole & (staffing.without >= 1 - 1e-6)
    room = available - np.bincount(week[whole], hours[whole], minlength=weeks)
    split = np.flatnonzero(~whole & ~left_out)
    priced = cost + staffing.hour_price * hours[:, None]
    for i in split[np.lexsort((split, -hours[split]))]:
        fits = np.flatnonzero(np.isfinite(cost[i]) & (hours[i] <= room + 1e-9))
        best = fits[np.argmin(priced[i, fits])] if len(fits) else NO_WEEK
        if best != NO_WEEK and (not none[i] or priced[i, best] <= without[i] + 1e-6):
            week[i] = best
            room[best] -= hours[i]
        else:
            left_out[i] = True
    usual = max(float(available[np.isfinite(available)].mean()) if np.isfinite(available).any() else 0.0, 1.0)
    for i in np.flatnonzero(left_out & ~none):
        fits = np.flatnonzero(np.isfinite(cost[i]) & (hours[i] <= room + 1e-9))
        short[i] = len(fits) == 0
        if short[i]:
            crowded = cost[i] + hours[i] * crowding_price * np.maximum(-room, 0) / usual
            week[i] = int(np.argmin(crowded))
        else:
            week[i] = fits[np.argmin(cost[i, fits])]
        room[week[i]] -= hours[i]
    return week, short


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
