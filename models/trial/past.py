"""What was known at a past day, and what was found after it: the ground of the rolling-origin test."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.arrays import Floats, Ints
from models.clock.counters import Clock, burner_clock
from models.clock.hours import Installs, LoadCalendar
from models.drift.cycle_sums import positions, rows_of
from models.drift.series import SeriesInputs, backward, forward
from models.drift.states import at_hand
from models.known.doubts import doubted_cycles, silent_visits, usual_work
from models.known.read_at import ReadAt

HORIZONS = {
    6: (1, 274),
    12: (274, 457),
}  # months ahead: days after the origin, up to nine months and from there to fifteen
LONG_AGO = -(2**40)  # a day or year that nobody knows


@dataclass(frozen=True)
class Counted:
    """The counters of a sample of installs.

    install_no: (n,) rising.   fleet: what the clock needs of each.   visit_no, at, day, counter: per visit, sorted by
    install, day and order; `at` is the place of the visit's install in install_no.
    """

    install_no: Ints
    fleet: Installs
    visit_no: Ints
    at: Ints
    day: Ints
    counter: Floats
    calendar: LoadCalendar
    start_day: Ints  # (n,) where a cycle of unknown start begins
    clocks: dict[int, Clock] = field(default_factory=dict, init=False, repr=False)  # by day, of all series alike

    def known_at(self, day: int) -> Clock:
        """The clock from the counters read until a day, remembered."""
        if day not in self.clocks:
            seen = self.day <= day
            self.clocks[day] = burner_clock(
                self.fleet, self.at[seen], self.day[seen], self.counter[seen], self.calendar, self.start_day
            )
        return self.clocks[day]

    def hours_by(self, day: int) -> Floats:
        """Burner hours at every visit by what was known at a day; nan after it, and once more at the end, for no
        visit."""
        hours = np.full(len(self.visit_no) + 1, np.nan)
        hours[:-1][self.day <= day] = self.known_at(day).clock
        return hours


@dataclass(frozen=True)
class History:
    """One series, all of it; what of it was known at a day is picked from its rows.

    inputs: readings sorted, with z, on the scale of the fit (null where there is none). cycles: as a fit wants them. Of
    readings, cycles and visits that leave work open, (n,) each: place of the install in inputs.installs (-1: none),
    place of the visit in the counters (of cycles, of that which opened them; -1: none), and the day from which they are
    known. installed_year: of the installs. row: of readings, their cycle's (-1: none). opened_by: of cycles, a place in
    works.
    """

    inputs: SeriesInputs
    cycles: pl.DataFrame
    counted: Counted
    installed_year: Ints
    reading_of: Ints
    reading_at: Ints
    reading_day: Ints
    row: Ints
    cycle_of: Ints
    cycle_at: Ints
    cycle_day: Ints
    opened_by: Ints
    works: list[str]
    unsaid: pl.DataFrame
    unsaid_at: Ints
    unsaid_day: Ints

    @classmethod
    def of(cls, inputs: SeriesInputs, counted: Counted) -> History:
        """inputs: with visit_no in readings, opened_visit_no (null: with the installation) in cycles, and the visits
        that leave work open, if any."""
        readings = inputs.readings.sort("install_no", "cycle_no", "day", "stage_order", "visit_no")
        z = forward(readings["value"].cast(pl.Float64).to_numpy(), inputs.transform)
        readings = readings.with_columns(z=pl.Series(z).fill_nan(None))
        ready = at_hand(inputs)
        cycles, installs = inputs.cycles, ready.installs
        unsaid = readings.select("install_no", "visit_no", "day").clear() if inputs.unsaid is None else inputs.unsaid
        year = np.full(len(installs), LONG_AGO)
        if "installed_year" in installs.columns:
            year = installs["installed_year"].cast(pl.Int64).fill_null(LONG_AGO).to_numpy()
        number = installs["install_no"].to_numpy()
        read, opened = (positions(number, rows["install_no"].to_numpy()) for rows in (readings, cycles))
        at, began, left_open = (
            positions(counted.visit_no, visits.fill_null(-1).to_numpy())
            for visits in (readings["visit_no"], cycles["opened_visit_no"], unsaid["visit_no"])
        )
        row = rows_of(cycles, readings["install_no"].to_numpy(), readings["cycle_no"].to_numpy())
        since = cycles["opened_day"].cast(pl.Int64).fill_null(LONG_AGO).to_numpy()
        works, kind = np.unique(cycles["opened_by"].cast(pl.String).fill_null("unknown").to_list(), return_inverse=True)
        inputs = replace(inputs, readings=readings, installs=installs, unsaid=unsaid)
        return cls(
            inputs, ready.cycles, counted, year, read, at, readings["day"].to_numpy(), row, opened, began, since, kind,
            works.tolist(), unsaid, left_open, unsaid["day"].to_numpy(),
        )  # fmt: skip


@dataclass(frozen=True)
class Origin:
    """One series as it stood at an origin, and the readings found later in the cycles then open.

    inputs: what was known, burner hours by the counters known then.   open: per install the open cycle (install_no,
    cycle_no, opened_by, opened_day, value_before, hours_open).   doubted: those that unrecorded work may have opened
    since, as `doubts.doubted_cycles`.   silent: visits to open cycles since their last reading, as
    `doubts.silent_visits`.   visits: all until then (install_no, visit_no, clock_h).   found: one row per install:
    install_no, months, day, z; the next as-found reading in the open cycle, and the horizon it falls into.
    """

    day: int
    inputs: SeriesInputs
    clock: Clock
    open: pl.DataFrame
    doubted: pl.DataFrame
    silent: pl.DataFrame
    visits: pl.DataFrame
    found: pl.DataFrame


def stand_at(day: int, past: History) -> Origin:
    """The origin at `day`."""
    inputs, counted, clock = past.inputs, past.counted, past.counted.known_at(day)
    hours = counted.hours_by(day)
    there = np.append(past.installed_year <= year_of(day), False)
    known = there[past.cycle_of] & (past.cycle_day <= day)
    install, cycle = (inputs.cycles[name].to_numpy() for name in ("install_no", "cycle_no"))
    place, began = positions(counted.install_no, install), hours[past.cycle_at]
    began = np.where(np.isnan(began), np.append(clock.start_hours, 0.0)[place], began)
    of_known = np.flatnonzero(known)
    newest = of_known[_firsts(install[of_known], -cycle[of_known])]
    newest = newest[place[newest] >= 0]
    now = clock.hours_at(counted.calendar, counted.fleet.area_no, np.full(len(counted.install_no), day))[place[newest]]
    still = inputs.cycles[newest].with_columns(
        now_h=pl.Series(now), hours_open=pl.Series(np.maximum(now - began[newest], 0.0))
    )
    clock_h = hours[past.unsaid_at]
    left_open = np.flatnonzero((past.unsaid_day <= day) & ~np.isnan(clock_h))
    unsaid = past.unsaid[left_open].with_columns(clock_h=pl.Series(clock_h[left_open]))
    read = np.flatnonzero(there[past.reading_of] & (past.reading_day <= day))
    readings = inputs.readings[read]
    works = np.bincount(past.opened_by[of_known], minlength=len(past.works))
    read_at = ReadAt.of(readings)
    doubted = doubted_cycles(still, unsaid, read_at, usual_work(past.works, works))
    visits = pl.DataFrame(
        {
            "install_no": counted.install_no[counted.at[counted.day <= day]].astype(install.dtype),
            "visit_no": counted.visit_no[counted.day <= day],
            "clock_h": clock.clock,
        }
    )
    silent = silent_visits(still, visits, unsaid, read_at)
    read_h = hours[past.reading_at[read]] - np.append(np.where(known, began, 0.0), 0.0)[past.row[read]]
    readings = readings.with_columns(hours=pl.Series(np.maximum(read_h, 0.0)))
    if not (timed := np.isfinite(read_h)).all():
        readings = readings.filter(pl.Series(timed))
    installs = inputs.installs if there[:-1].all() else inputs.installs.filter(pl.Series(there[:-1]))
    seen = replace(inputs, readings=readings, cycles=past.cycles[of_known], installs=installs, unsaid=unsaid)
    is_open = np.append(np.zeros(len(known), bool), False)
    is_open[newest] = True
    return Origin(day, seen, clock, still, doubted, silent, visits, _found(day, past, is_open[past.row]))


def year_of(day: int) -> int:
    """Calendar year of a day since 1970-01-01."""
    return date.fromordinal(date(1970, 1, 1).toordinal() + int(day)).year


def _firsts(install: NDArray, *then: NDArray) -> Ints:
    """Place of each install's first row in the order of `then`; installs rising."""
    order = np.lexsort((*then[::-1], install))
    return order[np.unique(install[order], return_index=True)[1]]


