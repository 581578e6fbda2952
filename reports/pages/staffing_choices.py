"""Of the staffing page: what other tolerances and rules would cost, and what becomes of the fullest weeks."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl

from reports import tables, theme
from reports.charts import staffing as charts
from reports.site import Figure

PEAK_WEEKS = 8


def tolerances(
    scenarios: pl.DataFrame, comparisons: pl.DataFrame, tolerance: float, context: dict[str, Any]
) -> list[Figure]:
    """Risk tolerances side by side, and the plan beside other ways of spending hours.

    scenarios, comparisons: plan_scenarios and plan_comparisons; either may have no rows. tolerance: the one in use.
    Adds scenarios and comparisons to `context`.
    """
    if comparisons.height:
        context["comparisons"] = tables.build(
            "This plan beside other ways of spending hours",
            comparisons,
            [
                tables.Column("Plan", lambda r: tables.bdi(str(r["name"]).replace("_", " "))),
                tables.Column("Compared with", lambda r: tables.bdi(str(r["against"] or theme.DASH).replace("_", " "))),
                tables.Column("Visits", tables.figures("visits"), True),
                tables.Column("Hours [h]", tables.figures("hours"), True),
                tables.Column("Extra hours [h]", tables.figures("extra_hours"), True),
                tables.Column("Expected out-of-range days", tables.figures("out_days"), True),
                tables.Column("Days avoided", tables.figures("out_days_avoided"), True),
                tables.Column(
                    "Days avoided per extra hour [days/h]", tables.figures("avoided_per_extra_hour", 1), True
                ),
                tables.Column("Peak week of", tables.dates("peak_week")),
            ],
            20,
            note="Per year in the long run, by the forecasts; an expectation, not a record.",
        )
        context["comparisons"].stack = True
    if scenarios.is_empty():
        return []
    rows = scenarios.sort("risk_tolerance").with_columns(
        pl.col("risk_tolerance").map_elements(theme.percent, return_dtype=pl.String).alias("label"),
        pl.when((pl.col("risk_tolerance") - tolerance).abs() < 1e-9)
        .then(pl.lit("in use"))
        .otherwise(pl.lit("what if"))
        .alias("present"),
    )
    context["scenarios"] = tables.build(
        "Risk tolerances side by side",
        rows,
        [
            tables.Column("Risk tolerance", lambda r: f"{r['label']}{' (in use)' if r['present'] == 'in use' else ''}"),
            tables.Column("Visits", tables.figures("visits"), True),
            tables.Column("Hours [h]", tables.figures("hours"), True),
            tables.Column("Fullest week of", lambda r: theme.day(r["peak_week"] if r["peak_hours"] else None)),
            tables.Column("Fullest week [h]", tables.figures("peak_hours"), True),
            tables.Column("Expected out-of-range days", tables.figures("expected_out_days"), True),
        ],
        note="Over the 52 weeks ahead, a second visit to the same install counted, as if the hours were there. The "
        "weeks above plan each install once.",
    )
    low, high = rows.row(0, named=True), rows.row(-1, named=True)
    saved, more = low["hours"] - high["hours"], high["expected_out_days"] - low["expected_out_days"]
    if round(saved) <= 0 and round(more) <= 0:
        context["scenarios"].note += f" From {low['label']} to {high['label']} the tolerance makes no difference here."
        return []
    said = (
        f"Accepting {high['label']} instead of {low['label']} saves {theme.quantity(saved, 'h', 0)} and costs "
        f"{theme.plural(round(more), 'more out-of-range day')}."
    )
    return [Figure("tolerance", charts.tolerance_chart(rows), said)]


def _every_week(weeks: pl.DataFrame) -> pl.DataFrame:
    """The weeks from the first to the last, those without a visit too."""
    weeks = weeks.sort("week")
    every = pl.DataFrame(pl.date_range(weeks["week"][0], weeks["week"][-1], "7d", eager=True).alias("week"))
    return every.join(weeks, on="week", how="left", maintain_order="left").with_columns(
        pl.col("interval_h", "planned_h").fill_null(0.0)
    )


def fullest_weeks(
    weeks: pl.DataFrame, forward: pl.DataFrame, overdue: pl.DataFrame, context: dict[str, Any]
) -> list[Figure]:
    """The fullest weeks in a row by the present intervals, and what the plan makes of them.

    weeks: week, interval_h, planned_h [h]. forward: visits planned well before their interval: area_no, area,
    interval_week, visits, hours. overdue: one row, visits and hours past their interval. Adds peak_words and forward to
    `context`.
    """
    if weeks.height < PEAK_WEEKS:
        return []
    weeks = _every_week(weeks)
    rolling = weeks.with_columns(pl.col("interval_h").rolling_sum(PEAK_WEEKS).alias("run"))
    last = rolling.sort(["run", "week"], descending=[True, False], nulls_last=True)["week"][0]
    first: date = last - timedelta(days=7 * (PEAK_WEEKS - 1))
    inside = weeks.filter(pl.col("week").is_between(first, last))
    at_interval, planned = inside["interval_h"].sum(), inside["planned_h"].sum()
    tall = pl.concat(
        [
            weeks.select("week", pl.lit("as planned").alias("kind"), pl.col("planned_h").alias("hours")),
            weeks.select("week", pl.lit("at the present interval").alias("kind"), pl.col("interval_h").alias("hours")),
        ]
    )
    span = f"{theme.day(first)} to {theme.day(last + timedelta(days=6))}"
    said = (
        f"Left to the present intervals, the {PEAK_WEEKS} fullest weeks run from {span} and need "
        f"{theme.quantity(at_interval, 'h', 0)}; the plan puts {theme.quantity(planned, 'h', 0)} there."
    )
    if not at_interval:
        said = "Every visit was due by its present interval before the plan begins."
    moved = forward.filter(pl.col("interval_week").is_between(first, last))
    brought = int(moved["visits"].sum())
    planned_last = weeks.with_columns(pl.col("planned_h").rolling_sum(PEAK_WEEKS).alias("run")).sort(
        ["run", "week"], descending=[True, False], nulls_last=True
    )["week"][0]
    planned_first = planned_last - timedelta(days=7 * (PEAK_WEEKS - 1))
    in_plan = weeks.filter(pl.col("week").is_between(planned_first, planned_last))["planned_h"].sum()
    context["peak_words"] = [
        f"As planned, the {PEAK_WEEKS} fullest weeks run from {theme.day(planned_first)} to "
        f"{theme.day(planned_last + timedelta(days=6))} and need "
        f"{theme.quantity(in_plan, 'h', 0)}.",
    ]
    if brought:
        context["peak_words"].append(
            f"{theme.plural(brought, 'visit')} ({theme.quantity(moved['hours'].sum(), 'h', 0)}) due from {span} by the "
            f"present intervals {'is' if brought == 1 else 'are'} brought forward by four weeks or more."
        )
    late = overdue.row(0, named=True)
    if late["visits"]:
        context["peak_words"].append(
            f"{theme.plural(late['visits'], 'visit')} ({theme.quantity(late['hours'], 'h', 0)}) "
            f"{'was' if late['visits'] == 1 else 'were'} due by the present intervals before the plan begins; the "
            "dashed line leaves them out."
        )
    areas = (
        moved.group_by("area_no", "area")
        .agg(pl.col("visits").sum(), pl.col("hours").sum().round(6))
        .sort(["hours", "area_no"], descending=[True, False])
    )
    if areas.height:
        context["forward"] = tables.build(
            f"Visits brought forward out of {span}",
            areas,
            [
                tables.Column("Area", tables.words("area")),
                tables.Column("Visits", tables.figures("visits"), True),
                tables.Column("Hours [h]", tables.figures("hours", 1), True),
            ],
            30,
            rest=("area", "areas"),
        )
    return [Figure("peak", charts.peak_chart(tall), said)]
