"""One whole week for each install of an area, from the shares that the linear programme gives it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.plan.staffing import Staffing
from models.plan.visit_weeks import Array, Ints

NO_WEEK = -1
ALIKE = 1e-6  # days
ROUNDING = 1e-9  # hours


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
    solution) are placed one by one, what saves most first, in the cheapest week (at the hours' prices) with room. For a
    visit that has to be made and finds none, another one is moved to a week with room, if that is worth it: where a
    week has hours for three visits, what is left of many weeks would do for none. What still finds no room is short of
    hours: it goes where its cost and the crowding are least.

    none: (n,) no visit is needed, so that `without` means no visit.
    crowding_price: what each hour costs for every usual week's worth of hours a week is over already. [d/h]
    Returns week (n,), NO_WEEK for no visit, and short (n,): placed beyond the hours there are.
    """
    n, weeks = cost.shape
    short = np.zeros(n, bool)
    if n == 0:
        return np.full(n, NO_WEEK, np.int64), short
    shares = staffing.share.tocoo()
    all_of_it = shares.data >= 1 - 1e-6
    week = np.full(n, NO_WEEK, np.int64)
    week[shares.row[all_of_it]] = shares.col[all_of_it]
    whole = week != NO_WEEK
    left_out = ~whole & (staffing.without >= 1 - 1e-6)
    room = available - np.bincount(week[whole], hours[whole], minlength=weeks)
    placed = _Placed(cost, without, hours, week, room)
    saved = (without - cost.min(axis=1)).round(6)
    split = np.flatnonzero(~whole & ~left_out)
    for i in _by(saved, split):
        fits = placed.fits(i)
        priced = cost[i] + staffing.hour_price * hours[i]
        # Its weeks cost alike, but for the last digits of the prices: the first of them, whoever worked these out.
        best = fits[np.argmax(priced[fits] <= priced[fits].min() + ALIKE)] if len(fits) else NO_WEEK
        if best != NO_WEEK and (not none[i] or priced[best] <= without[i] + 1e-6):
            placed.put(i, best)
        else:
            left_out[i] = True
    waiting = [i for i in _by(saved, np.flatnonzero(left_out & ~none)) if not placed.squeezed_in(i)]
    usual = max(float(available[np.isfinite(available)].mean()) if np.isfinite(available).any() else 0.0, 1.0)
    for i in waiting:
        crowded = cost[i] + hours[i] * crowding_price * np.maximum(-room, 0) / usual
        short[i] = True
        placed.put(i, int(np.argmin(crowded)))
    return week, short


def _by(saved: Array, installs: Ints) -> list[int]:
    """The installs, what saves most first."""
    return installs[np.lexsort((installs, -saved[installs]))].tolist()


@dataclass
class _Placed:
    """The week of each install so far, and the hours left; cost, without, hours, week: as in `whole_weeks`.

    room: (weeks,) [h]. moves: what the cheapest move of each install to another week with room costs, inf without, and
    that week; None where they have to be found anew.
    """

    cost: Array
    without: Array
    hours: Array
    week: Ints
    room: Array
    moves: tuple[Array, Ints] | None = None

    def fits(self, i: int) -> Ints:
        """Weeks that have room for an install's visit and are allowed."""
        return np.flatnonzero(np.isfinite(self.cost[i]) & (self.hours[i] <= self.room + ROUNDING))

    def put(self, i: int, week: int) -> None:
        if self.week[i] != NO_WEEK:
            self.room[self.week[i]] += self.hours[i]
        self.week[i] = week
        self.room[week] -= self.hours[i]
        self.moves = None

    def squeezed_in(self, i: int) -> bool:
        """Whether an install got hours, in a week with room or by moving one other to a week with room."""
        fits = self.fits(i)
        if len(fits):
            self.put(i, int(fits[np.argmin(self.cost[i, fits])]))
            return True
        if self.room.max() + ROUNDING < self.hours.min():
            return False
        moved, to = self.moves or self._cheapest_moves()
        here = np.maximum(self.week, 0)
        enough = (self.week != NO_WEEK) & (self.room[here] + self.hours + ROUNDING >= self.hours[i])
        cost = np.where(enough, self.cost[i, here] + moved, np.inf)
        other = int(np.argmin(cost))
        if not cost[other] < self.without[i] - ALIKE:
            return False
        its_week = int(self.week[other])
        self.put(other, int(to[other]))
        self.put(i, its_week)
        return True

    def _cheapest_moves(self) -> tuple[Array, Ints]:
        row = np.flatnonzero(self.week != NO_WEEK)
        here = self.week[row]
        other = np.where(self.room + ROUNDING >= self.hours[:, None], self.cost, np.inf)
        other[row, here] = np.inf
        to = other.argmin(axis=1)
        moved = np.full(len(to), np.inf)
        moved[row] = other[row, to[row]] - self.cost[row, here]
        self.moves = moved, to
        return self.moves
