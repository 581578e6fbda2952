"""Plan: one week for each install within its area's hours, what to do there, and what other rules would cost."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl

from models.minutes import VisitMinutes, fit_minutes
from models.renewal import FreshCycles, day_price, hour_price
from models.staffing import NO_WEEK, crowded_hours, solve_weeks, spread_level, whole_weeks
from models.tasks import VisitTasks, best_cleaning, write_tasks
from models.visit_weeks import WORKING_DAYS_SPAN, Windows, week_costs, windows
from pipeline.schema import SERIES
from pipeline.settings import Settings
from pipeline.stages.plan_inputs import MONTH_DAYS, Calendar, Fleet, read_capacity, read_fleet, week_calendar
from pipeline.stages.plan_rules import compare_rules, compare_tolerances
from pipeline.store import Store

COUNTED_ON = 3  # a visit counts as made in the middle of its week
SPREAD_HEADROOM = 1.15  # hours above the even level before an area without stated capacity pays for a peak
SPREAD_PRICE = 0.5  # of the price of an hour: what each further level's worth of hours in a week adds to it
TYPICAL_VISITS = 2_000  # visits the times of the kinds of cleaning are taken from
URGENT_CO = 10.0  # days that a day with CO out of range counts for: before all others where hours are short
URGENT_OUT = 1.0  # the same for other readings out of range, and up to twice that the farther out they are
PRICED_ON = 50_000  # installs the price of an hour is taken from

PAST_VISITS = """
    select v.minutes_on_site, v.purpose, v.exchanger_cleaning, v.trap_cleaned, v.media_renewed, v.electrodes_cleaned,
        v.burner_adjusted, i.model_no, m.base_visit_minutes, m.exchanger_cleaning_minutes, m.trap_cleaning_minutes
    from current_visits v join current_installs i using (install_no) join current_models m on m.model_no = i.model_no
    where v.minutes_on_site is not null order by v.visit_no
