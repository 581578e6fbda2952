"""Of the staffing page: hours by week and area, where they are short, and what one more would be worth."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from reports import tables, theme
from reports.charts import staffing as charts
from reports.site import Figure

AREAS_DRAWN = 40
ALL = "All areas"


def hours_by_week(weeks: pl.DataFrame, capacity: bool, context: dict[str, Any], headlines: list[str]) -> list[Figure]:
    """Hours needed beside those there are, of the fleet, of each area, and in every week of every area.

    weeks: area_no, area, week, week_end, visits, hours_needed, hours_available, hours_short [h], technicians_needed;
    at least one row.
    capacity: whether any hours are stated. Adds area_names, by_area and, where hours are short, short to `context`.
    """
    # rounded: the last digits of a sum depend on the order that threads add in
    sums = [pl.col(c).sum().round(6) for c in ("visits", "hours_needed")]
    # of weeks and areas that state hours in part, the sum would be set against what all of them need
    have = [
        pl.when(pl.col(c).null_count() == 0).then(pl.col(c).sum().round(6)).alias(c)
        for c in ("hours_available", "hours_short")
    ]
    total = weeks.group_by("week", "week_end").agg(*sums, *have).sort("week").with_columns(pl.lit(ALL).alias("area"))
    stated = weeks.filter(pl.col("hours_available").is_not_null())
    need, short = float(total["hours_needed"].sum()), float(stated["hours_short"].sum())
    top = total.sort(["hours_needed", "week"], descending=[True, False]).row(0, named=True)
    span = f"{theme.day(total['week'][0])} to {theme.day(total['week_end'][-1])}"
    if capacity:
        need, held = float(stated["hours_needed"].sum()), float(stated["hours_available"].sum())
        where = "" if stated.height == weeks.height else ", where hours are stated"
        if short > 0.05:
            worst = (
                weeks.group_by("area_no", "area")
                .agg(pl.col("hours_short").sum())
                .sort(["hours_short", "area_no"], descending=[True, False])
                .row(0, named=True)
            )
            headlines.append(
                f"Hours are short: {_hours(short)} of the {_hours(need)} needed ({span}{where}); most in "
                f"{theme.named(worst['area'])}: {_hours(worst['hours_short'])}."
            )
        else:
            headlines.append(
                f"The hours suffice: {_hours(need)} of the {_hours(held)} that there are will be needed "
                f"({span}{where})."
            )
    else:
        headlines.append(f"The plan needs {_hours(need)} from {span}; capacity.csv gave no hours to set against them.")
    headlines.append(
        f"The fullest week begins on {theme.day(top['week'])}: {_hours(top['hours_needed'])} for "
        f"{theme.plural(top['visits'], 'visit')}."
    )
    by_area = (
        weeks.group_by("area_no", "area")
        .agg(
            *sums,
            *have,
            pl.col("hours_needed").max().alias("peak"),
            pl.col("week", "technicians_needed").sort_by("hours_needed", "week", descending=[True, False]).first(),
        )
        .rename({"week": "peak_week"})
        .sort(["hours_short", "hours_needed", "area_no"], descending=[True, True, False], nulls_last=True)
    )
    drawn = by_area.head(AREAS_DRAWN).select("area_no").with_row_index("at")
    some = (
        weeks.join(drawn, on="area_no")
        .sort("at", "week")
        .with_columns((pl.col("hours_needed") - pl.col("hours_available")).alias("balance"))
    )
    most = f"the {AREAS_DRAWN} areas with most hours short or needed, of {by_area.height:,}"
    few = by_area.height <= AREAS_DRAWN
    columns = ["area", "week", "week_end", "visits", "hours_needed", "hours_available"]
    picked = alt.param(name="area", value=ALL)
    # The same name twice would mix two areas in one line.
    names = list(dict.fromkeys(some["area"].to_list()))
    context["area_names"] = [ALL, *names]
    pick = pl.concat([total.select(columns), some.select(columns)], how="vertical_relaxed")
    above = total.filter(pl.col("hours_needed") > pl.col("hours_available")).height if capacity else 0
    said = (
        f"In {above or 'none'} of {theme.plural(total.height, 'week')} the fleet as a whole needs more hours than "
        "there are."
        if capacity
        else f"Hours needed run from {theme.quantity(total['hours_needed'].min(), 'h', 0)} to "
        f"{theme.quantity(top['hours_needed'], 'h', 0)} a week."
    )
    choice = "" if few else f"By area: {most}."
    figures = [Figure("hours", charts.hours_by_week_chart(pick, picked, capacity), said, choice)]
    if by_area.height > 1:
        figures.append(
            Figure(
                "heat",
                charts.hours_heat_chart(some, capacity),
                _fullest(some, capacity),
                "" if few else f"Drawn are {most}.",
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
            rest=("area-week is short; all are", "area-weeks are short; all are"),
            where="in exports/area_weeks.csv",
        )
    there_are = (
        tables.Column("Hours there are [h]", tables.figures("hours_available"), True),
        tables.Column("Hours short [h]", tables.figures("hours_short", 1), True),
    )
    context["by_area"] = tables.build(
        "Hours by area over the plan",
        by_area,
        [
            tables.Column("Area", tables.words("area")),
            tables.Column("Visits", tables.figures("visits"), True),
            tables.Column("Hours needed [h]", tables.figures("hours_needed"), True),
            *(there_are if capacity else ()),
            tables.Column("Fullest week [h]", tables.figures("peak"), True),
            tables.Column("Fullest week of", lambda r: theme.day(r["peak_week"] if r["peak"] else None)),
            tables.Column("Technicians for it", tables.figures("technicians_needed", 1), True),
        ],
        60,
        rest=("area", "areas"),
        where="in exports/area_weeks.csv",
    )
    return figures


def _hours(hours: float) -> str:
    """Hours with a tenth where that is much of them."""
    return theme.quantity(hours, "h", 0 if hours >= 10 else 1)


def _fullest(weeks: pl.DataFrame, capacity: bool) -> str:
    """What the map of weeks and areas shows, in words besides its colours.

    weeks: area, week, hours_needed, balance (needed less available, null where none are given). [h]
    """
    by = "balance" if capacity else "hours_needed"
    top = weeks.drop_nulls(by).sort([by, "week"], descending=[True, False], maintain_order=True).head(1)
    for r in top.iter_rows(named=True):
        where = f"{theme.named(r['area'])}, week of {theme.day(r['week'])}"
        if not capacity:
            return f"The fullest: {where}, {_hours(r['hours_needed'])}. Yellow weeks are full, dark ones empty."
        if r["balance"] > 0.05:
            most = f"most are short in {where}: {_hours(r['balance'])}"
            return f"Orange weeks want hours from elsewhere, blue weeks can lend some; {most}."
    return "No week of any area is short; blue weeks can lend hours."


def worth_of_an_hour(
    weeks: pl.DataFrame, capacity: bool, context: dict[str, Any], headlines: list[str]
) -> list[Figure]:
    """Out-of-range days that one more hour would avoid, by area and week.

    weeks: as for `hours_by_week`, with hour_value [d/h]. Adds value to `context`, or value_words where no hour is worth
    anything.
    """
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
    days = theme.quantity(best["hour_value"], "out-of-range days", 0 if best["hour_value"] >= 10 else 1)
    headlines.append(
        f"One more hour is worth most in {theme.named(best['area'])}, week of {theme.day(best['week'])}: it would "
        f"avoid {days}, where a day with a reading already out may count as several."
    )
    context["value"] = tables.build(
        "Where one more hour is worth most",
        worth,
        [
            tables.Column("Area", tables.words("area")),
            tables.Column("Week of", tables.dates("week")),
            tables.Column("Days avoided per extra hour [days/h]", tables.figures("hour_value", 1), True),
            tables.Column("Hours short [h]", tables.figures("hours_short", 1), True),
        ],
        12,
        rest=("area-week", "area-weeks"),
        where="in exports/area_weeks.csv",
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
            f"One more hour avoids out-of-range days in {worth.height:,} of "
            f"{theme.plural(weeks.height, 'area-week')}; most in {theme.named(best['area'])}.",
            "Areas where no week is full are left out. A day with a reading already out of range counts for more in "
            "the first weeks: CO 10 days, others 1 to 2. CO that was read out of range may be seen in the first week "
            "only: an hour missing there counts as if it never were.",
            80 + 22 * order.height,
        )
    ]
