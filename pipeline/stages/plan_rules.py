"""The plan beside other rules: risk tolerances side by side, fixed and shortened and stretched intervals."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.plan.policies import (
    PolicyYear,
    by_risk,
    by_risk_within_hours,
    equal_shortening,
    policy_year,
)
from models.plan.renewal import hour_price
from models.plan.whole_weeks import NO_WEEK
from pipeline.settings import Settings
from pipeline.stages.plan_inputs import MONTH_DAYS, Calendar, Fleet

COMPARED = 20_000  # installs the rules are compared on; larger fleets by an even sample, scaled up
YEAR_DAYS = 364.0
STRETCH = 1.5


def _sample(n: int) -> tuple[np.ndarray, float]:
    rows = np.unique(np.linspace(0, n - 1, min(n, COMPARED)).astype(np.int64)) if n else np.zeros(0, np.int64)
    return rows, n / len(rows) if len(rows) else 1.0


def _peak(first_visit: np.ndarray, hours: np.ndarray, overdue: np.ndarray, calendar: Calendar, catch_up: int):
    """Week with the most hours and those hours; overdue visits are spread evenly over the catch-up weeks."""
    weeks = len(calendar.mondays)
    week = np.floor((first_visit - calendar.first_monday) / 7)
    inside = np.isfinite(week) & (week < weeks) & ~overdue
    load = np.bincount(np.clip(week[inside], 0, None).astype(np.int64), hours[inside], minlength=weeks).astype(float)
    load[: min(catch_up, weeks)] += hours[overdue].sum() / min(catch_up, weeks)
    top = int(np.argmax(load))
    return calendar.mondays[top], float(load[top])


def compare_tolerances(fleet: Fleet, hours: np.ndarray, calendar: Calendar, settings: Settings) -> pl.DataFrame:
    """Each risk tolerance over the 52 weeks ahead, were the hours there: visits (repeats among them), hours, peak,
    days out.

    An install is visited when its chance reaches what the tolerance makes worth a visit, at the latest at its
    interval, and again after each
    cycle of the length that the same rule gives.
    """
    rows, scale = _sample(len(hours))
    tolerances = sorted({*settings.plan.scenario_tolerances, settings.risk_tolerance})
    schema = {"risk_tolerance": pl.Float64, "visits": pl.Int64, "hours": pl.Float64, "peak_week": pl.Date,
              "peak_hours": pl.Float64, "expected_out_days": pl.Float64}  # fmt: skip
    if not len(rows):
        return pl.DataFrame(schema=schema)
    chances, h = fleet.sound.rows(rows), hours[rows]
    cycles = fleet.cycles(rows)
    shortest = np.full(len(rows), settings.plan.shortest_interval_months * MONTH_DAYS)
    longest = fleet.length[rows] * settings.plan.longest_interval_factor
    overdue = fleet.latest[rows] < 0
    told = []
    for tolerance in tolerances:
        price = hour_price(cycles, h, tolerance)
        length = by_risk(cycles, h, price, shortest, longest, tolerance)
        first = np.maximum(np.minimum(length - cycles.age, fleet.latest[rows]), calendar.first_monday)
        made = first < YEAR_DAYS
        first = np.minimum(first, YEAR_DAYS)
        repeats = np.where(made, np.floor((YEAR_DAYS - first) / length), 0.0)
        rest = np.where(made, YEAR_DAYS - first - repeats * length, 0.0)
        visits = made + repeats
        out = chances.days_out_each(first) + repeats * cycles.days_out(length) + cycles.days_out(rest)
        peak_week, peak = _peak(
            np.where(made, first, np.inf), h, overdue & made, calendar, settings.plan.catch_up_weeks
        )
        told.append((tolerance, round(visits.sum() * scale), round(float((visits * h).sum()) * scale, 2), peak_week,
                     round(peak * scale, 2), round(float(out.sum()) * scale, 2)))  # fmt: skip
    return pl.DataFrame(told, schema=schema, orient="row")


def compare_rules(
    fleet: Fleet, hours: np.ndarray, price: float, calendar: Calendar, settings: Settings, week: np.ndarray
) -> pl.DataFrame:
    """Rules per year in the long run, by the forecasts: out-of-range days are the model's expectation, not a record.

    peak_week: the busiest week of the coming 52 under the rule.
    """
    rows, scale = _sample(len(hours))
    schema = {"name": pl.String, "against": pl.String, "visits": pl.Int64, "hours": pl.Float64,
              "extra_hours": pl.Float64, "out_days": pl.Float64, "out_days_avoided": pl.Float64,
              "avoided_per_extra_hour": pl.Float64, "peak_week": pl.Date}  # fmt: skip
    if not len(rows):
        return pl.DataFrame(schema=schema)
    cycles = fleet.cycles(rows)
    h, interval = hours[rows], fleet.length[rows]
    shortest = np.full(len(rows), settings.plan.shortest_interval_months * MONTH_DAYS)
    lengths = {"fixed interval": interval}
    factor = settings.plan.longest_interval_factor
    own_name = "plan, nothing lengthened" if factor == 1 else f"plan, intervals up to {factor:g} times as long"
    lengths[own_name] = by_risk(cycles, h, price, shortest, factor * interval, settings.risk_tolerance)
    more = policy_year(cycles, lengths[own_name], h).hours
    lengths["every interval shortened equally, hours as in the plan"] = equal_shortening(interval, h, more)
    present = policy_year(cycles, interval, h)
    lengths[f"intervals up to {STRETCH:g} times as long, hours as now"] = by_risk_within_hours(
        cycles, h, present.hours, shortest, STRETCH * interval
    )[0]
    told = []
    for name, length in lengths.items():
        year = policy_year(cycles, length, h)
        first = np.maximum(length - cycles.age, calendar.first_monday)
        peak_week, _ = _peak(first, h, length < cycles.age, calendar, settings.plan.catch_up_weeks)
        told.append(_row(name, year, present, scale, peak_week))
    frame = pl.DataFrame(told, schema=schema, orient="row")
    made = week != NO_WEEK
    if made.any():  # the plan's own weeks are known
        load = np.bincount(week[made], hours[made], minlength=len(calendar.mondays))
        own = pl.lit(calendar.mondays[int(np.argmax(load))])
        frame = frame.with_columns(
            pl.when(pl.col("name") == own_name).then(own).otherwise("peak_week").alias("peak_week")
        )
    return frame


def _row(name: str, year: PolicyYear, present: PolicyYear, scale: float, peak_week) -> tuple:
    extra, avoided = (year.hours - present.hours) * scale, (present.out_days - year.out_days) * scale
    per_hour = avoided / extra if extra > 1e-6 * present.hours * scale else None
    first = name == "fixed interval"
    return (
        name, "" if first else "fixed interval", round(year.visits * scale), round(year.hours * scale, 2),
        None if first else round(extra, 2) + 0.0, round(year.out_days * scale, 2), None if first else round(avoided, 2),
        None if first or per_hour is None else round(per_hour, 4), peak_week,
    )  # fmt: skip
