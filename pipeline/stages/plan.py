"""Plan: one week for each install within its area's hours, what to do there, and what other rules would cost."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from models.minutes import VisitMinutes, fit_minutes
from models.renewal import day_price, hour_price
from models.staffing import NO_WEEK, crowded_hours, solve_weeks, spread_level, whole_weeks
from models.tasks import VisitTasks, best_cleaning, write_tasks
from models.visit_weeks import Windows, week_costs, windows
from pipeline.schema import SERIES
from pipeline.settings import Settings
from pipeline.stages.plan_inputs import MONTH_DAYS, Calendar, Fleet, read_capacity, read_fleet, week_calendar
from pipeline.stages.plan_rules import compare_rules, compare_tolerances
from pipeline.store import Store

COUNTED_ON = 3  # a visit counts as made in the middle of its week
SPREAD_HEADROOM = 1.15  # hours above the even level before an area without stated capacity pays for a peak
SPREAD_PRICE = 0.5  # of the price of an hour: what each further level's worth of hours in a week adds to it
TYPICAL_VISITS = 2_000  # visits the times of the kinds of cleaning are taken from
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
    """Write visit_plan, area_weeks, media_weeks, plan_minutes, plan_scenarios and plan_comparisons."""
    as_of = date.fromisoformat(str(store.fact("as_of")))
    levers, tolerance = settings.plan, settings.risk_tolerance
    calendar = week_calendar(as_of, levers)
    fleet = read_fleet(store, as_of, levers, tolerance)
    hours, minutes, tasks = planned_hours(store, fleet, settings)
    expected = 60 * hours - levers.travel_minutes
    price = _hour_price(fleet, hours, tolerance)
    capacity = read_capacity(store, calendar.mondays)

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
    store.write("area_weeks", _area_weeks(fleet, idle, week, hours, calendar, capacity, value))
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
    chances = fleet.chances.rows(rows)
    cycles = fleet.cycles(rows)
    at_once = chances.chance[:, 0] > cycles.tolerated(tolerance)
    allowed = area_windows(fleet, rows, at_once, calendar, settings)
    shortest = np.full(len(rows), settings.plan.shortest_interval_months * MONTH_DAYS)
    longest = fleet.length[rows] * settings.plan.longest_interval_factor
    held = tolerance if settings.plan.keep_to_tolerance else None
    day = day_price(cycles, price * hours, shortest, longest, held)
    when = calendar.first_monday + 7.0 * np.arange(len(calendar.mondays)) + COUNTED_ON
    costs = week_costs(chances, allowed, day, tolerance, when, fleet.latest[rows])
    if available is None:
        level = spread_level(hours, allowed.must, calendar.working_days, SPREAD_HEADROOM)
        more = crowded_hours(level, SPREAD_PRICE * price)
    else:
        level, more = available, None
    solved = solve_weeks(costs.cost, costs.without, hours, level, more)
    room = level if available is not None else np.full(len(when), np.inf)
    week, short = whole_weeks(solved, costs.cost, costs.without, hours, room, costs.none, price)
    return AreaPlan(week, short, solved.hour_price if available is not None else None, solved.bound_gap)


def area_windows(
    fleet: Fleet, rows: np.ndarray, at_once: np.ndarray, calendar: Calendar, settings: Settings
) -> Windows:
    levers = settings.plan
    # CO that read out of range does not wait for hours: the first week, whatever its date.
    unsafe = fleet.frame["co_out"].to_numpy()[rows]
    return windows(
        np.where(unsafe, 0.0, fleet.latest[rows]),
        fleet.began[rows] + levers.shortest_interval_months * MONTH_DAYS,
        at_once | unsafe,
        calendar.first_monday,
        len(calendar.mondays),
        levers.catch_up_weeks,
    )


def _tasks(fleet: Fleet, kinds: dict[str, str]) -> VisitTasks:
    frame = fleet.frame
    design = frame["exchanger_design"].fill_null("")
    kind = design.replace_strict(kinds, default="", return_dtype=pl.String) if kinds else pl.Series([""] * frame.height)
    return write_tasks(
        fleet.tasks_due,
        co_out=frame["co_out"].to_numpy(),
        co_likely_out=frame["co_likely_out"].to_numpy(),
        out_now=frame["out_now"].to_numpy(),
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
