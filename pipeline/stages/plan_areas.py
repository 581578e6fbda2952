"""The weeks of one area: everything they depend on as one piece of work, which may be done in any process."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.plan.renewal import FreshCycles, day_price
from models.plan.staffing import MoreHours, crowded_hours, solve_weeks, spread_level
from models.plan.visit_weeks import Chances, Windows, week_costs, windows
from models.plan.whole_weeks import whole_weeks
from pipeline.settings import Settings
from pipeline.stages.plan_inputs import MONTH_DAYS, Calendar, Fleet, known_throughout

COUNTED_ON = 3  # a visit counts as made in the middle of its week
SPREAD_HEADROOM = 1.15  # hours above the even level before an area without stated capacity pays for a peak
SPREAD_PRICE = 0.5  # of the price of an hour: what each further level's worth of hours in a week adds to it
URGENT_CO = 10.0  # days that a day with CO out of range counts for: before all others where hours are short
URGENT_OUT = 1.0  # the same for other readings out of range, and up to twice that the farther out they are
FEWEST = 2_000  # installs in a piece of work: smaller areas go out together


@dataclass(frozen=True)
class Terms:
    """What holds for every area. price: days that an hour is worth [d/h]."""

    price: float
    calendar: Calendar
    settings: Settings


@dataclass(frozen=True)
class Area:
    """One area's installs, (n,) or (n, k) arrays. Days count from as_of.

    sound, latest, began, length, begins_out: as in Fleet. hours: of a visit, travel included [h].
    chance_now: of any series; stated: the forecasts' own due date, inf without [d].
    at_once, co_out, doubted, doubted_out, excess: what the readings say, as in plan_readings.
    available: (weeks,) hours, nan where not known; None where none are stated [h].
    """

    sound: Chances
    latest: np.ndarray
    began: np.ndarray
    length: np.ndarray
    begins_out: np.ndarray
    hours: np.ndarray
    chance_now: np.ndarray
    stated: np.ndarray
    at_once: np.ndarray
    co_out: np.ndarray
    doubted: np.ndarray
    doubted_out: np.ndarray
    excess: np.ndarray
    available: np.ndarray | None

    @classmethod
    def of(cls, fleet: Fleet, rows: np.ndarray, hours: np.ndarray, available: np.ndarray | None) -> Area:
        """The installs in some rows of the fleet. hours: of all its installs."""
        frame = fleet.frame[rows]
        stated = frame.select((pl.col("due_on") - pl.lit(fleet.as_of)).dt.total_days().cast(pl.Float64)).to_series()

        def told(column: str) -> np.ndarray:
            return frame[column].to_numpy()

        return cls(
            fleet.sound.rows(rows), fleet.latest[rows], fleet.began[rows], fleet.length[rows], fleet.begins_out[rows],
            hours[rows], fleet.chances.chance[rows, 0], stated.fill_null(np.inf).to_numpy(), told("at_once"),
            told("co_out"), told("limit_doubted"), told("limit_doubted_out"), told("excess"), available,
        )  # fmt: skip

    def cycles(self) -> FreshCycles:
        """Cycles from their start."""
        return FreshCycles.of(self.sound, -self.began, self.begins_out)


@dataclass(frozen=True)
class AreaPlan:
    """week: (n,) of each install, NO_WEEK without; short: (n,); value: (weeks,) d/h or None where hours of some
    week are not known."""

    week: np.ndarray
    short: np.ndarray
    value: np.ndarray | None
    bound_gap: float


def areas(fleet: Fleet) -> list[tuple[str, np.ndarray]]:
    """Each area's id and the rows of its installs, by area_id."""
    number = fleet.frame["area_no"].to_numpy()
    order = np.argsort(number, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(number[order]) != 0]) if len(order) else np.zeros(0, int)
    groups = np.split(order, starts[1:]) if len(order) else []
    ids = fleet.frame["area_id"]
    return sorted((str(ids[int(rows[0])]), rows) for rows in groups)


def pieces_of(parts: Sequence[Area], terms: Terms) -> list[tuple[list[Area], Terms]]:
    """Areas in their order, so many to a piece that none is too small to be worth sending."""
    pieces: list[tuple[list[Area], Terms]] = []
    room = 0
    for area in parts:
        if room <= 0:
            pieces.append(([], terms))
            room = FEWEST
        pieces[-1][0].append(area)
        room -= len(area.hours)
    return pieces


def plan_areas(piece: tuple[list[Area], Terms]) -> list[AreaPlan]:
    """The weeks of each area in a piece."""
    parts, terms = piece
    return [plan_area(area, terms) for area in parts]


