"""Burner hours and dates: how an area's heating load spreads a year's burner hours over its days.

Days are counted from 1970-01-01. A *load year* is the stretch of time in which an appliance burns one year's hours:
an area's cumulated load at a day, the year number plus the shares of the months gone. Burner hours between two days
are hours per year times the difference in load years.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from datetime import date

import numpy as np
from numpy.typing import NDArray

from models.arrays import Floats, Ints

FIRST_DAY = int(np.datetime64("1900-01-01", "D").astype(np.int64))
LAST_DAY = int(np.datetime64("2200-01-01", "D").astype(np.int64))


@dataclass(frozen=True)
class Installs:
    """What the clock needs of each install; every array has shape (installs,).

    model_no, design_no, area_no: numbers from 0.   installed_day: days from 1970-01-01.
    stated_hours: burner hours per year as estimated by whoever keeps the records; nan where there is none.
    """

    model_no: Ints
    design_no: Ints
    area_no: Ints
    installed_day: Ints
    stated_hours: Floats

    def some(self, first: int, end: int) -> Installs:
        """Those from the first on up to the end."""
        return Installs(*(getattr(self, of.name)[first:end] for of in fields(self)))


def day_number(on: date) -> int:
    """Days from 1970-01-01 to `on`."""
    return int(np.datetime64(on, "D").astype(np.int64))


def first_of_months(after_day: int, months: int) -> Ints:
    """The first `months` firsts of the month after `after_day`, as day numbers; shape (months,)."""
    month = np.datetime64(after_day, "D").astype("datetime64[M]")
    return (month + 1 + np.arange(months)).astype("datetime64[D]").astype(np.int64)


def add_months(day: Ints, months: Ints) -> Ints:
    """The day `months` calendar months later, the day of the month kept where that month has it (else its last)."""
    on = np.asarray(day, np.int64).astype("datetime64[D]")
    month = on.astype("datetime64[M]")
    in_month = (on - month.astype("datetime64[D]")).astype(np.int64)
    target = month + np.asarray(months, np.int64)
    length = ((target + 1).astype("datetime64[D]") - target.astype("datetime64[D]")).astype(np.int64)
    return target.astype("datetime64[D]").astype(np.int64) + np.minimum(in_month, length - 1)


@dataclass(frozen=True)
class LoadCalendar:
    """Each area's load through the calendar.

    load: share of the year's burner hours per month, shape (areas, 12); rows sum to 1 and are renormalised here.
    """

    load: Floats
    _before: Floats = field(init=False, repr=False)
    _year: NDArray[np.int32] = field(init=False, repr=False)
    _month: NDArray[np.int8] = field(init=False, repr=False)
    _part: NDArray[np.float64] = field(init=False, repr=False)
    _month_starts: Ints = field(init=False, repr=False)

    def __post_init__(self) -> None:
        load = np.atleast_2d(np.asarray(self.load, float))
        if load.shape[1] != 12 or not np.isfinite(load).all() or (load < 0).any() or (load.sum(axis=1) <= 0).any():
            raise ValueError(
                f"load has shape {load.shape} and a least value of {load.min() if load.size else None}; each area "
                "needs 12 monthly shares, none negative and not all zero. Give the shares of the year's burner hours."
            )
        load = load / load.sum(axis=1, keepdims=True)
        days = np.arange(FIRST_DAY, LAST_DAY + 1).astype("datetime64[D]")
        months = days.astype("datetime64[M]")
        years = days.astype("datetime64[Y]")
        start = months.astype("datetime64[D]")
        length = ((months + 1).astype("datetime64[D]") - start).astype(np.int64)
        put = object.__setattr__
        put(self, "load", load)
        put(self, "_before", np.concatenate([np.zeros((len(load), 1)), np.cumsum(load, axis=1)[:, :-1]], axis=1))
        put(self, "_year", years.astype(np.int64).astype(np.int32))
        put(self, "_month", (months - years.astype("datetime64[M]")).astype(np.int64).astype(np.int8))
        put(self, "_part", (days - start).astype(np.int64) / length)
        first = np.datetime64("1900-01", "M")
        put(self, "_month_starts", (first + np.arange(300 * 12 + 1)).astype("datetime64[D]").astype(np.int64))

    def years(self, area_no: Ints, day: Ints) -> Floats:
        """Load years from 1970-01-01 to the start of `day`; `area_no` and `day` broadcast."""
        at = np.clip(np.asarray(day, np.int64), FIRST_DAY, LAST_DAY) - FIRST_DAY
        month = self._month[at]
        return self._year[at] + (self._before[area_no, month] + self.load[area_no, month] * self._part[at])

    def last_day(self, area_no: Ints, years: Floats) -> Ints:
        """The last day whose `years` is at or below the given load years (shape of `years`)."""
        area_no, years = np.broadcast_arrays(np.asarray(area_no, np.int64), np.asarray(years, float))
        low, high = FIRST_DAY, LAST_DAY
        years = np.clip(years, self._year[0], self._year[-1])
        whole = np.floor(years)
        rest = years - whole
        month = (self._before[area_no] <= rest[..., None]).sum(axis=-1) - 1
        share = self.load[area_no, month]
        part = np.divide(rest - self._before[area_no, month], share, out=np.zeros_like(rest), where=share > 0)
        at = (whole.astype(np.int64) + 70) * 12 + month
        start, end = self._month_starts[at], self._month_starts[np.minimum(at + 1, len(self._month_starts) - 1)]
        day = np.clip(start + np.floor(np.clip(part, 0, 1) * (end - start)).astype(np.int64), low, high)
        # Rounding may put the day one off, and a stretch without load holds many days of one value.
        shape, area, day, years = day.shape, area_no.ravel(), day.ravel().copy(), years.ravel()
        for step in (-1, 1):
            todo = np.arange(day.size)
            while todo.size:
                beyond = np.clip(day[todo] + max(step, 0), low, high)
                above = self.years(area[todo], beyond) > years[todo]
                todo = todo[(above if step < 0 else ~above) & (beyond > low) & (beyond < high)]
                day[todo] += step
        return day.reshape(shape)
