"""The operations manager's page: hours by week and area, what an hour is worth, risk against hours, the peak, media."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import polars as pl

from reports import tables, theme
from reports.charts import staffing as charts
from reports.pages import staffing_choices, staffing_hours
from reports.site import Figure, Site


def staffing_page(site: Site, frames: Mapping[str, pl.DataFrame], mass_unit: str) -> None:
    """staffing.html. frames: weeks, interval_weeks, forward, overdue, media (already in mass_unit),
    scenarios, comparisons, minutes."""
    weeks = frames["weeks"].with_columns((pl.col("week") + timedelta(days=6)).alias("week_end"))
    capacity = weeks.height > 0 and weeks["hours_available"].null_count() < weeks.height
    figures: list[Figure] = []
    context: dict[str, Any] = {
        "area_names": [staffing_hours.ALL],
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
        figures += staffing_hours.hours_by_week(weeks, capacity, context, headlines)
        figures += staffing_hours.worth_of_an_hour(weeks, capacity, context, headlines)
    context["minutes_words"] = _minutes(frames["minutes"])
    figures += staffing_choices.tolerances(
        frames["scenarios"], frames["comparisons"], site.fleet.risk_tolerance, context
    )
    figures += staffing_choices.fullest_weeks(frames["interval_weeks"], frames["forward"], frames["overdue"], context)
    figures += _media(frames["media"], mass_unit, context)
    site.write("staffing.html", "staffing.html.j2", figures, headlines=headlines, **context)


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


def _media(media: pl.DataFrame, unit: str, context: dict[str, Any]) -> list[Figure]:
    if media.is_empty() or not media["media"].sum():
        return []
    months = (
        media.group_by("month")
        .agg(pl.col("media").sum().round(6))
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
            pl.col("media").sum().round(6).alias("all"),
        )
        .sort(["all", "area_no"], descending=[True, False])
    )
    columns += [
        tables.Column(f"{theme.month(m)} [{unit}]", tables.figures(f"m{k}", 1), True)
        for k, m in enumerate(soon["month"])
    ]
    columns.append(tables.Column(f"Together [{unit}]", tables.figures("all", 1), True))
    context["media"] = tables.build(
        f"Media to buy for the next {theme.plural(soon.height, 'month')}", wide, columns, 30, rest=("area", "areas")
    )
    return [
        Figure(
            "media",
            charts.media_chart(months, unit),
            f"{theme.quantity(months['media'].sum(), unit)} over the plan; "
            f"{theme.quantity(months['media'][0], unit)} "
            f"of it in {theme.month(months['month'][0])}.",
            height_px=180,
        )
    ]
