"""Charts for the analyst: drift per appliance model, readings against limits, what cleaning restores."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import altair as alt
import polars as pl

from reports import theme
from reports.charts.shapes import Filled, data_gap, interval_rows, interval_shape, shape_of


def drift_chart(models: pl.DataFrame, unit: str) -> Filled:
    """Drift of the appliance models with its 80 % interval, worst first; those surely worse than the fleet stand out.

    models: label, rate, low, high [unit per 1,000 h], verdict (words), installs, p_text; in the order to stand.
    """
    return interval_rows(_drift_shape(), models, "label", unit=unit)


@cache
def _drift_shape() -> dict[str, Any]:
    verdicts = ["worse than the fleet", "not told apart", "better than the fleet"]
    colours = [theme.VERMILLION, theme.GREY, theme.BLUE]
    return interval_shape(
        "label",
        "rate",
        alt.X("low:Q", title="Drift per 1,000 burner hours [{unit}]", axis=alt.Axis(tickCount=8)),
        [
            alt.Tooltip("label:N", title="Appliance model"),
            alt.Tooltip("design:N", title="Exchanger design"),
            alt.Tooltip("rate:Q", title="Drift [{unit} per 1,000 h]", format=".3~g"),
            alt.Tooltip("low:Q", title="80 % from", format=".3~g"),
            alt.Tooltip("high:Q", title="80 % to", format=".3~g"),
            alt.Tooltip("installs:Q", title="Installs", format=",.0f"),
            alt.Tooltip("p_text:N", title="Chance of being worse than the fleet"),
        ],
        zero=True,
        color=alt.Color("verdict:N", title=None, scale=alt.Scale(domain=verdicts, range=colours)),
        shape=alt.Shape(
            "verdict:N", title=None, scale=alt.Scale(domain=verdicts, range=["triangle-up", "circle", "diamond"])
        ),
    )


POINTS = {
    "in range": (theme.BLUE, "circle"),
    "out of range": (theme.VERMILLION, "triangle-up"),
    "no limit known": (theme.GREY, "square"),
}


def readings_chart(
    points: pl.DataFrame,
    band: pl.DataFrame,
    limits: Sequence[float],
    span: tuple[float, float],
    unit: str,
    indicator: str,
) -> Filled:
    """Readings of one appliance model by burner hours since the last reset, with the fitted band and the limits.

    points: hours [h], value [unit], state (words). band: hours, q10, q50, q90 (80 % of installs between the outer two).
    limits: the ends of the range that there are. span: the values between which it is drawn; the rest is cut off.
    """
    frames = {"band": band} if band.height else {}
    frames["points"] = points
    frames |= {f"limit{k}": pl.DataFrame({"limit": [limit]}) for k, limit in enumerate(limits)}
    gaps = {"axis": f"{indicator} [{unit}]", "bottom": span[0], "top": span[1]}
    states = tuple(state for state in POINTS if points["state"].is_in([state]).any())
    return Filled(_readings_shape(bool(band.height), len(limits), states or ("in range",)), frames, gaps)


@cache
def _readings_shape(banded: bool, limits: int, states: tuple[str, ...]) -> dict[str, Any]:
    x = alt.X("hours:Q", title="Burner hours since set back [h]", axis=alt.Axis(format=",.0f", tickCount=5))
    y = alt.Y("value:Q", title="{axis}", scale=alt.Scale(domain=["{bottom}", "{top}"], nice=False))
    layers: list[alt.Chart] = []
    if banded:
        band = alt.Chart(data_gap("band"))
        layers.append(
            band.mark_area(color=theme.BLUE, opacity=0.18, aria=False, clip=True).encode(
                x=x, y=alt.Y("q10:Q", title="{axis}"), y2=alt.Y2("q90:Q")
            )
        )
        layers.append(band.mark_line(color=theme.BLUE, aria=False, clip=True).encode(x=x, y=alt.Y("q50:Q")))
    colours, signs = ([POINTS[state][k] for state in states] for k in range(2))
    layers.append(
        alt.Chart(data_gap("points"))
        .mark_point(filled=True, size=26, opacity=1, aria=False)
        .encode(
            x=x,
            y=y,
            color=alt.Color("state:N", title=None, scale=alt.Scale(domain=list(states), range=colours)),
            shape=alt.Shape("state:N", title=None, scale=alt.Scale(domain=list(states), range=signs)),
        )
    )
    for k in range(limits):
        layers.append(
            alt.Chart(data_gap(f"limit{k}"))
            .mark_rule(strokeDash=[6, 3], strokeWidth=2, color=theme.VERMILLION, aria=False, clip=True)
            .encode(y=alt.Y("limit:Q"))
        )
    return shape_of(alt.layer(*layers, width="container", height=220))


def share_out_chart(models: pl.DataFrame) -> Filled:
    """Share of each model's installs that would be out of range at the present interval.

    models: label, share (0 to 1), installs; in the order to stand.
    """
    return interval_rows(_share_out_shape(), models, "label")


@cache
def _share_out_shape() -> dict[str, Any]:
    return shape_of(
        alt.Chart(data_gap("rows"), width="container", height=alt.Step(20))
        .mark_bar(color=theme.BLUE, aria=False)
        .encode(
            y=alt.Y("label:N", sort=["{order}"], title=None),
            x=alt.X(
                "share:Q",
                title="Share out of range",
                axis=alt.Axis(format="%", tickCount=8),
                scale=alt.Scale(domainMin=0),
            ),
            tooltip=[
                alt.Tooltip("label:N", title="Appliance model"),
                alt.Tooltip("share:Q", title="Share out of range", format=".0%"),
                alt.Tooltip("installs:Q", title="Installs", format=",.0f"),
            ],
        )
    )


def cleaning_chart(effects: pl.DataFrame) -> Filled:
    """How much of what had built up each kind of work takes away, with its interval.

    effects: label (design and kind), kind, restored, low, high (shares, 1 = all of it), cycles; in the order to stand.
    """
    kinds = list(dict.fromkeys(effects["kind"].sort().to_list()))
    colours = [theme.BLUE, theme.VERMILLION, theme.GREEN, theme.PURPLE, theme.GREY]
    of_kinds = [colours[i % len(colours)] for i in range(len(kinds))]
    return interval_rows(_cleaning_shape(), effects, "label", kinds=kinds, colours=of_kinds)


@cache
def _cleaning_shape() -> dict[str, Any]:
    return interval_shape(
        "label",
        "restored",
        alt.X("low:Q", title="Share taken away", axis=alt.Axis(format="%", tickCount=8)),
        [
            alt.Tooltip("label:N", title="Design and work"),
            alt.Tooltip("restored:Q", title="Taken away", format=".0%"),
            alt.Tooltip("low:Q", title="80 % from", format=".0%"),
            alt.Tooltip("high:Q", title="80 % to", format=".0%"),
            alt.Tooltip("cycles:Q", title="Times done", format=",.0f"),
        ],
        color=alt.Color("kind:N", title=None, scale=alt.Scale(domain=["{kinds}"], range=["{colours}"])),
    )
