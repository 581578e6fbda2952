"""Each chart: draws its marks, names its units, and holds nothing that a cell's text could turn into code or a link."""

from __future__ import annotations

import json
from datetime import date, timedelta
from typing import Any

import altair as alt
import polars as pl
import pytest

from reports import theme
from reports.charts import appliance_models as models
from reports.charts import staffing, trust
from reports.charts.shapes import Filled, data_gap, shape_of, zero_line
from reports.drawing import drawn_svg
from reports.site import Chart, split, still, whole

MONDAY = date(2026, 3, 16)
WEEKS = pl.DataFrame(
    [
        {
            "area": a,
            "week": MONDAY + timedelta(days=7 * k),
            "week_end": MONDAY + timedelta(days=7 * k + 6),
            "visits": 3,
            "hours_needed": 4.0 + k,
            "hours_available": 6.0,
            "balance": k - 2.0,
            "hour_value": float(k),
        }
        for a in ("North", "South")
        for k in range(6)
    ]
)
MODELS = pl.DataFrame(
    {
        "label": ["Alder 30", "Alder 20"],
        "design": ["coil", "coil"],
        "rate": [2.0, 1.0],
        "low": [1.5, 0.5],
        "high": [2.5, 1.5],
        "verdict": ["worse than the fleet", "not told apart"],
        "p_text": ["95 %", "40 %"],
        "installs": [9, 12],
    }
)
POINTS = pl.DataFrame(
    {"hours": [0.0, 1000.0, 2000.0], "value": [15.0, 20.0, 33.0], "state": ["in range", "in range", "out of range"]}
)
BAND = pl.DataFrame({"hours": [0.0, 2000.0], "q10": [12.0, 20.0], "q50": [15.0, 25.0], "q90": [18.0, 30.0]})
EFFECTS = pl.DataFrame(
    {
        "label": ["coil, brush", "coil, rinse"],
        "kind": ["brush", "rinse"],
        "restored": [0.3, 0.7],
        "low": [0.2, 0.6],
        "high": [0.4, 0.8],
        "cycles": [20, 30],
    }
)

# chart, the axis titles it must show, marks it must draw at least
CHARTS: dict[str, tuple[Chart, list[str], int]] = {
    "state": (
        staffing.fleet_state_chart(
            pl.DataFrame(
                {"area": ["N", "N"], "state": ["out of range", "in range"], "rank": [0, 2], "installs": [2, 5]}
            )
        ),
        ["Installs"],
        2,
    ),
    "hours": (
        staffing.hours_by_week_chart(
            WEEKS.with_columns(pl.lit("All areas").alias("area")).head(6), alt.param(name="area", value="All areas")
        ),
        ["Technician hours per week [h]", "Week beginning"],
        7,
    ),
    "heat": (staffing.hours_heat_chart(WEEKS, True), ["Hours short (orange) or spare (blue) [h]"], 12),
    "heat_needed": (staffing.hours_heat_chart(WEEKS, False), ["Hours needed [h]"], 12),
    "value": (staffing.hour_value_chart(WEEKS), ["Out-of-range days avoided per extra hour [days/h]"], 12),
    "tolerance": (
        staffing.tolerance_chart(
            pl.DataFrame(
                {
                    "risk_tolerance": [0.05, 0.1],
                    "label": ["5 %", "10 %"],
                    "visits": [9, 8],
                    "hours": [90.0, 80.0],
                    "expected_out_days": [10.0, 20.0],
                    "present": ["what if", "in use"],
                }
            )
        ),
        ["Technician hours over the plan [h]", "Expected out-of-range days [days]"],
        3,
    ),
    "peak": (
        staffing.peak_chart(
            pl.concat(
                [
                    WEEKS.head(6).select("week", pl.lit(k).alias("kind"), pl.col("hours_needed").alias("hours"))
                    for k in ("as planned", "at the present interval")
                ]
            )
        ),
        ["Technician hours per week [h]"],
        2,
    ),
    "media": (
        staffing.media_chart(
            pl.DataFrame({"month": [date(2026, 3, 1)], "month_end": [date(2026, 3, 31)], "media": [4.0]}), "kg"
        ),
        ["Neutralising media [kg]"],
        1,
    ),
    "drift": (models.drift_chart(MODELS, "K"), ["Drift per 1,000 burner hours [K]"], 5),
    "readings": (
        models.readings_chart(POINTS, BAND, [30.0], (10.0, 40.0), "K", "Flue over return"),
        ["Flue over return [K]", "Burner hours since set back [h]"],
        6,
    ),
    "readings_no_band": (
        models.readings_chart(POINTS, BAND.clear(), [3.0, 7.0], (0.0, 40.0), "%", "O2"),
        ["O2 [%]"],
        5,
    ),
    "share": (
        models.share_out_chart(pl.DataFrame({"label": ["a", "b"], "share": [0.2, 0.1], "installs": [3, 4]})),
        ["Share out of range"],
        2,
    ),
    "cleaning": (models.cleaning_chart(EFFECTS), ["Share taken away"], 4),
    "skill": (
        trust.skill_chart(
            pl.DataFrame({"horizon_months": [6, 12], "method": ["these forecasts"] * 2, "brier_skill": [0.2, 0.3]})
        ),
        ["Months ahead"],
        3,
    ),
    "calibration": (
        trust.calibration_chart(
            pl.DataFrame(
                {"p_mid": [0.1, 0.5], "observed": [0.1, 0.4], "low": [0.0, 0.3], "high": [0.2, 0.6], "n": [9, 9]}
            )
        ),
        ["Chance that was forecast", "Share then found out of range"],
        5,
    ),
    "analysers": (
        trust.analyser_chart(
            pl.DataFrame(
                {
                    "analyser": ["A1", "A2"],
                    "bias": [0.3, 0.0],
                    "low": [0.2, -0.1],
                    "high": [0.4, 0.1],
                    "tests": [9, 9],
                    "verdict": ["wants calibration", "agrees with its peers"],
                }
            ),
            "%",
        ),
        ["Away from its peers by [%]"],
        5,
    ),
    "counts": (
        trust.counts_chart(pl.DataFrame({"label": ["a"], "count": [3]}), "Values in doubt"),
        ["Values in doubt"],
        1,
    ),
}