def _found(day: int, past: History, in_open: NDArray[np.bool_]) -> pl.DataFrame:
    """`Origin.found`. in_open: whether each reading is of a cycle that was still open."""
    install, read, visit, stage = (
        past.inputs.readings[name].to_numpy() for name in ("install_no", "day", "visit_no", "stage_order")
    )
    later = np.flatnonzero((read > day) & (stage == 0) & in_open)
    # The next reading only: one after it would be of the installs whose next was good enough to leave alone.
    following = later[_firsts(install[later], read[later], visit[later])]
    months = np.zeros(len(following), np.int32)
    for horizon, (low, high) in HORIZONS.items():
        months[(read[following] >= day + low) & (read[following] < day + high)] = horizon
    z = past.inputs.readings["z"].to_numpy()[following]
    kept = np.flatnonzero((months > 0) & ~np.isnan(z))
    following = following[kept]
    return pl.DataFrame(
        {"install_no": install[following], "months": months[kept], "day": read[following], "z": z[kept]}
    )


STEPS = (5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)


def reading_step(values: Floats) -> float | None:
    """The step in which readings are written down: the coarsest of which nearly all are multiples; None: none."""
    some = values[np.isfinite(values)][:5000]
    for step in STEPS:
        if len(some) and (np.abs(some / step - np.round(some / step)) < 1e-3).mean() > 0.95:
            return step
    return None


