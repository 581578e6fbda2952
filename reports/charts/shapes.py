"""Shapes that several charts share.

A page of models draws one chart over and over with other data, and Altair takes far longer to build one than to say it
anew. What is drawn often is therefore built once, with gaps ("{name}") for what differs, and filled for each chart.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import altair as alt
import polars as pl

from reports import theme


@dataclass(frozen=True)
class Filled:
    """A chart of a shape.

    shape: its specification with gaps. frames: the data sets, by the names that `data_gap` gave them, in the order of
    the layers. gaps: what stands in the others: a text (also within a text), a number, or a list in place of one of
    its members.
    """

    shape: dict[str, Any]
    frames: Mapping[str, pl.DataFrame]
    gaps: Mapping[str, Any] = field(default_factory=dict)

    def to_dict(self, validate: bool = False) -> dict[str, Any]:
        """The specification with its data, as Altair's own charts give it. validate: also check it by the schema."""
        rows = {name: frame.rows(named=True) for name, frame in self.frames.items()}
        named = {name: data_name(values) for name, values in rows.items()}
        spec = fill(self.shape, {**self.gaps, **named})
        data = {named[name]: values for name, values in rows.items()}
        spec["datasets"] = data | self.shape.get("datasets", {})
        if validate:
            alt.Chart.from_dict(spec)
        return spec


def shape_of(chart: alt.TopLevelMixin) -> dict[str, Any]:
    """The specification of a chart with gaps."""
    return chart.to_dict(validate=False)


def data_gap(name: str) -> alt.NamedData:
    """In place of a chart's data."""
    return alt.NamedData(name=f"{{{name}}}")


def fill(part: Any, gaps: Mapping[str, Any]) -> Any:
    """A copy of a part of a specification with its gaps filled."""
    if isinstance(part, str):
        if "{" not in part:
            return part
        return gaps[part[1:-1]] if part[1:-1] in gaps else part.format_map(gaps)
    if isinstance(part, dict):
        return {key: fill(value, gaps) for key, value in part.items()}
    if isinstance(part, list):
        filled = [fill(value, gaps) for value in part]
        return filled[0] if len(part) == 1 and isinstance(part[0], str) and isinstance(filled[0], list) else filled
    return part


def data_name(rows: list[dict[str, Any]]) -> str:
    """The name of a data set by its content, as Altair makes it."""
    text = json.dumps(rows, sort_keys=True, default=str)
    return f"data-{hashlib.sha256(text.encode()).hexdigest()[:32]}"


def zero_line() -> alt.Chart:
    return (
        alt.Chart(pl.DataFrame({"zero": [0]}))
        .mark_rule(strokeDash=[4, 3], color=theme.GREY, aria=False)
        .encode(x=alt.X("zero:Q"))
    )


def interval_shape(
    row: str,
    middle: str,
    axis: alt.X,
    tooltip: list[alt.Tooltip],
    *,
    zero: bool = False,
    **marks: Any,
) -> dict[str, Any]:
    """One row each: a dot at `middle` on a line from `low` to `high`, in the frame's order.

    axis: the X channel of `low`, with title and format. marks: channels of the dots (color, shape); the lines take the
    colour. Filled by `interval_rows`.
    """
    base = alt.Chart(data_gap("rows"))
    y = alt.Y(f"{row}:N", sort=["{order}"], title=None)
    bars = base.mark_rule(strokeWidth=2, aria=False).encode(y=y, x=axis, x2=alt.X2("high:Q"), color=marks["color"])
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        y=y, x=alt.X(f"{middle}:Q"), tooltip=tooltip, **marks
    )
    layers = [bars, dots, zero_line()] if zero else [bars, dots]
    return shape_of(alt.layer(*layers, width="container", height=alt.Step(22)))


def interval_rows(shape: dict[str, Any], frame: pl.DataFrame, row: str, **gaps: Any) -> Filled:
    """The rows of a frame in a shape of `interval_shape`, in the frame's order."""
    return Filled(shape, {"rows": frame}, {"order": frame[row].to_list(), **gaps})


def whole_numbers(most: Any) -> alt.Axis:
    """An axis of counts up to `most`. Few ticks are named one by one: of its own choice the library sets some on
    halves, and their labels would read 0, 1, 1."""
    if most is not None and most <= 3:
        return alt.Axis(format=",.0f", values=list(range(int(most) + 1)))
    return alt.Axis(format=",.0f", tickMinStep=1)


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