@pytest.mark.parametrize("name", CHARTS)
def test_each_chart_draws_its_marks_and_names_its_axes(name: str) -> None:
    chart, titles, marks = CHARTS[name]
    svg = still(drawn_svg(whole(chart)), name)
    drawn = 0
    for group in svg.split('class="mark-')[1:]:
        _, rest = group.split(" ", 1)
        if "role-mark" in rest.split('"', 1)[0]:
            drawn += sum(rest.split("</g>")[0].count(tag) for tag in ("<path", "<text", "<line"))
    assert drawn >= marks, f"{drawn} marks"
    for title in titles:
        assert title in svg


@pytest.mark.parametrize("name", CHARTS)
def test_each_chart_keeps_to_the_schema(name: str) -> None:
    """Vega-Lite's own schema, as Altair carries it."""
    CHARTS[name][0].to_dict(validate=True)


def test_a_filled_shape_is_what_altair_makes_of_the_same_chart() -> None:
    """Altair given the data and the words is the judge: specification, names and rows of data sets, and their order."""
    frame = MODELS.rename({"label": "row"})

    def built(rows: alt.NamedData | pl.DataFrame, order: list[str], unit: str, top: Any) -> alt.TopLevelMixin:
        base = alt.Chart(rows)
        y = alt.Y("row:N", sort=order)
        x = alt.X("rate:Q", title=f"Drift [{unit}]", scale=alt.Scale(domain=[0, top]))
        dots = base.mark_point().encode(y=y, x=x)
        return alt.layer(dots, zero_line(), width="container")

    filled = Filled(
        shape_of(built(data_gap("rows"), ["{order}"], "{unit}", "{top}")),
        {"rows": frame},
        {"order": frame["row"].to_list(), "unit": "K", "top": 4.5},
    )
    expected = built(frame, frame["row"].to_list(), "K", 4.5).to_dict()
    assert json.dumps(filled.to_dict()) == json.dumps(expected)


def test_braces_in_data_stay_as_they_are() -> None:
    """A name like a gap is a name: only the shape has gaps."""
    hostile = MODELS.with_columns(label=pl.Series(["{unit}", "{nothing}"]))
    spec = models.drift_chart(hostile, "{order}").to_dict(validate=True)
    assert [row["label"] for row in next(iter(spec["datasets"].values()))] == ["{unit}", "{nothing}"]
    assert spec["layer"][0]["encoding"]["y"]["sort"] == ["{unit}", "{nothing}"]
    assert spec["layer"][0]["encoding"]["x"]["title"] == "Drift per 1,000 burner hours [{order}]"


def walk(node: Any) -> list[dict[str, Any]]:
    if isinstance(node, dict):
        return [node, *(d for v in node.values() for d in walk(v))]
    return [d for v in node for d in walk(v)] if isinstance(node, list) else []


@pytest.mark.parametrize("name", CHARTS)
def test_no_chart_lets_data_become_links_pictures_or_code(name: str) -> None:
    spec, _ = split(whole(CHARTS[name][0]))
    for part in walk(spec):
        assert not {"href", "url"} & set(part)
        assert part.get("content") != "data"
        assert part.get("field") not in ("image", "title", "href", "url")
        assert part.get("type") != "image"
    assert "datum[" not in json.dumps(spec)


def test_states_have_a_sign_and_a_word_each_of_its_own() -> None:
    signs = [(v[0], v[1]) for v in theme.STATES.values()]
    assert len({s for s, _ in signs}) == len({w for _, w in signs}) == len(signs)


def luminance(colour: str) -> float:
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


# WCAG 2.2, success criterion 1.4.11: graphics want 3 to 1 against what they stand on;
# its formula of relative luminance.
@pytest.mark.parametrize("colour", [theme.BLUE, theme.VERMILLION, theme.GREEN, theme.PURPLE, theme.GREY])
@pytest.mark.parametrize("ground", ["#ffffff", "#1e2227"])
def test_marks_stand_out_on_light_and_dark(colour: str, ground: str) -> None:
    assert contrast(colour, ground) >= 2.99
