"""Plan: one week for each install within its area's hours, what to do there, and what other rules would cost."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl

from models.plan.minutes import LONGEST, MOST_VISITS, SHORTEST, VisitMinutes, fit_minutes
from models.plan.renewal import hour_price
from models.plan.tasks import VisitTasks, best_cleaning, write_tasks
from models.plan.whole_weeks import NO_WEEK
from pipeline.schema import SERIES
from pipeline.settings import Settings
from pipeline.stages.plan_areas import Area, Terms, areas, pieces_of, plan_areas
from pipeline.stages.plan_inputs import Calendar, Fleet, known_throughout, read_capacity, read_fleet, week_calendar
from pipeline.stages.plan_rules import compare_rules, compare_tolerances
from pipeline.stages.side_by_side import Mapper, side_by_side
from pipeline.store import Store

TYPICAL_VISITS = 2_000  # visits the times of the kinds of cleaning are taken from
PRICED_ON = 50_000  # installs the price of an hour is taken from

PAST_VISITS = """
    select v.minutes_on_site, v.purpose, v.exchanger_cleaning, v.trap_cleaned, v.media_renewed, v.electrodes_cleaned,
        v.burner_adjusted, i.model_no, m.base_visit_minutes, m.exchanger_cleaning_minutes, m.trap_cleaning_minutes
    from {visits} v join current_installs i using (install_no) join current_models m on m.model_no = i.model_no
    where v.minutes_on_site is not null order by v.visit_no
"""
TIMED = "select visit_no from current_visits where minutes_on_site between ? and ?"


def plan(store: Store, settings: Settings, mapper: Mapper = side_by_side) -> None:
    """Write visit_plan, area_weeks, plan_technicians, media_weeks, and plan_minutes, _scenarios and _comparisons.

    mapper: gets the areas' weeks done, wherever that is.
    """
    as_of = date.fromisoformat(str(store.fact("as_of")))
    levers, tolerance = settings.plan, settings.risk_tolerance
    calendar = week_calendar(as_of, levers)
    fleet = read_fleet(store, as_of, levers, tolerance)
    hours, minutes, tasks = planned_hours(store, fleet, settings)
    expected = 60 * hours - levers.travel_minutes
    price = _hour_price(fleet, hours, tolerance)
    capacity = read_capacity(store, calendar)

    week, value, gap = _weeks(fleet, hours, capacity, Terms(price, calendar, settings), mapper)
    p_planned = fleet.chances.at_each(np.where(week == NO_WEEK, 0, calendar.first_monday + 7 * week))
    p_interval = fleet.chances.at_each(np.clip(fleet.interval, 0, None))
    planned = np.array(calendar.mondays, "datetime64[D]")[np.maximum(week, 0)]
    lead = pl.Series(np.where(fleet.lead < 0, len(SERIES), fleet.lead))
    names, firings = (pl.Series([getattr(s, told) for s in SERIES] + [None]) for told in ("indicator", "firing"))
    made, foreseen = pl.Series(week != NO_WEEK), fleet.frame["foreseen"]
    visit_plan = fleet.frame.select("install_id", "area_id", "model_id", "due_on").with_columns(
        names.gather(lead).alias("leading_indicator"),
        pl.when(made).then(pl.Series(planned.astype("datetime64[ms]")).cast(pl.Date)).alias("planned_week"),
        pl.Series("expected_minutes", np.round(expected, 1)),
        pl.when(made & foreseen).then(pl.Series(np.round(p_planned, 6))).alias("p_out_at_planned"),
        pl.when(foreseen).then(pl.Series(np.round(p_interval, 6))).alias("p_out_at_interval"),
        # few texts, each on thousands of visits
        pl.when(made).then(tasks.tasks).cast(pl.Categorical).alias("tasks"),
        pl.when(made).then(tasks.take_along).cast(pl.Categorical).alias("take_along"),
        fleet.frame["last_visit_on"],
        firings.gather(lead).alias("leading_firing"),
        fleet.frame["interval_on"],
        fleet.frame["latest_on"],
        tasks.cleaning.alias("exchanger_cleaning"),
        fleet.frame["install_no"],
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


def _weeks(
    fleet: Fleet, hours: np.ndarray, capacity: dict[str, np.ndarray], terms: Terms, mapper: Mapper
) -> tuple[np.ndarray, dict[str, np.ndarray], float]:
    """The week of each install, NO_WEEK without; what an hour is worth by area and week; the largest gap of a bound."""
    week = np.full(fleet.frame.height, NO_WEEK, np.int64)
    value: dict[str, np.ndarray] = {}
    gap = 0.0
    split = areas(fleet)
    parts = [Area.of(fleet, rows, hours, capacity.get(area_id)) for area_id, rows in split]
    solved = mapper(plan_areas, pieces_of(parts, terms))
    for (area_id, rows), part in zip(split, (part for piece in solved for part in piece), strict=True):
        week[rows] = part.week
        gap = max(gap, abs(part.bound_gap))
        if part.value is not None:
            value[area_id] = part.value
    return week, value, gap


def planned_hours(store: Store, fleet: Fleet, settings: Settings) -> tuple[np.ndarray, VisitMinutes, VisitTasks]:
    """Hours of each install's next visit, travel included, (n,) [h]; and what they come from."""
    travel = settings.plan.travel_minutes
    minutes = fit_minutes(_past_visits(store))
    kinds: dict[str, str] = {}
    if store.has("cleaning_effects") and fleet.frame.height:
        plain = _work(fleet, pl.lit("none")).gather_every(max(1, fleet.frame.height // TYPICAL_VISITS))
        effects = store.frame("select exchanger_design, indicator, kind, restored_share, cycles from cleaning_effects")
        kinds = best_cleaning(effects, minutes.of_cleaning(plain), float(minutes.predict(plain).mean()) + travel)
    tasks = _tasks(fleet, kinds)
    # as published: the plan adds up, and digits that differ between machines move no visit between equal weeks
    expected = np.round(minutes.predict(_work(fleet, tasks.cleaning)), 1)
    return (expected + travel) / 60, minutes, tasks


def _past_visits(store: Store) -> pl.DataFrame:
    """What `fit_minutes` takes; of a large fleet's visits no more than it would use, so that few are held."""
    timed = np.sort(store.db.sql(TIMED, params=[SHORTEST, LONGEST]).fetchnumpy()["visit_no"])
    every = -(-len(timed) // MOST_VISITS)
    if every <= 1:
        return store.frame(PAST_VISITS.format(visits="current_visits"))
    store.write("timed_visits", pl.DataFrame({"visit_no": timed[::every]}))
    past = store.frame(PAST_VISITS.format(visits="(from current_visits semi join timed_visits using (visit_no))"))
    store.run("drop table timed_visits")
    return past


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
        worth = value.get(area_id, np.zeros(weeks)) if known_throughout(given) else None
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
    return pl.concat(parts).with_columns(pl.col("hours_available", "hours_short").fill_nan(None))


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
