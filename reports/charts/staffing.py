"""Charts for the operations manager: hours, weeks, areas, what another hour is worth."""

from __future__ import annotations

import altair as alt
import polars as pl

from reports import theme
from reports.charts.shapes import by_area_and_week, whole_numbers

YEAR_OF_WEEKS = 53  # beyond it a day and a month alone would stand for several days


def week_axis(weeks: pl.DataFrame, labels: int = 14) -> alt.Axis:
    """Ticks on the Mondays themselves; an axis of its own choosing would set them on Sundays."""
    days = weeks["week"].unique().sort()
    some = days.gather_every(max(1, -(-days.len() // labels)))
    return alt.Axis(
        format="%-d %b" if days.len() <= YEAR_OF_WEEKS else "%-d %b %Y",
        labelOverlap="greedy",
        grid=False,
        values=[alt.DateTime(year=d.year, month=d.month, date=d.day) for d in some],
    )


def fleet_state_chart(states: pl.DataFrame) -> alt.Chart:
    """Installs of each area by what they need, in one bar per area.

    states: area, state (words), installs; areas in the order in which they are to stand.
    """
    areas = list(dict.fromkeys(states["area"].to_list()))
    longest = states.group_by("area").agg(pl.col("installs").sum())["installs"].max()
    words = [theme.STATES[s][1] for s in theme.STATE_ORDER]
    return (
        alt.Chart(states, width="container", height=alt.Step(22))
        .mark_bar(aria=False)
        .encode(
            y=alt.Y("area:N", sort=areas, title=None),
            x=alt.X("installs:Q", title="Installs", axis=whole_numbers(longest)),
            color=alt.Color(
                "state:N",
                title=None,
                scale=alt.Scale(domain=words, range=[theme.STATES[s][2] for s in theme.STATE_ORDER]),
                legend=alt.Legend(columns=2, symbolType="square"),
            ),
            order=alt.Order("rank:O"),
            tooltip=[
                alt.Tooltip("area:N", title="Area"),
                alt.Tooltip("state:N", title="State"),
                alt.Tooltip("installs:Q", title="Installs", format=",.0f"),
            ],
        )
    )


def hours_by_week_chart(
    weeks: pl.DataFrame, area_param: alt.Parameter, have_capacity: bool = True
) -> alt.TopLevelMixin:
    """Technician hours needed, against hours there are where any are known, week by week, of one area or of all.

    weeks: area ('All areas' included), week, week_end, hours_needed, hours_available (null: not given). [h]
    """
    one = alt.FieldEqualPredicate(field="area", equal=alt.expr(area_param.name))
    base = alt.Chart(weeks).transform_filter(one)
    x = alt.X("week:T", title="Week beginning", axis=week_axis(weeks))
    tips = [
        alt.Tooltip("week:T", title="Week of", format="%-d %b %Y"),
        alt.Tooltip("hours_needed:Q", title="Hours needed", format=",.1f"),
        *([alt.Tooltip("hours_available:Q", title="Hours there are", format=",.1f")] if have_capacity else []),
        alt.Tooltip("visits:Q", title="Visits", format=",.0f"),
    ]
    need = base.mark_rect(aria=False, color=theme.BLUE).encode(
        x=x,
        x2=alt.X2("week_end:T"),
        y=alt.Y("hours_needed:Q", title="Technician hours per week [h]"),
        y2=alt.datum(0),
        tooltip=tips,
    )
    if not have_capacity:
        return need.properties(width="container", height=260).add_params(area_param)
    kinds = alt.Color(
        "kind:N",
        title=None,
        scale=alt.Scale(domain=["hours needed", "hours there are"], range=[theme.BLUE, theme.VERMILLION]),
        legend=alt.Legend(symbolType="square"),
    )
    need = need.encode(color=kinds).transform_calculate(kind="'hours needed'")
    have = (
        base.mark_rule(strokeWidth=3, aria=False)
        .encode(x=x, x2=alt.X2("week_end:T"), y=alt.Y("hours_available:Q"), color=alt.Color("kind:N"))
        .transform_calculate(kind="'hours there are'")
    )
    return alt.layer(need, have, width="container", height=260).add_params(area_param)


def hours_heat_chart(weeks: pl.DataFrame, have_capacity: bool) -> alt.Chart:
    """Weeks by areas: hours short (orange) or spare (blue); without capacity, the hours needed.

    weeks: area, week, week_end, hours_needed, balance (needed less available, null where not given). [h]
    """
    if have_capacity:
        # the ends hold nothing at all, too: of weeks that are all short the legend would begin with blue
        known = weeks["balance"].drop_nulls().to_list()
        colour = alt.Color(
            "balance:Q",
            title="Hours short (orange) or spare (blue) [h]",
            scale=alt.Scale(
                scheme="blueorange", domainMid=0, domainMin=min([0.0, *known]), domainMax=max([0.1, *known])
            ),
        )
    else:
        colour = alt.Color("hours_needed:Q", title="Hours needed [h]", scale=alt.Scale(scheme="cividis"))
    return by_area_and_week(
        weeks,
        alt.X("week:T", title="Week beginning", axis=week_axis(weeks)),
        colour.legend(format=",.1~f", gradientLength=220),
        [
            alt.Tooltip("hours_needed:Q", title="Hours needed", format=",.1f"),
            alt.Tooltip("hours_available:Q", title="Hours there are", format=",.1f"),
            alt.Tooltip("visits:Q", title="Visits", format=",.0f"),
        ],
    )


def hour_value_chart(weeks: pl.DataFrame) -> alt.Chart:
    """Weeks by areas: the out-of-range days that one more technician hour would avoid.

    weeks: area, week, week_end, hour_value. [days per hour]
    """
    return by_area_and_week(
        weeks,
        alt.X("week:T", title="Week beginning", axis=week_axis(weeks)),
        alt.Color(
            "hour_value:Q",
            title=["Out-of-range days avoided", "per extra hour [days/h]"],
            scale=alt.Scale(type="sqrt", scheme="cividis"),  # one area that lacks much would leave the others black
            legend=alt.Legend(format=",.1~f", gradientLength=220),
        ),
        [alt.Tooltip("hour_value:Q", title="Days avoided per hour", format=",.2f")],
    )


def tolerance_chart(scenarios: pl.DataFrame) -> alt.TopLevelMixin:
    """Hours of the plan against the out-of-range days that remain, one point per risk tolerance.

    scenarios: risk_tolerance, label ('10 %'), hours [h], expected_out_days [days], present (words)
    """
    base = alt.Chart(scenarios).encode(
        x=alt.X(
            "hours:Q",
            title="Technician hours over the plan [h]",
            scale=alt.Scale(zero=False, nice=True, padding=24),
            axis=alt.Axis(format=",.1~f", tickCount=6),
        ),
        y=alt.Y(
            "expected_out_days:Q",
            title="Expected out-of-range days [days]",
            scale=alt.Scale(zero=False, padding=24),
            axis=alt.Axis(format=",.1~f", tickCount=6),
        ),
    )
    line = base.mark_line(color=theme.GREY, aria=False).encode(order="risk_tolerance:Q")
    dots = base.mark_point(filled=True, size=110, opacity=1).encode(
        color=alt.Color(
            "present:N", title=None, scale=alt.Scale(domain=["in use", "what if"], range=[theme.VERMILLION, theme.BLUE])
        ),
        shape=alt.Shape(
            "present:N", scale=alt.Scale(domain=["in use", "what if"], range=["diamond", "circle"]), title=None
        ),
        tooltip=[
            alt.Tooltip("label:N", title="Risk tolerance"),
            alt.Tooltip("hours:Q", title="Hours", format=",.0f"),
            alt.Tooltip("visits:Q", title="Visits", format=",.0f"),
            alt.Tooltip("expected_out_days:Q", title="Out-of-range days", format=",.0f"),
        ],
    )
    text = base.mark_text(align="left", dx=9, dy=-9, fontSize=12).encode(text=alt.Text("label:N"))
    return alt.layer(line, dots, text, width="container", height=260)


def peak_chart(weeks: pl.DataFrame) -> alt.Chart:
    """Hours by week as planned and as the present intervals would have them.

    weeks: week, kind ('as planned', 'at the present interval'), hours. [h]
    """
    last = weeks.filter(pl.col("week") == pl.col("week").max()).with_columns(pl.col("week").dt.offset_by("7d"))
    return (  # the last week twice, so that its hours are drawn over that week, too
        alt.Chart(pl.concat([weeks, last]), width="container", height=240)
        .mark_line(interpolate="step-after", strokeWidth=2, aria=False)
        .encode(
            x=alt.X("week:T", title="Week beginning", axis=week_axis(weeks)),
            y=alt.Y("hours:Q", title="Technician hours per week [h]", axis=alt.Axis(format=",.1~f")),
            color=alt.Color(
                "kind:N",
                title=None,
                scale=alt.Scale(domain=["as planned", "at the present interval"], range=[theme.BLUE, theme.VERMILLION]),
            ),
            strokeDash=alt.StrokeDash(
                "kind:N",
                scale=alt.Scale(domain=["as planned", "at the present interval"], range=[[1, 0], [5, 3]]),
                title=None,
            ),
        )
    )


def media_chart(months: pl.DataFrame, unit: str) -> alt.Chart:
    """Neutralising media to have in hand, by month.

    months: month (first day), month_end, media. [unit]
    """
    return (
        alt.Chart(months, width="container", height=180)
        .mark_rect(color=theme.GREEN)
        .encode(
            x=alt.X(
                "month:T",
                title="Month",
                axis=alt.Axis(
                    format="%b %Y", grid=False, labelOverlap="greedy", tickCount={"interval": "month", "step": 1}
                ),
            ),
            x2=alt.X2("month_end:T"),
            y=alt.Y("media:Q", title=f"Neutralising media [{unit}]", axis=alt.Axis(format=",.1~f")),
            y2=alt.datum(0),
            tooltip=[
                alt.Tooltip("month:T", title="Month", format="%b %Y"),
                alt.Tooltip("media:Q", title=f"Media [{unit}]", format=",.1f"),
            ],
        )
    )
