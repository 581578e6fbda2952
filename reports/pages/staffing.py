"""The operations manager's page: hours by week and area, what an hour is worth, risk against hours, the peak, media."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import altair as alt
import polars as pl

from reports import tables, theme
from reports.charts import staffing as charts
from reports.site import Figure, Site

AREAS_DRAWN = 40
ALL = "All areas"
PEAK_WEEKS = 8


def staffing_page(site: Site, frames: Mapping[str, pl.DataFrame], mass_unit: str) -> None:
    """staffing.html. frames: weeks, interval_weeks, forward, overdue, media (already in mass_unit),
    scenarios, comparisons, minutes."""
    weeks = frames["weeks"].with_columns((pl.col("week") + timedelta(days=6)).alias("week_end"))
    capacity = weeks.height > 0 and weeks["hours_available"].null_count() < weeks.height
    figures: list[Figure] = []
    context: dict[str, Any] = {
        "area_names": [ALL],
        "short": None,
        "by_area": None,
        "value": None,
        "forward": None,
        "media": None,
        "scenarios": None,
        "comparisons": tables.Table("", []),
        "peak_words": [],
        "value_words": "",
    }
    headlines = []
    if weeks.is_empty():
        headlines.append("No visit is planned yet.")
    else:
        figures += _hours(weeks, capacity, context, headlines)
        figures += _value(weeks, capacity, context, headlines)
    context["minutes_words"] = _minutes(frames["minutes"])
    figures += _scenarios(frames["scenarios"], frames["comparisons"], site.fleet.risk_tolerance, context, headlines)
    figures += _peak(frames["interval_weeks"], frames["forward"], frames["overdue"], context)
    figures += _media(frames["media"], mass_unit, context)
    site.write("staffing.html", "staffing.html.j2", figures, headlines=headlines, **context)


def _hours(weeks: pl.DataFrame, capacity: bool, context: dict[str, Any], headlines: list[str]) -> list[Figure]:
    sums = [pl.col(c).sum() for c in ("visits", "hours_needed", "hours_short")]
    have = pl.when(pl.col("hours_available").count() > 0).then(pl.col("hours_available").sum()).alias("hours_available")
    total = weeks.group_by("week", "week_end").agg(*sums, have).sort("week").with_columns(pl.lit(ALL).alias("area"))
    need, short = total["hours_needed"].sum(), total["hours_short"].sum() or 0
    top = total.sort(["hours_needed", "week"], descending=[True, False]).row(0, named=True)
    span = f"{theme.day(total['week'][0])} to {theme.day(total['week_end'][-1])}"
    if capacity:
        there = total["hours_available"].sum()
        if short > 0.05:
            worst = (
                weeks.group_by("area_no", "area")
                .agg(pl.col("hours_short").sum())
                .sort(["hours_short", "area_no"], descending=[True, False])
                .row(0, named=True)
            )
            headlines.append(
                f"{theme.quantity(short, 'h', 0)} are short out of {theme.quantity(need, 'h', 0)} needed ({span}); "
                f"most in {worst['area']}: {theme.quantity(worst['hours_short'], 'h', 0)}."
            )
        else:
            headlines.append(
                f"The hours suffice: {theme.quantity(need, 'h', 0)} needed, {theme.quantity(there, 'h', 0)} there "
                f"are ({span})."
            )
    else:
        headlines.append(
            f"The plan needs {theme.quantity(need, 'h', 0)} from {span}; capacity.csv gave no hours to set against "
            "them."
        )
    headlines.append(
        f"The fullest week begins on {theme.day(top['week'])}: {theme.quantity(top['hours_needed'], 'h', 0)} for "
        f"{theme.plural(top['visits'], 'visit')}."
    )
    by_area = (
        weeks.group_by("area_no", "area")
        .agg(
            *sums,
            have,
            pl.col("hours_needed").max().alias("peak"),
            pl.col("week").sort_by("hours_needed", "week", descending=[True, False]).first().alias("peak_week"),
        )
        .sort(["hours_short", "hours_needed", "area_no"], descending=[True, True, False], nulls_last=True)
    )
    drawn = by_area.head(AREAS_DRAWN).select("area_no").with_row_index("at")
    some = (
        weeks.join(drawn, on="area_no")
        .sort("at", "week")
        .with_columns((pl.col("hours_needed") - pl.col("hours_available")).alias("balance"))
    )
    note = (
        f"The {AREAS_DRAWN} areas with most hours short or needed are drawn, of {by_area.height:,}."
        if by_area.height > AREAS_DRAWN
        else ""
    )
    columns = ["area", "week", "week_end", "visits", "hours_needed", "hours_available"]
    picked = alt.param(name="area", value=ALL)
    # The same name twice would mix two areas in one line.
    names = list(dict.fromkeys(some["area"].to_list()))
    context["area_names"] = [ALL, *names]
    pick = pl.concat([total.select(columns), some.select(columns)], how="vertical_relaxed")
    above = total.filter(pl.col("hours_needed") > pl.col("hours_available")).height if capacity else 0
    said = (
        f"In {above} of {total.height} weeks the fleet as a whole needs more hours than there are."
        if capacity
        else f"Hours needed run from {theme.quantity(total['hours_needed'].min(), 'h', 0)} to "
        f"{theme.quantity(top['hours_needed'], 'h', 0)} a week."
    )
    figures = [Figure("hours", charts.hours_by_week_chart(pick, picked), said, note)]
    if by_area.height > 1:
        figures.append(
            Figure(
                "heat",
                charts.hours_heat_chart(some, capacity),
                "Orange weeks want hours from elsewhere, blue weeks can lend some."
                if capacity
                else "The yellow weeks are the full ones.",
                note,
                80 + 22 * drawn.height,
            )
        )
    if capacity and short > 0.05:
        worst_weeks = weeks.filter(pl.col("hours_short") > 0).sort(
            ["hours_short", "area_no", "week"], descending=[True, False, False]
        )
        context["short"] = tables.build(
            "Where hours are short",
            worst_weeks,
            [
                tables.Column("Area", tables.words("area")),
                tables.Column("Week of", tables.dates("week")),
                tables.Column("Hours short [h]", tables.figures("hours_short", 1), True),
                tables.Column("Hours needed [h]", tables.figures("hours_needed", 1), True),
                tables.Column("Hours there are [h]", tables.figures("hours_available", 1), True),
                tables.Column("Visits", tables.figures("visits"), True),
            ],
            15,
            rest="area-weeks are short; all are in exports/area_weeks.csv",
        )
    context["by_area"] = tables.build(
        "Hours by area over the plan",
        by_area,
        [
            tables.Column("Area", tables.words("area")),
            tables.Column("Visits", tables.figures("visits"), True),
            tables.Column("Hours needed [h]", tables.figures("hours_needed"), True),
            tables.Column("Hours there are [h]", tables.figures("hours_available"), True),
            tables.Column("Hours short [h]", tables.figures("hours_short", 1), True),
            tables.Column("Fullest week [h]", tables.figures("peak"), True),
            tables.Column("Fullest week of", tables.dates("peak_week")),
        ],
        60,
        rest="areas; all are in exports/area_weeks.csv",
    )
    return figures


def _minutes(minutes: pl.DataFrame) -> str:
    """How good the expected minutes are.

    minutes: used, visits, mae_minutes, mae_standard_minutes, travel_minutes; one row or none.
    """
    if minutes.is_empty():
        return ""
    m = minutes.row(0, named=True)
    travel = f"each visit includes {theme.quantity(m['travel_minutes'], 'min', 0)} of travel"
    if m["mae_minutes"] is None or m["used"] != "regression":
        return f"Hours are from the standard times; {travel}."
    return (
        f"Hours are from {m['visits']:,} past visits, tried on visits left out: off by "
        f"{theme.quantity(m['mae_minutes'], 'min', 0)} on average "
        f"(standard times: {theme.quantity(m['mae_standard_minutes'], 'min', 0)}); {travel}."
    )


def _value(weeks: pl.DataFrame, capacity: bool, context: dict[str, Any], headlines: list[str]) -> list[Figure]:
    worth = weeks.filter(pl.col("hour_value") > 0).sort(
        ["hour_value", "area_no", "week"], descending=[True, False, False]
    )
    if worth.is_empty():
        context["value_words"] = (
            "One more hour would avoid no out-of-range day anywhere: no week is full."
            if capacity
            else "Without capacity.csv every visit gets its week, so one more hour avoids nothing."
        )
        return []
    best = worth.row(0, named=True)
    headlines.append(
        f"One more hour is worth most in {best['area']}, week of {theme.day(best['week'])}: it would avoid "
        f"{theme.quantity(best['hour_value'], 'out-of-range days', 1)}."
    )
    context["value"] = tables.build(
        "Where one more hour is worth most",
        worth,
        [
            tables.Column("Area", tables.words("area")),
            tables.Column("Week of", tables.dates("week")),
            tables.Column("Out-of-range days avoided per extra hour [days/h]", tables.figures("hour_value", 1), True),
            tables.Column("Hours short [h]", tables.figures("hours_short", 1), True),
        ],
        12,
        rest="area-weeks; all are in exports/area_weeks.csv",
    )
    order = (
        worth.group_by("area_no")
        .agg(pl.col("hour_value").max())
        .sort(["hour_value", "area_no"], descending=[True, False])
        .head(AREAS_DRAWN)
        .select("area_no")
        .with_row_index("at")
    )
    drawn = weeks.join(order, on="area_no").sort("at", "week").select("area", "week", "week_end", "hour_value")
    return [
        Figure(
            "value",
            charts.hour_value_chart(drawn),
            f"An extra hour avoids something in {theme.plural(worth.height, 'week and area', 'weeks and areas')} "
            f"of {weeks.height:,}.",
            "Areas where no week is full are left out.",
            80 + 22 * order.height,
        )
    ]


def _scenarios(
    scenarios: pl.DataFrame, comparisons: pl.DataFrame, tolerance: float, context: dict[str, Any], headlines: list[str]
) -> list[Figure]:
    if comparisons.height:
        context["comparisons"] = tables.build(
            "This plan beside other ways of spending hours",
            comparisons,
            [
                tables.Column("Plan", lambda r: tables.bdi(str(r["name"]).replace("_", " "))),
                tables.Column("Beside", lambda r: tables.bdi(str(r["against"] or theme.DASH).replace("_", " "))),
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
    if scenarios.is_empty():
        return []
    rows = scenarios.sort("risk_tolerance").with_columns(
        pl.col("risk_tolerance").map_elements(lambda t: f"{100 * t:.4g} %", return_dtype=pl.String).alias("label"),
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
            tables.Column("Fullest week of", tables.dates("peak_week")),
            tables.Column("Fullest week [h]", tables.figures("peak_hours"), True),
            tables.Column("Expected out-of-range days", tables.figures("expected_out_days"), True),
        ],
        note="Over the 52 weeks ahead, a second visit to the same install counted, as if the hours were there. The "
        "weeks above plan each install once.",
    )
    low, high = rows.row(0, named=True), rows.row(-1, named=True)
    said = (
        f"Accepting {high['label']} instead of {low['label']} saves "
        f"{theme.quantity(low['hours'] - high['hours'], 'h', 0)} and costs "
        f"{theme.number(high['expected_out_days'] - low['expected_out_days'])} more out-of-range days."
    )
    return [Figure("tolerance", charts.tolerance_chart(rows), said)]


def _peak(weeks: pl.DataFrame, forward: pl.DataFrame, overdue: pl.DataFrame, context: dict[str, Any]) -> list[Figure]:
    if weeks.height < PEAK_WEEKS:
        return []
    weeks = weeks.sort("week")
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
    moved = forward.filter(pl.col("interval_week").is_between(first, last))
    planned_last = weeks.with_columns(pl.col("planned_h").rolling_sum(PEAK_WEEKS).alias("run")).sort(
        ["run", "week"], descending=[True, False], nulls_last=True
    )["week"][0]
    planned_first = planned_last - timedelta(days=7 * (PEAK_WEEKS - 1))
    in_plan = weeks.filter(pl.col("week").is_between(planned_first, planned_last))["planned_h"].sum()
    context["peak_words"] = [
        f"As planned, the {PEAK_WEEKS} fullest weeks run from {theme.day(planned_first)} to "
        f"{theme.day(planned_last + timedelta(days=6))} and need "
        f"{theme.quantity(in_plan, 'h', 0)}.",
        f"{theme.plural(int(moved['visits'].sum()), 'visit')} ({theme.quantity(moved['hours'].sum(), 'h', 0)}) "
        f"due from {span} by the present intervals are brought forward by four weeks or more.",
    ]
    late = overdue.row(0, named=True)
    if late["visits"]:
        context["peak_words"].append(
            f"{theme.plural(late['visits'], 'visit')} ({theme.quantity(late['hours'], 'h', 0)}) are past their present "
            "interval already; the dotted line leaves them out."
        )
    areas = (
        moved.group_by("area_no", "area")
        .agg(pl.col("visits").sum(), pl.col("hours").sum())
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
            rest="areas",
        )
    return [Figure("peak", charts.peak_chart(tall), said)]


def _media(media: pl.DataFrame, unit: str, context: dict[str, Any]) -> list[Figure]:
    if media.is_empty() or not media["media"].sum():
        return []
    months = (
        media.group_by("month")
        .agg(pl.col("media").sum())
        .sort("month")
        .with_columns(pl.col("month").dt.month_end().alias("month_end"))
    )
    soon = months.head(3)
    columns = [tables.Column("Area", tables.words("area"))]
    wide = (
        media.filter(pl.col("month").is_in(soon["month"].implode()))
        .group_by("area_no", "area")
        .agg(
            *(pl.col("media").filter(pl.col("month") == m).sum().alias(f"m{k}") for k, m in enumerate(soon["month"])),
            pl.col("media").sum().alias("all"),
        )
        .sort(["all", "area_no"], descending=[True, False])
    )
    columns += [
        tables.Column(f"{theme.month(m)} [{unit}]", tables.figures(f"m{k}", 1), True)
        for k, m in enumerate(soon["month"])
    ]
    columns.append(tables.Column(f"Together [{unit}]", tables.figures("all", 1), True))
    context["media"] = tables.build(
        f"Media to buy for the next {theme.plural(soon.height, 'month')}", wide, columns, 30, rest="areas"
    )
    return [
        Figure(
            "media",
            charts.media_chart(months, unit),
            f"{theme.quantity(months['media'].sum(), unit, 0)} over the plan; "
            f"{theme.quantity(months['media'][0], unit, 0)} "
            f"of it in {theme.month(months['month'][0])}.",
            height_px=180,
        )
    ]
