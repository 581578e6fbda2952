"""Shapes that several charts share."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from reports import theme


def zero_line() -> alt.Chart:
    return (
        alt.Chart(pl.DataFrame({"zero": [0]}))
        .mark_rule(strokeDash=[4, 3], color=theme.GREY, aria=False)
        .encode(x=alt.X("zero:Q"))
    )


def interval_rows(
    frame: pl.DataFrame,
    row: str,
    middle: str,
    axis: alt.X,
    tooltip: list[alt.Tooltip],
    *,
    zero: bool = False,
    **marks: Any,
) -> alt.TopLevelMixin:
    """One row each: a dot at `middle` on a line from `low` to `high`, in the frame's order.

    axis: the X channel of `low`, with title and format. marks: channels of the dots (color, shape); the lines take the
    colour.
    """
    base = alt.Chart(frame)
    y = alt.Y(f"{row}:N", sort=frame[row].to_list(), title=None)
    bars = base.mark_rule(strokeWidth=2, aria=False).encode(y=y, x=axis, x2=alt.X2("high:Q"), color=marks["color"])
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        y=y, x=alt.X(f"{middle}:Q"), tooltip=tooltip, **marks
    )
    layers = [bars, dots, zero_line()] if zero else [bars, dots]
    return alt.layer(*layers, width="container", height=alt.Step(22))


def by_area_and_week(weeks: pl.DataFrame, x: alt.X, colour: alt.Color, tooltip: list[alt.Tooltip]) -> alt.Chart:
    """Weeks by areas, a coloured field each; weeks: area, week, week_end and what is coloured."""
    areas = list(dict.fromkeys(weeks["area"].to_list()))
    first = [
        alt.Tooltip("area:N", title="Area"),
        alt.Tooltip("week:T", title="Week of", format="%-d %b %Y"),
    ]
    return (
        alt.Chart(weeks, width="container", height=alt.Step(22))
        .mark_rect(aria=False)
        .encode(
            x=x,
            x2=alt.X2("week_end:T"),
            y=alt.Y("area:N", sort=areas, title=None),
            color=colour,
            tooltip=first + tooltip,
        )
    )