def plan_area(area: Area, terms: Terms) -> AreaPlan:
    """Weeks of one area's installs."""
    settings, calendar, hours, available = terms.settings, terms.calendar, area.hours, area.available
    tolerance = settings.risk_tolerance
    cycles = area.cycles()
    waits = waiting(area, cycles, settings)
    allowed = area_windows(area, waits, calendar, settings)
    shortest = np.full(len(hours), settings.plan.shortest_interval_months * MONTH_DAYS)
    longest = area.length * settings.plan.longest_interval_factor
    day = day_price(cycles, terms.price * hours, shortest, longest, tolerance)
    when = calendar.first_monday + 7.0 * np.arange(len(calendar.mondays)) + COUNTED_ON
    # Hours go where they avoid most each; with the urgency per hour, a long visit that is urgent is not put last.
    urgency = waits.urgency * hours / max(float(hours.mean()), 1e-9)
    costs = week_costs(area.sound, allowed, day, tolerance, when, waits.latest, urgency)
    if stated := known_throughout(available):
        level, more, room = available, None, available
    else:
        level, more, room = unstated(area, allowed, terms)
    solved = solve_weeks(costs.cost, costs.without, hours, level, more)
    week, short = whole_weeks(solved, costs.cost, costs.without, hours, room, costs.none, terms.price)
    return AreaPlan(week, short, solved.hour_price if stated else None, solved.bound_gap)


def unstated(area: Area, allowed: Windows, terms: Terms) -> tuple[np.ndarray, MoreHours, np.ndarray]:
    """Hours spread evenly over the weeks that are not closed, dearer ones above these, and the room of each week."""
    closed = np.zeros(len(terms.calendar.mondays), bool) if area.available is None else area.available == 0
    days = np.where(closed, 0.0, terms.calendar.working_days)
    level = np.where(closed, 0.0, spread_level(area.hours, allowed.must, days, SPREAD_HEADROOM))
    more = crowded_hours(level, SPREAD_PRICE * terms.price)
    return level, replace(more, hours=np.where(closed, 0.0, more.hours)), np.where(closed, 0.0, np.inf)


@dataclass(frozen=True)
class Waiting:
    """How long installs may wait, in days after as_of.

    latest: (n,) by the interval and by the tolerance; below 0 where it has passed or a reading is out of range.
    due: (n,) by the tolerance alone.
    urgency: (n,) out-of-range days that each day of waiting counts for besides the expected ones, for a usual visit.
    spare: (n,) days up to which those that are out of range by a doubted limit alone may give way to others; nan for
    all others.
    """

    latest: np.ndarray
    due: np.ndarray
    urgency: np.ndarray
    spare: np.ndarray


def waiting(area: Area, cycles: FreshCycles, settings: Settings) -> Waiting:
    """Latest dates: the interval, and the last day on which the chance is at or below the tolerance.

    A reading out of range does not wait for either: CO is seen in the first week, every other indicator within the
    catch-up weeks, the farthest out first. Where the whole model reads just outside a limit right after work, that
    limit is doubted: the visit falls in the catch-up weeks too, but gives way to others up to the latest date.
    """
    tolerance = settings.risk_tolerance
    accepted = cycles.tolerated(tolerance)
    chance = area.sound.chance[:, 0]
    # Above the tolerance, yet no more than what a visit is expected to leave: that chance is all there is to keep to.
    kept = np.where(chance > tolerance, accepted, tolerance)
    due = np.where(chance > kept, -1.0, area.sound.day_reached(kept))
    # The forecasts' own date holds too; it is of one series, in whole days.
    bound = ~area.doubted & (due >= 0) & (area.stated > 0)
    due = np.where(bound, np.minimum(due, area.stated), due)
    latest = np.minimum(area.latest, due)
    due = np.where((due < 0) & (area.stated > 0) & ~area.doubted, area.stated, due)
    out, unsafe = area.at_once, area.co_out
    above = area.doubted_out | (area.chance_now > tolerance)
    doubted = area.doubted & above & ~out & ~unsafe & (latest >= 0)
    farthest = np.minimum(area.excess, 1.0)
    urgency = np.where(unsafe, URGENT_CO, np.where(out, URGENT_OUT * (1 + farthest), 0.0))
    spare = np.where(doubted, latest, np.nan)
    return Waiting(np.where(out | unsafe | doubted, -1.0, latest), due, urgency, spare)


def area_windows(area: Area, waits: Waiting, calendar: Calendar, settings: Settings) -> Windows:
    levers = settings.plan
    # CO that read out of range does not wait for hours: the first week, whatever its date.
    unsafe = area.co_out
    allowed = windows(
        np.where(unsafe, 0.0, waits.latest),
        area.began + levers.shortest_interval_months * MONTH_DAYS,
        unsafe,
        calendar.first_monday,
        len(calendar.mondays),
        levers.catch_up_weeks,
        waits.spare,
        calendar.last_worked,
    )
    # One date that has passed does not make a visit later than the other date, yet to come, would.
    due = np.where((waits.due >= 0) & np.isnan(waits.spare), waits.due, np.inf)
    until = np.minimum(due, np.where(area.latest >= 0, area.latest, np.inf))
    until = np.floor((until - calendar.last_worked - calendar.first_monday) / 7)
    last = np.where(allowed.overdue, np.minimum(allowed.last, until), allowed.last)
    return replace(allowed, last=np.maximum(last, allowed.first).astype(np.int64))