"""


@dataclass(frozen=True)
class AreaPlan:
    """week: (n,) of each install, NO_WEEK without; short: (n,); value: (weeks,) d/h or None without capacity."""

    week: np.ndarray
    short: np.ndarray
    value: np.ndarray | None
    bound_gap: float


def plan(store: Store, settings: Settings) -> None:
    """Write visit_plan, area_weeks, plan_technicians, media_weeks, and plan_minutes, _scenarios and _comparisons."""
    as_of = date.fromisoformat(str(store.fact("as_of")))
    levers, tolerance = settings.plan, settings.risk_tolerance
    calendar = week_calendar(as_of, levers)
    fleet = read_fleet(store, as_of, levers, tolerance)
    hours, minutes, tasks = planned_hours(store, fleet, settings)
    expected = 60 * hours - levers.travel_minutes
    price = _hour_price(fleet, hours, tolerance)
    capacity = read_capacity(store, calendar)

    n = fleet.frame.height
    week, value = np.full(n, NO_WEEK, np.int64), {}
    gap = 0.0
    split = areas(fleet)

    def planned_area(area: tuple[str, np.ndarray]) -> AreaPlan:
        return plan_area(fleet, area[1], hours[area[1]], price, calendar, settings, capacity.get(area[0]))

    # HiGHS lets go of the interpreter lock, so areas are solved side by side.
    with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:
        solved = list(pool.map(planned_area, split))
    for (area_id, rows), part in zip(split, solved, strict=True):
        week[rows] = part.week
        gap = max(gap, abs(part.bound_gap))
        if part.value is not None:
            value[area_id] = part.value
    p_planned = fleet.chances.at_each(np.where(week == NO_WEEK, 0, calendar.first_monday + 7 * week))
    p_interval = fleet.chances.at_each(np.clip(fleet.interval, 0, None))
    planned = np.array(calendar.mondays, "datetime64[D]")[np.maximum(week, 0)]
    names = np.array([s.indicator for s in SERIES] + [None], object)
    firings = np.array([s.firing for s in SERIES] + [None], object)
    made = pl.Series(week != NO_WEEK)
    visit_plan = fleet.frame.select("install_id", "area_id", "model_id", "due_on").with_columns(
        pl.Series("leading_indicator", names[fleet.lead].tolist(), dtype=pl.String),
        pl.when(made).then(pl.Series(planned.astype("datetime64[ms]")).cast(pl.Date)).alias("planned_week"),
        pl.Series("expected_minutes", np.round(expected, 1)),
        pl.when(made).then(pl.Series(np.round(p_planned, 6))).alias("p_out_at_planned"),
        pl.Series("p_out_at_interval", np.round(p_interval, 6)),
        pl.when(made).then(tasks.tasks).alias("tasks"),
        pl.when(made).then(tasks.take_along).alias("take_along"),
        fleet.frame["last_visit_on"],
        pl.Series("leading_firing", firings[fleet.lead].tolist(), dtype=pl.String),
        fleet.frame["interval_on"],
        fleet.frame["latest_on"],
        tasks.cleaning.alias("exchanger_cleaning"),
    )
    store.write("visit_plan", visit_plan)
    idle = [area for (area,) in store.rows("select area_id from current_areas order by area_id")]
    weeks_told = _area_weeks(fleet, idle, week, hours, calendar, capacity, value)
    store.write("area_weeks", weeks_told)
    store.write("plan_technicians", _technicians(weeks_told, calendar, levers.hours_per_day))
    store.write("media_weeks", _media_weeks(fleet, week, calendar))
    store.write("plan_minutes", _minutes_told(minutes, levers.travel_minutes))
    store.write("plan_scenarios", compare_tolerances(fleet, hours, calendar, settings))
    store.write("plan_comparisons", compare_rules(fleet, hours, price, calendar, settings, week))
    store.set_fact("plan_hour_price_days", f"{price:.4f}")
    store.set_fact("plan_bound_gap_days", f"{gap:.3g}")


def planned_hours(store: Store, fleet: Fleet, settings: Settings) -> tuple[np.ndarray, VisitMinutes, VisitTasks]:
    """Hours of each install's next visit, travel included, (n,) [h]; and what they come from."""
    travel = settings.plan.travel_minutes
    minutes = fit_minutes(store.frame(PAST_VISITS))
    kinds: dict[str, str] = {}
    if store.has("cleaning_effects") and fleet.frame.height:
        plain = _work(fleet, pl.lit("none")).gather_every(max(1, fleet.frame.height // TYPICAL_VISITS))
        effects = store.frame("select exchanger_design, indicator, kind, restored_share, cycles from cleaning_effects")
        kinds = best_cleaning(effects, minutes.of_cleaning(plain), float(minutes.predict(plain).mean()) + travel)
    tasks = _tasks(fleet, kinds)
    return (minutes.predict(_work(fleet, tasks.cleaning)) + travel) / 60, minutes, tasks


def areas(fleet: Fleet) -> list[tuple[str, np.ndarray]]:
    """Each area's id and the rows of its installs, by area_id."""
    number = fleet.frame["area_no"].to_numpy()
    order = np.argsort(number, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(number[order]) != 0]) if len(order) else np.zeros(0, int)
    groups = np.split(order, starts[1:]) if len(order) else []
    ids = fleet.frame["area_id"]
    return sorted((str(ids[int(rows[0])]), rows) for rows in groups)


def plan_area(
    fleet: Fleet,
    rows: np.ndarray,
    hours: np.ndarray,
    price: float,
    calendar: Calendar,
    settings: Settings,
    available: np.ndarray | None,
) -> AreaPlan:
    """Weeks of one area's installs. hours: (len(rows),) of a visit; available: (weeks,) or None: none stated. [h]"""
    tolerance = settings.risk_tolerance
    chances = fleet.sound.rows(rows)
    cycles = fleet.cycles(rows)
    waits = waiting(fleet, rows, cycles, settings)
    allowed = area_windows(fleet, rows, waits, calendar, settings)
    shortest = np.full(len(rows), settings.plan.shortest_interval_months * MONTH_DAYS)
    longest = fleet.length[rows] * settings.plan.longest_interval_factor
    day = day_price(cycles, price * hours, shortest, longest, tolerance)
    when = calendar.first_monday + 7.0 * np.arange(len(calendar.mondays)) + COUNTED_ON
    # Hours go where they avoid most each; with the urgency per hour, a long visit that is urgent is not put last.
    urgency = waits.urgency * hours / max(float(hours.mean()), 1e-9)
    costs = week_costs(chances, allowed, day, tolerance, when, waits.latest, urgency)
    if available is None:
        level = spread_level(hours, allowed.must, calendar.working_days, SPREAD_HEADROOM)
        more = crowded_hours(level, SPREAD_PRICE * price)
    else:
        level, more = available, None
    solved = solve_weeks(costs.cost, costs.without, hours, level, more)
    room = level if available is not None else np.full(len(when), np.inf)
    week, short = whole_weeks(solved, costs.cost, costs.without, hours, room, costs.none, price)
    return AreaPlan(week, short, solved.hour_price if available is not None else None, solved.bound_gap)


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


def waiting(fleet: Fleet, rows: np.ndarray, cycles: FreshCycles, settings: Settings) -> Waiting:
    """Latest dates: the interval, and the last day on which the chance is at or below the tolerance.

    A reading out of range does not wait for either: CO is seen in the first week, every other indicator within the
    catch-up weeks, the farthest out first. Where the whole model reads just outside a limit right after work, that
    limit is doubted: the visit falls in the catch-up weeks too, but gives way to others up to the latest date.
    """
    frame = fleet.frame[rows]
    tolerance = settings.risk_tolerance
    accepted = cycles.tolerated(tolerance)
    chance = fleet.sound.chance[rows, 0]
    # Above the tolerance, yet no more than what a visit is expected to leave: that chance is all there is to keep to.
    kept = np.where(chance > tolerance, accepted, tolerance)
    due = np.where(chance > kept, -1.0, cycles.age_at_chance(kept) - cycles.age)
    # The forecasts' own date holds too; it is of one series, in whole days.
    stated = frame.select((pl.col("due_on") - pl.lit(fleet.as_of)).dt.total_days().cast(pl.Float64)).to_series()
    day_stated = stated.fill_null(np.inf).to_numpy()
    bound = ~frame["limit_doubted"].to_numpy() & (due >= 0) & (day_stated > 0)
    due = np.where(bound, np.minimum(due, day_stated), due)
    latest = np.minimum(fleet.latest[rows], due)
    due = np.where((due < 0) & (day_stated > 0) & ~frame["limit_doubted"].to_numpy(), day_stated, due)
    out, unsafe = frame["at_once"].to_numpy(), frame["co_out"].to_numpy()
    above = frame["limit_doubted_out"].to_numpy() | (fleet.chances.chance[rows, 0] > tolerance)
    doubted = frame["limit_doubted"].to_numpy() & above & ~out & ~unsafe & (latest >= 0)
    farthest = np.minimum(frame["excess"].to_numpy(), 1.0)
    urgency = np.where(unsafe, URGENT_CO, np.where(out, URGENT_OUT * (1 + farthest), 0.0))
    spare = np.where(doubted, latest, np.nan)
    return Waiting(np.where(out | unsafe | doubted, -1.0, latest), due, urgency, spare)


def area_windows(fleet: Fleet, rows: np.ndarray, waits: Waiting, calendar: Calendar, settings: Settings) -> Windows:
    levers = settings.plan
    # CO that read out of range does not wait for hours: the first week, whatever its date.
    unsafe = fleet.frame["co_out"].to_numpy()[rows]
    allowed = windows(
        np.where(unsafe, 0.0, waits.latest),
        fleet.began[rows] + levers.shortest_interval_months * MONTH_DAYS,
        unsafe,
        calendar.first_monday,
        len(calendar.mondays),
        levers.catch_up_weeks,
        waits.spare,
    )
    # One date that has passed does not make a visit later than the other date, yet to come, would.
    due = np.where((waits.due >= 0) & np.isnan(waits.spare), waits.due, np.inf)
    until = np.minimum(due, np.where(fleet.latest[rows] >= 0, fleet.latest[rows], np.inf))
    until = np.floor((until - WORKING_DAYS_SPAN - calendar.first_monday) / 7)
    last = np.where(allowed.overdue, np.minimum(allowed.last, until), allowed.last)
    return replace(allowed, last=np.maximum(last, allowed.first).astype(np.int64))


def _tasks(fleet: Fleet, kinds: dict[str, str]) -> VisitTasks:
    frame = fleet.frame
    design = frame["exchanger_design"].fill_null("")
    kind = design.replace_strict(kinds, default="", return_dtype=pl.String) if kinds else pl.Series([""] * frame.height)
    return write_tasks(
        fleet.tasks_due,
        co_out=frame["co_out"].to_numpy(),
        co_likely_out=frame["co_likely_out"].to_numpy(),
        out_now=frame["out_now"].to_numpy(),
        limit_doubted=frame["limit_doubted"].to_numpy(),
        pressure_out=frame["pressure_out"].to_numpy(),
        material=frame["exchanger_material"].to_list(),
        kind=kind.to_list(),
        condensing=frame["condensing"].to_numpy(),
        media_kg=frame["media_kg"].cast(pl.Float64).fill_null(float("nan")).to_numpy(),
    )


def _work(fleet: Fleet, cleaning: pl.Series | pl.Expr) -> pl.DataFrame:
    due = fleet.tasks_due
    return fleet.frame.select(
        "model_no", "base_visit_minutes", "exchanger_cleaning_minutes", "trap_cleaning_minutes",
        pl.lit("annual").alias("purpose"),
        cleaning.alias("exchanger_cleaning"),
        pl.Series("trap_cleaned", due["trap"]), pl.Series("media_renewed", due["media"]),
        pl.Series("electrodes_cleaned", due["electrodes"]), pl.Series("burner_adjusted", due["burner"]),
    )  # fmt: skip


def _hour_price(fleet: Fleet, hours: np.ndarray, tolerance: float) -> float:
    n = len(hours)
    rows = np.unique(np.linspace(0, n - 1, min(n, PRICED_ON)).astype(np.int64)) if n else np.zeros(0, np.int64)
    return hour_price(fleet.cycles(rows), hours[rows], tolerance)


def _area_weeks(
    fleet: Fleet,
    every_area: list[str],
    week: np.ndarray,
    hours: np.ndarray,
    calendar: Calendar,
    capacity: dict[str, np.ndarray],
    value: dict[str, np.ndarray],
) -> pl.DataFrame:
    """One row per area and week; areas without installs are in it, with the hours they have."""
    weeks = len(calendar.mondays)
    rows_of = dict(areas(fleet))
    parts = [pl.DataFrame(schema=AREA_WEEKS)]
    for area_id in sorted({*every_area, *rows_of}):
        rows = rows_of.get(area_id, np.zeros(0, np.int64))
        made = rows[week[rows] != NO_WEEK]
        needed = np.bincount(week[made], hours[made], minlength=weeks).astype(float)
        given = capacity.get(area_id)
        short = None if given is None else np.maximum(needed - given, 0)
        worth = None if given is None else value.get(area_id, np.zeros(weeks))
        columns: dict[str, np.ndarray | list | None] = {
            "area_id": [area_id] * weeks,
            "week": calendar.mondays,
            "visits": np.bincount(week[made], minlength=weeks),
            "hours_needed": np.round(needed, 4),
            "hours_available": given,
            "hours_short": None if short is None else np.round(short, 4),
            "hour_value": None if worth is None else np.round(worth, 4),
        }
        parts.append(pl.DataFrame({
            name: pl.Series(name, [None] * weeks if column is None else column, dtype=AREA_WEEKS[name], strict=False)
            for name, column in columns.items()
        }))  # fmt: skip
    return pl.concat(parts)


def _technicians(area_weeks: pl.DataFrame, calendar: Calendar, hours_per_day: float) -> pl.DataFrame:
    """Technicians that each area and week needs, working whole weeks; null where no day is worked but hours are due."""
    days = pl.DataFrame({"week": calendar.mondays, "working_days": calendar.working_days.astype(np.int32)})
    each = pl.col("working_days") * hours_per_day
    needed = pl.when(pl.col("hours_needed") == 0).then(0.0).when(each > 0).then(pl.col("hours_needed") / each)
    return area_weeks.join(days, on="week", how="left", maintain_order="left").select(
        "area_id", "week", "working_days", needed.round(3).alias("technicians_needed")
    )


AREA_WEEKS = {
    "area_id": pl.String, "week": pl.Date, "visits": pl.Int32, "hours_needed": pl.Float64,
    "hours_available": pl.Float64, "hours_short": pl.Float64, "hour_value": pl.Float64,
}  # fmt: skip


def _media_weeks(fleet: Fleet, week: np.ndarray, calendar: Calendar) -> pl.DataFrame:
    kilograms = fleet.frame["media_kg"].cast(pl.Float64).fill_null(0.0).to_numpy()
    bring = fleet.tasks_due["media"] & (week != NO_WEEK) & (kilograms > 0)
    return (
        pl.DataFrame({
            "area_id": fleet.frame["area_id"].filter(pl.Series(bring)),
            "week": pl.Series([calendar.mondays[w] for w in week[bring]], dtype=pl.Date),
            "media_kg": kilograms[bring],
        })
        .group_by("area_id", "week").agg(pl.col("media_kg").sum().round(3)).sort("area_id", "week")
    )  # fmt: skip


def _minutes_told(minutes: VisitMinutes, travel: float) -> pl.DataFrame:
    def told(x: float) -> float | None:
        return round(x, 3) if np.isfinite(x) else None

    row = {
        "used": minutes.used,
        "visits": minutes.visits,
        "mae_minutes": told(minutes.mae),
        "mae_standard_minutes": told(minutes.mae_standard),
        "bias_minutes": told(minutes.bias),
        "travel_minutes": travel,
    }
    numbers = dict.fromkeys(("mae_minutes", "mae_standard_minutes", "bias_minutes", "travel_minutes"), pl.Float64)
    return pl.DataFrame([row], schema_overrides=numbers)
