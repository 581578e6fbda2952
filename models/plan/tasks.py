"""What a visit should do and what it should bring, from the chances of each series before the next interval.

The wording is that of the trade. The cautions are common practice; local code and the maker's instructions come first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

Flags = NDArray[np.bool_]
CLASSES = ("exchanger", "burner", "electrodes", "trap", "media")
FEWEST_CYCLES = 5
UNBRUSHED = ("stainless", "aluminium")

STOP = "stop, make safe by local code and the maker's instructions, licensed people only"
CO_OUT = f"CO read out of range: {STOP}"
CO_LIKELY_OUT = f"CO is likely out of range: measure it first, and if it is, {STOP}"
CHECK_LIMIT = "check the typed limit: most of this model reads just outside it right after work"
TAKE = {
    "exchanger": ("vacuum with soft nozzle", "exchanger door gasket"),
    "burner": ("burner gasket",),
    "electrodes": ("electrode set",),
    "trap": ("trap gasket", "measuring jug of one litre"),
}
ALWAYS_TAKE = ("combustion analyser", "test port plug")


@dataclass(frozen=True)
class VisitTasks:
    """tasks, take_along: (n,) semicolon-separated. cleaning: (n,) kind of exchanger cleaning, "none" without one."""

    tasks: pl.Series
    take_along: pl.Series
    cleaning: pl.Series


def best_cleaning(effects: pl.DataFrame, kind_minutes: dict[str, float], visit_minutes: float) -> dict[str, str]:
    """Per exchanger design, the kind of cleaning that costs the fewest minutes per share of the fouling it takes away.

    The time to the next limit grows with the share restored, so a visit's minutes are spread over a cycle in proportion
    to it: least (visit + cleaning) / restored share. A kind must have been seen in at least five cycles.

    effects: exchanger_design, indicator, kind, restored_share, cycles. kind_minutes: what each kind adds to a visit;
    visit_minutes: of the visit without a cleaning, travel included. [min]
    """
    seen = (
        effects.filter(
            (pl.col("indicator") == "flue_over_return_k")
            & pl.col("kind").is_in(list(kind_minutes))
            & (pl.col("cycles") >= FEWEST_CYCLES)
            & pl.col("restored_share").is_finite()
        )
        .group_by("exchanger_design", "kind")
        .agg(((pl.col("restored_share") * pl.col("cycles")).sum() / pl.col("cycles").sum()).alias("share"))
        .with_columns(
            (
                (visit_minutes + pl.col("kind").replace_strict(kind_minutes, return_dtype=pl.Float64))
                / pl.col("share").clip(0.05, 1.0)
            ).alias("minutes_per_share")
        )
        .sort("exchanger_design", "minutes_per_share", "kind")
        .unique("exchanger_design", keep="first")
    )
    return dict(zip(seen["exchanger_design"], seen["kind"], strict=True))


def write_tasks(
    due: dict[str, Flags],
    co_out: Flags,
    co_likely_out: Flags,
    out_now: Flags,
    limit_doubted: Flags,
    pressure_out: Flags,
    material: Sequence[str],
    kind: Sequence[str],
    condensing: Flags,
    media_kg: np.ndarray,
) -> VisitTasks:
    """Tasks and what to bring, one text per install.

    due: for each of CLASSES, (n,) True where its series is likely out before the next interval. co_out,
    co_likely_out: CO out of range by its last reading, by its forecast for now; out_now: any other reading out of range
    now; limit_doubted: most of the model reads just outside a limit right after work; pressure_out: the system's
    pressure was out of range. material, kind: exchanger material and kind of cleaning per install ("" where nothing is
    known of the kinds). media_kg: mass when full, nan without a neutraliser. [kg]
    """
    n = len(co_out)
    cleaning = pl.Series("cleaning", ["none"] * n if n == 0 else list(kind), dtype=pl.String)
    state = pl.DataFrame(
        {name: due[name] for name in CLASSES}
        | {"co_out": co_out, "co_likely_out": co_likely_out, "out": out_now, "condensing": condensing}
        | {"limit_doubted": limit_doubted, "pressure_out": pressure_out}
        | {"material": pl.Series(material, dtype=pl.String), "kind": cleaning}
    )
    kinds = state.unique(maintain_order=True)
    written = [_texts(row) for row in kinds.iter_rows(named=True)]
    kinds = kinds.with_columns(
        pl.Series("tasks", [t for t, _ in written], dtype=pl.String),
        pl.Series("take_along", [t for _, t in written], dtype=pl.String),
    )
    full = state.with_columns(pl.Series("media_kg", media_kg, dtype=pl.Float64)).join(
        kinds, on=state.columns, how="left", nulls_equal=True, maintain_order="left"
    )
    bring = (
        pl.when(pl.col("media") & pl.col("media_kg").is_finite() & (pl.col("media_kg") > 0))
        .then(pl.format("{};neutralising media {} kg", "take_along", pl.col("media_kg").round(1)))
        .otherwise(pl.col("take_along"))
    )
    done = pl.when(pl.col("exchanger")).then(
        pl.when(pl.col("kind") == "").then(pl.lit("rinse")).otherwise(pl.col("kind"))
    )
    return VisitTasks(
        full["tasks"], full.select(bring.alias("take_along")).to_series(),
        full.select(done.otherwise(pl.lit("none")).alias("cleaning")).to_series(),
    )  # fmt: skip


def _texts(row: dict) -> tuple[str, str]:
    tasks = [CO_OUT] if row["co_out"] else [CO_LIKELY_OUT] if row["co_likely_out"] else []
    if row["out"]:
        tasks.append("a reading was out of range: confirm it before any work")
    if row["limit_doubted"]:
        tasks.append(CHECK_LIMIT)
    if row["pressure_out"]:
        tasks.append("bring the system pressure into range and look for the cause")
    tasks.append("measure as found at high and low fire with the case closed")
    if row["exchanger"]:
        tasks += _exchanger(row["kind"], row["material"])
    if row["burner"]:
        tasks.append("check burner, air and gas setting against the maker's ranges")
    if row["electrodes"]:
        tasks.append("clean or renew electrodes")
    if row["trap"]:
        tasks.append("clean condensate trap and time one litre through it")
    if row["media"]:
        tasks.append("renew neutralising media and measure pH at the outlet")
    if row["condensing"]:
        tasks.append("prime the trap and prove that it discharges before firing")
    tasks.append("measure as left with the case closed, then seal the flue test port")
    take = list(ALWAYS_TAKE)
    for name in CLASSES:
        if row[name]:
            take += TAKE.get(name, ())
    if row["exchanger"]:
        take.append("soft brush" if row["kind"] == "brush" and row["material"] in UNBRUSHED else _tool(row["kind"]))
    return ";".join(tasks), ";".join(dict.fromkeys(take))


def _exchanger(kind: str, material: str) -> list[str]:
    how = {
        "brush": "brush the exchanger",
        "rinse": "rinse the exchanger",
        "chemical": "clean the exchanger with the maker's agent",
    }.get(kind, "clean the exchanger by the maker's method")
    tasks = [f"{how}, vacuum before rinsing"]
    if material in UNBRUSHED:
        tasks.append(f"never a metal brush on {material}")
    tasks.append("keep refractory and insulation dry and unscratched")
    return tasks


def _tool(kind: str) -> str:
    return {"brush": "exchanger brush", "chemical": "cleaning agent the maker allows"}.get(kind, "rinsing bottle")
