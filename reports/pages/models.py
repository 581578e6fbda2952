"""The analyst's page: which appliance models drift, how surely, what work restores, and how far to trust it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from reports import tables, theme
from reports.charts import appliance_models as charts
from reports.pages import trust
from reports.site import Figure, Site

MODELS_DRAWN = 25
TOLD_APART = 0.9  # chance beyond which a model is called worse (or, below 1 - it, better) than the fleet


def models_page(site: Site, frames: Mapping[str, pl.DataFrame]) -> None:
    """appliance-models.html.

    frames: models (one row per model and series, units shown), model_points, model_curves (hours, q10, q50, q90),
    model_limits, series (series_no, label, unit, transform), cleaning, analysers, pace, odd_limits, scores, bins.
    """
    models = _with_labels(frames["models"])
    figures: list[Figure] = []
    sections = []
    for s in frames["series"].sort("series_no").iter_rows(named=True):
        own = models.filter(pl.col("series_no") == s["series_no"]).sort("place", "model_no", nulls_last=True)
        if own.drop_nulls("rate").height:
            sections.append(_section(s, own, frames, figures))
        odd = frames["odd_limits"].sort(["outside", "model_no", "series_no"], descending=[True, False, False])
    headlines = _headlines(models, odd)
    cleaning = trust.cleaning(frames["cleaning"], figures)
    analysers = trust.analysers(frames["analysers"], figures)
    scores = trust.scores(frames["scores"], frames["bins"], figures)
    site.write(
        "appliance-models.html",
        "appliance-models.html.j2",
        figures,
        headlines=headlines,
        sections=sections,
        odd=_odd(odd),
        cleaning=cleaning,
        analysers=analysers,
        scores=scores,
        pace=trust.pace(frames["pace"]),
    )


def _with_labels(models: pl.DataFrame) -> pl.DataFrame:
    """Names as they are drawn: short, and with the key where two models share a name."""
    once = (
        models.select("model_no", "model", "model_id")
        .unique()
        .with_columns(pl.col("model").is_duplicated().alias("twice"))
    )
    name = pl.col("model").map_elements(lambda m: theme.named(m, 40), return_dtype=pl.String)
    labels = once.with_columns(
        pl.when("twice").then(name + " (" + pl.col("model_id") + ")").otherwise(name).alias("label_model")
    )
    return models.join(labels.select("model_no", "label_model"), on="model_no", how="left")


def _headlines(models: pl.DataFrame, odd: pl.DataFrame) -> list[str]:
    """What the analyst should know first; models whose limit looks wrong are not called bad for it."""
    if models.is_empty():
        return ["No drift has been fitted yet: there are too few readings."]
    sound = models.join(odd.select("model_no", "series_no").unique(), on=["model_no", "series_no"], how="anti")
    order = ["share_out_at_interval", "worse_than_fleet_p", "model_no", "series_no"]
    ranked = sound.sort(order, descending=[True, True, False, False], nulls_last=True)
    worse = ranked.filter(pl.col("worse_than_fleet_p") >= TOLD_APART).unique(
        "model_no", keep="first", maintain_order=True
    )
    said = []
    if worse.height:
        names = [
            f"{r['label_model']} ({r['label']}: {theme.chance(r['worse_than_fleet_p'])} sure, "
            f"{theme.chance(r['share_out_at_interval'])} out at the present interval)"
            for r in worse.head(3).iter_rows(named=True)
        ]
        said.append(f"Drifting worse than the fleet: {'; '.join(names)}.")
    else:
        said.append("No appliance model is told apart from the fleet yet.")
    top = ranked.row(0, named=True) if ranked.height else None
    if (
        top
        and (top["share_out_at_interval"] or 0) >= 0.005
        and (not worse.height or worse["model_no"][0] != top["model_no"])
    ):
        said.append(
            f"At the present interval most are to be expected out of range in {top['label_model']}: "
            f"{theme.chance(top['share_out_at_interval'])} of its installs ({top['label']})."
        )
    for r in odd.head(2).iter_rows(named=True):
        said.append(
            f"The limit of {theme.named(r['model'])} for {r['label']} looks wrong: {r['outside']:,} of "
            f"{r['readings']:,} readings just after work lie outside."
        )
    if odd.height > 2:
        said.append("1 more limit looks wrong." if odd.height == 3 else f"{odd.height - 2:,} more limits look wrong.")
    return said


def _section(
    s: dict[str, Any], own: pl.DataFrame, frames: Mapping[str, pl.DataFrame], figures: list[Figure]
) -> dict[str, Any]:
    k, unit, label = s["series_no"], s["unit"], s["label"]
    verdict = (
        pl.when(pl.col("worse_than_fleet_p") >= TOLD_APART)
        .then(pl.lit("worse than the fleet"))
        .when(pl.col("worse_than_fleet_p") <= 1 - TOLD_APART)
        .then(pl.lit("better than the fleet"))
        .otherwise(pl.lit("not told apart"))
        .alias("verdict")
    )
    known = own.drop_nulls("rate")
    rows = (
        known.head(MODELS_DRAWN)
        .with_columns(
            verdict,
            pl.col("worse_than_fleet_p")
            .map_elements(theme.chance, return_dtype=pl.String, skip_nulls=False)
            .alias("p_text"),
        )
        .select(
            pl.col("label_model").alias("label"),
            pl.col("exchanger_design").fill_null(theme.DASH).alias("design"),
            "rate",
            pl.col("rate_low").alias("low"),
            pl.col("rate_high").alias("high"),
            "verdict",
            "p_text",
            "installs",
        )
    )
    worst = known.row(0, named=True)
    relative = s["transform"] == "log"
    drift_words = (
        f"{theme.rate(worst['rate'])}{theme.NBSP}{unit} per 1,000 h "
        f"(80{theme.NBSP}% interval {theme.rate(worst['rate_low'])} to {theme.rate(worst['rate_high'])})"
    )
    finding = (
        f"{worst['label_model']} drifts fastest towards its limit{', for its own level' if relative else ''}: "
        f"{drift_words}; {theme.chance(worst['worse_than_fleet_p'])} chance that it is worse than the fleet."
        if known.height > 1
        else f"{worst['label_model']} drifts by {drift_words}."
    )
    relative &= known.height > 1
    note = f"The {MODELS_DRAWN} worst of {known.height:,}." if known.height > MODELS_DRAWN else ""
    if relative:
        note = (
            f"{note} Ordered and judged by drift relative to the model's own level: where that is high, more drift in "
            "the unit shown may still be less of it."
        ).strip()
    drift = f"drift{k}"
    figures.append(Figure(drift, charts.drift_chart(rows, unit), finding, note, 90 + 22 * rows.height))
    curves: list[str] = []
    for place, (model_no,) in enumerate(
        frames["model_points"]
        .filter(pl.col("series_no") == k)
        .select("model_no")
        .unique()
        .join(own.select("model_no", "place"), on="model_no")
        .sort("place", "model_no")
        .select("model_no")
        .iter_rows()
    ):
        figure = _readings(f"read{k}x{place}", k, model_no, unit, label, own, frames)
        figures.append(figure)
        curves.append(figure.name)
    share = None
    shares = own.drop_nulls("share_out_at_interval").sort(
        ["share_out_at_interval", "model_no"], descending=[True, False]
    )
    if shares.height and (shares["share_out_at_interval"][0] or 0) > 0.001:
        share = f"share{k}"
        top = shares.row(0, named=True)
        bars = shares.head(15).select(
            pl.col("label_model").alias("label"), pl.col("share_out_at_interval").alias("share"), "installs"
        )
        figures.append(
            Figure(
                share,
                charts.share_out_chart(bars),
                f"Left to the present interval, {theme.chance(top['share_out_at_interval'])} of the installs of "
                f"{top['label_model']} "
                "would be out of range.",
                "The 15 largest." if shares.height > 15 else "",
                60 + 20 * bars.height,
            )
        )
    table = tables.build(
        f"{label}: appliance models, worst first",
        own,
        [
            tables.Column("Appliance model", lambda r: tables.find_link(r["label_model"], r["model"])),
            tables.Column("Exchanger design", tables.words("exchanger_design")),
            tables.Column("Installs", tables.figures("installs"), True),
            tables.Column(f"Drift per 1,000 h [{unit}]", lambda r: theme.rate(r["rate"]), True),
            tables.Column(f"80 % interval [{unit}]", _interval, True),
            tables.Column("Chance worse than the fleet", tables.chances("worse_than_fleet_p"), True),
            tables.Column("Median time to out [days]", tables.figures("median_days_to_out"), True),
            tables.Column("Share out at the present interval", tables.chances("share_out_at_interval"), True),
        ],
        30,
        rest=("model", "models"),
        where="in exports/appliance_models.csv",
        note="The model's name leads to its installs.",
    )
    return {"id": f"series-{k}", "label": label, "drift": drift, "curves": curves, "share": share, "table": table}


def _interval(row: dict[str, Any]) -> str:
    if row["rate_low"] is None or row["rate_high"] is None:
        return theme.DASH
    return f"{theme.rate(row['rate_low'])} to {theme.rate(row['rate_high'])}"


def _readings(
    name: str, k: int, model_no: int, unit: str, label: str, own: pl.DataFrame, frames: Mapping[str, pl.DataFrame]
) -> Figure:
    mine = (pl.col("series_no") == k) & (pl.col("model_no") == model_no)
    points = frames["model_points"].filter(mine).sort("hours", "value").select("hours", "value", "state")
    band = frames["model_curves"].filter(mine).sort("hours").select("hours", "q10", "q50", "q90")
    limit = frames["model_limits"].filter(mine)
    low, high, differs = limit.select("limit_low", "limit_high", "differs").row(0) if limit.height else [None] * 3
    model = own.filter(pl.col("model_no") == model_no)["label_model"][0]
    limits = [] if differs else [x for x in (low, high) if x is not None]
    span = _span(points["value"], limits)
    kept = points.filter(pl.col("value").is_between(*span))
    allowed = "the limit differs from install to install" if differs else theme.limits_text(low, high, unit)
    sampled = bool(frames["model_points"].filter(mine)["sampled"].any())
    beyond = points.height - kept.height
    notes = ["Band: where 8 in 10 of its installs lie by the fit."] if band.height else []
    if beyond:
        notes.append(f"{beyond} beyond the picture.")
    text = f"{model}: {_outside(points['state'], sampled, allowed)}."
    return Figure(
        name, charts.readings_chart(kept, band, limits, span, unit, label), text, " ".join(notes), height_px=220
    )


def _outside(states: pl.Series, sampled: bool, allowed: str) -> str:
    """How many of the readings that are drawn lie outside, of those of installs whose limit is known."""
    judged = states.filter(states != "no limit known")
    of = theme.plural(judged.len() or states.len(), "reading")
    if sampled:
        of = f"a sample of {of}"
    if judged.is_empty():
        return f"no limit is known; {of} shown" if sampled else f"no limit is known; {of}"
    out = (judged == "out of range").sum()
    return f"{out} of {of} {'lies' if out == 1 else 'lie'} outside ({allowed})"


def _span(values: pl.Series, limits: list[float]) -> tuple[float, float]:
    """From where to where to draw: nearly all readings and the limits near them; a single wild one may not flatten
    the rest.
    """
    low, high = values.quantile(0.02, "lower"), values.quantile(0.97, "higher")
    low, high = float(low or 0.0), float(high or 0.0)
    size = max(high - low, 0.05 * abs(high), 1e-6)
    near = [x for x in limits if low - 2 * size <= x <= high + 2 * size]
    bottom, top = min([low, *near]), max([high, *near])
    pad = 0.08 * (top - bottom or size)
    floor = 0.0 if bottom >= 0 > bottom - pad else bottom - pad
    return float(f"{floor:.4g}"), float(f"{top + pad:.4g}")


def _odd(odd: pl.DataFrame) -> tables.Table:
    def share(row: dict[str, Any]) -> str:
        return f"{row['outside']:,} of {row['readings']:,}"

    table = tables.build(
        "Limits that most readings just after work miss (at most 400 installs of a model and fuel looked at)",
        odd,
        [
            tables.Column("Appliance model", tables.words("model")),
            tables.Column("Fuel", lambda r: tables.bdi((r["fuel"] or "").replace("_", " "))),
            tables.Column("Reading", tables.words("label")),
            tables.Column("Allowed", lambda r: theme.limits_text(r["limit_low"], r["limit_high"], r["unit"])),
            tables.Column("Typical as left", lambda r: theme.quantity(r["median_left"], r["unit"]), True),
            tables.Column("Outside as left", share, True),
            tables.Column("Range read from", tables.words("limit_source")),
        ],
        25,
        rest=("limit", "limits"),
        note="Work leaves an appliance in range, so the range may be mistyped, in another unit, or of another "
        "model: check it against the maker's instructions.",
    )
    table.stack = True
    return table
