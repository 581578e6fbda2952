"""Open cycles that may have ended without anybody saying so."""

from __future__ import annotations

import polars as pl

ASKED = ("install_no", "cycle_no", "opened_by", "opened_day", "value_before", "hours_open")


def doubted_cycles(now: pl.DataFrame, unsaid: pl.DataFrame, readings: pl.DataFrame, usual: str | None) -> pl.DataFrame:
    """The cycles that work may have opened at a visit which leaves open (an empty cell) whether it was done: the newest
    such visit of the open cycle, where nothing was read after it. At most one per install, sorted.

    now: install_no, cycle_no, opened_visit_no (null: not by a visit) and now_h of the open cycles. unsaid: install_no,
    visit_no, day, clock_h of such visits. readings: install_no, visit_no, stage_order, value, of their installs at
    least. usual: what opens most cycles.
    Returns `ASKED`: cycle_no is one more than that of the open cycle, value_before what was found at that visit.
    """
    place = pl.col("visit_no").cast(pl.Int64) * 2
    latest = readings.group_by("install_no").agg(latest=(place + pl.col("stage_order")).max())
    found = readings.filter(pl.col("stage_order") == 0).select("install_no", "visit_no", value_before="value")
    return (
        now.select("install_no", "cycle_no", "opened_visit_no", "now_h")
        .join(unsaid.select("install_no", "visit_no", "day", "clock_h"), on="install_no")
        .filter(pl.col("visit_no") > pl.col("opened_visit_no").fill_null(-1))
        .sort("install_no", "visit_no")
        .group_by("install_no", maintain_order=True)
        .last()
        .join(latest, on="install_no", how="left", maintain_order="left")
        .filter(pl.col("latest").fill_null(-1) <= place)
        .join(found, on=["install_no", "visit_no"], how="left", maintain_order="left")
        .with_columns(
            pl.col("cycle_no") + 1,
            opened_by=pl.lit(usual, pl.String),
            opened_day=pl.col("day"),
            hours_open=(pl.col("now_h") - pl.col("clock_h")).clip(0.0),
        )
        .select(ASKED)
    )


def usual_work(opened_by: pl.Series) -> str | None:
    """What opens most cycles, beginnings left out; of several the first by name."""
    works = opened_by.drop_nulls().cast(pl.String)
    most = works.filter(~works.is_in(["new", "unknown"])).mode().sort()
    return most[0] if len(most) else None
