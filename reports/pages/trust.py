"""The parts of the analyst's page on work, analysers, changes of pace, and how the forecasts fared."""

from __future__ import annotations

from typing import Any

import polars as pl

from reports import tables, theme
from reports.charts import appliance_models as model_charts
from reports.charts import trust as charts
from reports.site import Figure

ROWS_DRAWN = 24
ANALYSERS_DRAWN = 20
TELLING = 0.5  # an 80 % interval wider than this share of what had built up tells little; own judgement
DRAWN_BETWEEN = (-0.5, 1.5)  # shares beyond are cut off


def cleaning(effects: pl.DataFrame, figures: list[Figure]) -> dict[str, Any]:
    """What each kind of work restores.

    effects: label, unit, exchanger_design, kind, restored_share, low, high, cycles, value_*.
    """
    if effects.is_empty():
        return {"fig": None, "table": None}
    order = effects.sort("series_no", "exchanger_design", "kind", nulls_last=True)
    first = order.filter(pl.col("series_no") == order["series_no"][0])
    busiest = (
        first.group_by("exchanger_design")
        .agg(pl.col("cycles").sum())
        .sort(["cycles", "exchanger_design"], descending=[True, False])
        .head(ROWS_DRAWN // 3)
    )
    drawn = (
        first.join(busiest.select("exchanger_design").with_row_index("at"), on="exchanger_design")
        .sort("at", "kind")
        .with_columns(
            pl.format(
                "{}, {}", pl.col("exchanger_design").fill_null("design not given").str.slice(0, 24), "kind"
            ).alias("label_row")
        )
    )
    best = drawn.drop_nulls("restored_share").sort(["restored_share", "label_row"], descending=[True, False])
    name = None
    if best.height:
        name = "cleaning"
        rows = drawn.select(
            pl.col("label_row").alias("label"),
            "kind",
            pl.col("restored_share").alias("restored"),
            pl.col("low").clip(*DRAWN_BETWEEN),
            pl.col("high").clip(*DRAWN_BETWEEN),
            "cycles",
        )
        cut = (drawn["low"] < DRAWN_BETWEEN[0]).any() or (drawn["high"] > DRAWN_BETWEEN[1]).any()
        note = "Lines: 80 % intervals" + (", cut off where they reach further than the picture." if cut else ".")
        said = f"{first['label'][0]}: {_best_and_least(best)}."
        figures.append(Figure(name, model_charts.cleaning_chart(rows), said, note, 80 + 22 * rows.height))
    table = tables.build(
        "What work restores",
        order,
        [
            tables.Column("Exchanger design", tables.words("exchanger_design")),
            tables.Column("Work", tables.words("kind")),
            tables.Column("Reading", tables.words("label")),
            tables.Column("Taken away", lambda r: theme.quantity(_pct(r["restored_share"]), "%", 0), True),
            tables.Column(
                "80 % interval",
                lambda r: f"{theme.number(_pct(r['low']))} to {theme.quantity(_pct(r['high']), '%', 0)}",
                True,
            ),
            tables.Column("Typical before", lambda r: theme.quantity(r["value_before"], r["unit"]), True),
            tables.Column("Typical after", lambda r: theme.quantity(r["value_after"], r["unit"]), True),
            tables.Column("Times done", tables.figures("cycles"), True),
        ],
        30,
        where="in the store, table cleaning_effects",
    )
    return {"fig": name, "table": table}


def _best_and_least(best: pl.DataFrame) -> str:
    """Which work takes away most and which least, of those that have been measured well enough to be told apart.

    best: exchanger_design, kind, restored_share, low, high; most first.
    """
    known = best.filter(pl.col("high") - pl.col("low") <= TELLING)
    if known.is_empty():
        return "how much work takes away cannot be told yet"
    work = lambda r: f"{r['kind']} on {theme.named(r['exchanger_design'] or 'an unnamed design')}"
    share = lambda r: theme.quantity(_pct(r["restored_share"]), "%", 0)
    top, least = known.row(0, named=True), known.row(-1, named=True)
    also = f", {work(least)} {share(least)}" if known.height > 1 else ""
    return f"{work(top)} takes away {share(top)} of what had built up{also}"


def _pct(share: float | None) -> float | None:
    return None if share is None else 100 * share


def analysers(bias: pl.DataFrame, figures: list[Figure]) -> dict[str, Any]:
    """Analysers against their peers.

    bias: analyser, series_no, label, unit, bias, low, high, tests, wants_calibration.
    """
    if bias.is_empty():
        return {
            "figs": [],
            "table": None,
            "words": "No analyser could be compared with its peers: too few tests name one.",
        }
    by_size = ["wants_calibration", "size", "analyser"]
    order = bias.with_columns(pl.col("bias").abs().alias("size")).sort(
        ["series_no", *by_size], descending=[False, True, True, False], nulls_last=True
    )
    figs = []
    for (series_no,), own in order.partition_by("series_no", as_dict=True, maintain_order=True).items():
        unit, label = own["unit"][0], own["label"][0]
        off = own.filter("wants_calibration")
        names = [f"{r['analyser']} ({_signed(r['bias'], unit)})" for r in off.head(3).iter_rows(named=True)]
        said = (
            f"{label}: {', '.join(names)}{' and others' if off.height > 3 else ''} "
            f"{'reads' if off.height == 1 else 'read'} away from the others by more than chance and "
            f"{'wants' if off.height == 1 else 'want'} calibration."
            if off.height
            else f"{label}: none of {theme.plural(own.height, 'analyser')} reads away from its peers by more than "
            "chance."
        )
        verdict = (
            pl.when("wants_calibration").then(pl.lit("wants calibration")).otherwise(pl.lit("agrees with its peers"))
        )
        rows = own.head(ANALYSERS_DRAWN).select("analyser", "bias", "low", "high", "tests", verdict.alias("verdict"))
        note = f"The {ANALYSERS_DRAWN} furthest off of {own.height:,}." if own.height > ANALYSERS_DRAWN else ""
        figs.append(f"analysers{series_no}")
        figures.append(Figure(figs[-1], charts.analyser_chart(rows, unit), said, note, 80 + 22 * rows.height))
    table = tables.build(
        "Analysers that want calibration",
        order.filter("wants_calibration"),
        [
            tables.Column("Analyser", tables.words("analyser")),
            tables.Column("Reading", tables.words("label")),
            tables.Column("Reads away by", lambda r: _signed(r["bias"], r["unit"]), True),
            tables.Column(
                "80 % interval",
                lambda r: f"{_signed(r['low'], r['unit'], False)} to {_signed(r['high'], r['unit'])}",
                True,
            ),
            tables.Column("Tests", tables.figures("tests"), True),
        ],
        15,
        where="in the store, table analyser_bias",
    )
    return {"figs": figs, "table": table, "words": ""}


def _signed(value: float | None, unit: str, told: bool = True) -> str:
    """A bias with its sign. told: whether the unit stands behind it."""
    text = theme.quantity(value, unit if told else "", 2 if unit == "%" else 1)
    return f"+{text}" if value is not None and value > 0 else text


def pace(changes: pl.DataFrame) -> tables.Table:
    """Changes of pace: where a design, model or batch drifts faster or slower than it used to."""
    order = changes.sort("p", "name", nulls_last=True)
    return tables.build(
        "Where the pace of drift has changed",
        order,
        [
            tables.Column("What", lambda r: tables.bdi(f"{r['scope']} {r['name']}")),
            tables.Column("Reading", tables.words("label")),
            tables.Column("Since", tables.dates("since")),
            tables.Column("Pace now against before", lambda r: f"× {theme.number(r['ratio'], 2)}", True),
            tables.Column(
                "80 % interval", lambda r: f"× {theme.number(r['low'], 2)} to {theme.number(r['high'], 2)}", True
            ),
            tables.Column("Chance of seeing it by accident", tables.chances("p"), True),
            tables.Column("Installs", tables.figures("installs"), True),
        ],
        20,
        rest=("change", "changes"),
        where="in the store, table pace_changes",
    )


def scores(frame: pl.DataFrame, bins: pl.DataFrame, figures: list[Figure]) -> dict[str, Any]:
    """How past forecasts fared.

    frame: series_no, label, horizon_months, method, n, events, brier, brier_skill, auc, ...; bins likewise.
    """
    if frame.is_empty():
        return {
            "figs": [],
            "table": None,
            "words": "The history is too short to try the forecasts on the past; take the chances with care.",
        }
    named = frame.with_columns(pl.col("method").replace(charts.METHODS).alias("method_words"))
    # The picture shows the series with most events: skill on a handful of events is noise.
    ours = named.filter(pl.col("method") == "foulcast")
    base = ours if ours.height else named
    focus = (
        base.group_by("series_no")
        .agg(pl.col("events").sum())
        .sort(["events", "series_no"], descending=[True, False])["series_no"][0]
    )
    one = named.filter(pl.col("series_no") == focus).sort("method", "horizon_months")
    label = one["label"][0]
    figs = []
    drawn = one.drop_nulls("brier_skill").select(
        "horizon_months", pl.col("method_words").alias("method"), "brier_skill"
    )
    if drawn.height:
        mine = one.filter(pl.col("method") == "foulcast").sort("horizon_months")
        skill = mine["brier_skill"][-1] if mine.height else None
        furthest: Any = one["horizon_months"].max()
        best = (
            one.filter(pl.col("horizon_months") == furthest)
            .sort(["brier", "method"], nulls_last=True)
            .row(0, named=True)
        )
        ours_best = best["method"] == "foulcast"
        beside = "no simpler way tried does better" if ours_best else f"“{best['method_words']}” does better"
        said = (
            f"{label}, {furthest} months ahead: the forecasts have a Brier skill of {theme.number(skill, 2)}; {beside}."
        )
        figures.append(
            Figure(
                "skill",
                charts.skill_chart(drawn),
                said,
                "Fitted on what was known at several past dates, scored on what was then found.",
            )
        )
        figs.append("skill")
    own_bins = bins.filter(pl.col("series_no") == focus)
    if own_bins.height:
        horizon: Any = own_bins["horizon_months"].max()
        own_bins = own_bins.filter(pl.col("horizon_months") == horizon).sort("p_mid")
        off = own_bins.select(
            ((pl.col("observed") - pl.col("p_mid")).abs() * pl.col("n")).sum() / pl.col("n").sum()
        ).item()
        said = (
            f"{label}, {horizon} months ahead: forecast and found shares differ by {100 * (off or 0):.0f} points "
            "on average."
        )
        figures.append(
            Figure(
                "calibration",
                charts.calibration_chart(own_bins.select("p_mid", "observed", "low", "high", "n")),
                said,
                "On the dashed line both agree; bars: intervals of the share found.",
            )
        )
        figs.append("calibration")
    return {"figs": figs, "table": _score_table(named), "words": ""}


def _score_table(named: pl.DataFrame) -> tables.Table:
    """One row per series and horizon: these forecasts, the base rate, and the best other method."""
    keys = ["series_no", "label", "horizon_months"]
    ours = named.filter(pl.col("method") == "foulcast")
    base = named.filter(pl.col("method") == "base_rate").select(*keys, pl.col("brier").alias("brier_base"))
    other = (
        named.filter(~pl.col("method").is_in(["foulcast", "base_rate"]))
        .sort("brier", "method", nulls_last=True)
        .group_by(keys)
        .agg(pl.col("method_words").first().alias("best_other"), pl.col("brier").first().alias("brier_other"))
    )
    rows = ours.join(base, on=keys, how="left").join(other, on=keys, how="left").sort("series_no", "horizon_months")
    return tables.build(
        "Forecasts tried on the past, beside simpler ways",
        rows,
        [
            tables.Column("Reading", tables.words("label")),
            tables.Column("Months ahead", tables.figures("horizon_months"), True),
            tables.Column("Forecasts", tables.figures("n"), True),
            tables.Column("Then found out", tables.figures("events"), True),
            tables.Column("Brier score", tables.figures("brier", 4), True),
            tables.Column("Fleet's base rate", tables.figures("brier_base", 4), True),
            tables.Column("Best other way", lambda r: tables.bdi(r["best_other"])),
            tables.Column("Its Brier score", tables.figures("brier_other", 4), True),
            tables.Column("AUC", tables.figures("auc", 2), True),
            tables.Column("Calibration slope", tables.figures("calibration_slope", 2), True),
            tables.Column("80 % interval covers", tables.shares("coverage80"), True),
        ],
        60,
        where="in the store, table backtest_scores",
        note="Brier score: mean squared error of the chances, smaller is better. AUC: chance that an install that "
        "went out had the higher forecast. "
        "Slope 1 is calibrated. Every method and score is in exports/run.json.",
    )