def reading_edges(low: Floats, high: Floats, inputs: SeriesInputs) -> tuple[Floats, Floats]:
    """Where on the scale of the fit a reading begins to be written down as out of range.

    A reading of 5.0 is not below 5.0: with readings to a tenth the true edge lies at 4.95. Without a step, the range.
    """
    step = reading_step(inputs.readings["value"].cast(pl.Float64).to_numpy())
    if step is None:
        return low, high
    own_low, own_high = (backward(np.clip(x, -700, 700), inputs.transform) for x in (low, high))
    edge_low = (np.ceil(own_low / step - 1e-6) - 0.5) * step
    edge_high = (np.floor(own_high / step + 1e-6) + 0.5) * step
    with np.errstate(invalid="ignore"):
        out_low = np.where(np.isfinite(low), forward(edge_low, inputs.transform), low)
        out_high = np.where(np.isfinite(high), forward(edge_high, inputs.transform), high)
    return np.where(np.isnan(out_low), -np.inf, out_low), out_high


def features(
    origin: Origin, counted: Counted, low: Floats, high: Floats, edges: tuple[Floats, Floats]
) -> tuple[pl.DataFrame, NDArray[np.bool_]]:
    """What any forecaster may use, one row per found reading, and whether that reading was out of range.

    low, high: the range on the scale of the fit, -inf and inf where open, in the order of counted.install_no.
    edges: of `reading_edges`.
    """
    inputs, found, still = origin.inputs, origin.found, origin.open
    install, day = (found[name].to_numpy() for name in ("install_no", "day"))
    at = np.searchsorted(counted.install_no, install)
    of_cycle = positions(still["install_no"].to_numpy(), install)
    area = counted.fleet.area_no[at]
    ahead = counted.calendar.years(area, day) - counted.calendar.years(area, np.array(origin.day))
    ahead, per_year = np.maximum(ahead, 0.0), origin.clock.hours_per_year[at]
    own = {name: values[of_cycle] for name, values in _own_readings(inputs.readings, still).items()}
    szh, shh = own.pop("szh"), own.pop("shh")
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where((own["count"] > 1) & (shh > 0.01), szh / shh, np.nan)
    open_h = still["hours_open"].to_numpy()[of_cycle]
    before = still["value_before"].cast(pl.Float64).to_numpy()[of_cycle]
    computed = pl.DataFrame(
        {
            "at": at, "load_ahead": ahead, "low": low[at], "high": high[at], "edge_low": edges[0][at],
            "edge_high": edges[1][at], "per_year": per_year, "days_ahead": day - origin.day, "hours_open": open_h,
            **own, "before_z": forward(before, inputs.transform), "then_h": (open_h + per_year * ahead) / 1000,
            "slope": slope, "since": origin.day - own["last_day"], "gap_high": high[at] - own["last_z"],
            "gap_low": own["last_z"] - low[at],
        }
    )  # fmt: skip
    of_install = positions(inputs.installs["install_no"].to_numpy(), install)
    about = inputs.installs.drop("install_no")[of_install]
    frame = pl.concat([found, still[of_cycle].select("opened_by"), computed, about], how="horizontal").with_columns(
        age=pl.lit(origin.day) / 365.25 + 1970 - pl.col("installed_year")
        if "installed_year" in about.columns
        else pl.lit(None, pl.Float64)
    )
    z = found["z"].to_numpy()
    return frame, (z > high[at]) | (z < low[at])


def _own_readings(readings: pl.DataFrame, still: pl.DataFrame) -> dict[str, Floats]:
    """Of each open cycle what its readings tell, nan where it has none: last_z, last_h, last_day, first_z, count, means
    and sums of squares and products (szh, shh) of z and hours; hours in 1,000 h."""
    columns = ("install_no", "cycle_no", "z", "hours", "day")
    install, cycle, z, hours, day = (readings[name].to_numpy() for name in columns)
    of = rows_of(still, install, cycle)
    here = np.flatnonzero((of >= 0) & ~np.isnan(z))
    of, z, hours, day = of[here], z[here], hours[here], day[here]
    names = ("last_z", "last_h", "last_day", "first_z", "count", "mean_z", "mean_h", "szh", "shh")
    told = dict(zip(names, np.full((len(names), len(still)), np.nan), strict=True))
    if not len(here):
        return told
    start = np.flatnonzero(np.append(True, of[1:] != of[:-1]))
    last = np.append(start[1:], len(of)) - 1
    count = last - start + 1
    mean_z, mean_h = (np.add.reduceat(x, start) / count for x in (z, hours))
    off_z, off_h = z - np.repeat(mean_z, count), hours - np.repeat(mean_h, count)
    values = (
        z[last], hours[last] / 1000, day[last], z[start], count, mean_z, mean_h / 1000,
        np.add.reduceat(off_z * off_h, start) / 1000, np.add.reduceat(off_h**2, start) / 1e6,
    )  # fmt: skip
    for name, of_cycles in zip(names, values, strict=True):
        told[name][of[start]] = of_cycles
    return told
