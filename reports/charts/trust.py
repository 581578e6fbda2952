"""Charts that say how far the forecasts are to be trusted: skill, calibration, analysers."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import polars as pl

from reports import theme
from reports.charts.shapes import Filled, interval_rows, interval_shape, whole_numbers

METHODS = {
    "foulcast": "these forecasts",
    "base_rate": "fleet's base rate",
    "own_line": "own straight line",
    "common_drift": "one drift for all",
    "boosted_trees": "boosted trees",
}


def skill_chart(scores: pl.DataFrame) -> alt.Chart:
    """Brier skill of each method over the fleet's base rate, by how far ahead it looked.

    scores: horizon_months, method (words), brier_skill; one indicator and firing.
    """
    words = [w for w in METHODS.values() if w in set(scores["method"].to_list())]
    colours = dict(
        zip(METHODS.values(), [theme.BLUE, theme.GREY, theme.VERMILLION, theme.GREEN, theme.PURPLE], strict=True)
    )
    shapes = dict(zip(METHODS.values(), ["circle", "square", "triangle-up", "diamond", "cross"], strict=True))
    return (
        alt.Chart(scores, width="container", height=240)
        .mark_line(point={"size": 70, "filled": True}, strokeWidth=2)
        .encode(
            x=alt.X(
                "horizon_months:Q",
                title="Months ahead",
                axis=alt.Axis(values=sorted(set(scores["horizon_months"].to_list())), grid=False),
                scale=alt.Scale(padding=14),
            ),
            y=alt.Y(
                "brier_skill:Q",
                title="Brier skill (1 is perfect, 0 no better)",
                scale=alt.Scale(domainMin=-0.3, clamp=True),
            ),
            color=alt.Color(
                "method:N",
                title=None,
                scale=alt.Scale(domain=words, range=[colours[w] for w in words]),
                legend=alt.Legend(columns=2),
            ),
            shape=alt.Shape("method:N", title=None, scale=alt.Scale(domain=words, range=[shapes[w] for w in words])),
            tooltip=[
                alt.Tooltip("method:N", title="Method"),
                alt.Tooltip("horizon_months:Q", title="Months ahead"),
                alt.Tooltip("brier_skill:Q", title="Brier skill", format=".2f"),
            ],
        )
    )


def calibration_chart(bins: pl.DataFrame) -> alt.TopLevelMixin:
    """What was forecast against what came about; on the dashed line both agree.

    bins: p_mid, observed, low, high (0 to 1), n; one indicator, firing and horizon.
    """
    base = alt.Chart(bins)
    ideal = (
        alt.Chart(pl.DataFrame({"p": [0.0, 1.0]}))
        .mark_line(strokeDash=[4, 3], color=theme.GREY, aria=False)
        .encode(x=alt.X("p:Q"), y=alt.Y("p:Q"))
    )
    x = alt.X("p_mid:Q", title="Chance that was forecast", axis=alt.Axis(format="%"), scale=alt.Scale(domain=[0, 1]))
    bars = base.mark_rule(strokeWidth=2, color=theme.BLUE, aria=False).encode(
        x=x,
        y=alt.Y(
            "low:Q", title="Share then found out of range", axis=alt.Axis(format="%"), scale=alt.Scale(domain=[0, 1])
        ),
        y2=alt.Y2("high:Q"),
    )
    dots = base.mark_point(filled=True, size=70, opacity=1, color=theme.BLUE).encode(
        x=x,
        y=alt.Y("observed:Q"),
        tooltip=[
            alt.Tooltip("p_mid:Q", title="Forecast", format=".0%"),
            alt.Tooltip("observed:Q", title="Found out", format=".0%"),
            alt.Tooltip("n:Q", title="Readings", format=",.0f"),
        ],
    )
    return alt.layer(ideal, bars, dots, width="container", height=240)


def analyser_chart(analysers: pl.DataFrame, unit: str) -> Filled:
    """Each analyser's bias against its peers with its interval; those that want calibration stand out.

    analysers: analyser, bias, low, high [unit], verdict (words), tests; in the order to stand.
    """
    return interval_rows(_analyser_shape(), analysers, "analyser", unit=unit)


@cache
def _analyser_shape() -> dict[str, Any]:
    words = ["wants calibration", "agrees with its peers"]
    return interval_shape(
        "analyser",
        "bias",
        alt.X("low:Q", title="Away from its peers by [{unit}]", axis=alt.Axis(tickCount=5)),
        [
            alt.Tooltip("analyser:N", title="Analyser"),
            alt.Tooltip("bias:Q", title="Bias", format=".2~f"),
            alt.Tooltip("tests:Q", title="Tests", format=",.0f"),
        ],
        zero=True,
        color=alt.Color("verdict:N", title=None, scale=alt.Scale(domain=words, range=[theme.VERMILLION, theme.BLUE])),
        shape=alt.Shape("verdict:N", title=None, scale=alt.Scale(domain=words, range=["triangle-up", "circle"])),
    )


def counts_chart(counts: pl.DataFrame, axis: str) -> alt.Chart:
    """How often each thing was found, most first.

    counts: label, count; in the order to stand.
    """
    return (
        alt.Chart(counts, width="container", height=alt.Step(22))
        .mark_bar(color=theme.BLUE)
        .encode(
            y=alt.Y("label:N", sort=counts["label"].to_list(), title=None, axis=alt.Axis(labelLimit=170)),
            x=alt.X("count:Q", title=axis, axis=whole_numbers(counts["count"].max())),
            tooltip=[alt.Tooltip("label:N", title="What"), alt.Tooltip("count:Q", title=axis, format=",.0f")],
        )
    )
