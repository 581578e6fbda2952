"""A small fleet made by the drift model itself, with its truth: for tests of the fit."""

# ruff: noqa: B023 (readings are taken within the turn of the loop whose state they see)
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.drift.series import SeriesInputs

FIRST_DAY = 15_000


@dataclass
class Made:
    inputs: SeriesInputs
    open_cycles: pl.DataFrame  # install_no, cycle_no, opened_by, value_before
    truth: pl.DataFrame  # install_no, cycle_no, level, rate: of the open cycle at its recorded start
    restored: dict[str, float]


def fleet(
    installs: int = 400,
    seed: int = 0,
    years: int = 8,
    gamma: float = 1.0,
    unknown: float = 0.3,
    outliers: float = 0.0,
    unrecorded: float = 0.0,
    bias: tuple[float, ...] = (0.0,) * 8,
    bad_batch: float = 1.0,
    sigma: float = 0.06,
    models: int = 12,
    designs: int = 4,
) -> Made:
    """Log-scale series that drifts up, cleaned now and then by two kinds of work that leave a share of what had built
    up.

    unknown: share of installs whose first cycle began before the records. unrecorded: share of cleanings not written
    down (those visits leave it open, and some others do).
    bias: per analyser, on the log scale. bad_batch: factor on the rates of design 0 where installed from 2014 on.
    """
    rng = np.random.default_rng(seed)
    design_of = np.arange(models) % designs
    model = rng.integers(0, models, installs)
    design = design_of[model]
    hardness = np.where(rng.random(installs) < 0.85, rng.gamma(4, 40, installs), np.nan)
    installed_year = rng.integers(2010, 2018, installs)
    rate = 0.10 + rng.normal(0, 0.02, designs)[design] + rng.normal(0, 0.015, models)[model]
    rate += rng.normal(0, 0.02, installs) + 0.015 * np.nan_to_num((hardness - 160) / 80)
    rate = np.where((design == 0) & (installed_year >= 2014), rate * bad_batch, rate)
    clean = (
        2.5 + rng.normal(0, 0.1, designs)[design] + rng.normal(0, 0.1, models)[model] + rng.normal(0, 0.12, installs)
    )
    leaves = {"brush": 0.4, "chemical": 0.1}
    readings, cycles, truth, current = [], [], [], []
    for i in range(installs):
        old = rng.random() < unknown
        hour, cycle, opened_h = 0.0, 0, -rng.uniform(500, 3500) if old else 0.0
        level, own = clean[i] + rng.normal(0, 0.05), rate[i] + rng.normal(0, 0.006)
        open_visit = False
        recorded_h, last, kind = 0.0, None, "unknown" if old else "new"
        cycles.append((i, 0, kind, None if old else FIRST_DAY, None))
        per_year = rng.uniform(1200, 2200)
        for year in range(years):
            day = FIRST_DAY + round(365.25 * year)

            def read(stage: int, at: float, day: int = day, i: int = i) -> float:
                analyser = int(rng.integers(0, len(bias)))
                error = rng.normal(0, sigma) + (rng.choice([-1.0, 1.0]) if rng.random() < outliers else 0.0)
                value = float(np.exp(level + own * max((at - opened_h) / 1000, 0.0) ** gamma + error + bias[analyser]))
                readings.append((i, cycle, day, at - recorded_h, value, stage, analyser, open_visit))
                return value

            works = bool(year and rng.random() < 0.3)
            silent = works and rng.random() < unrecorded
            open_visit = silent or rng.random() < 0.1 * unrecorded
            last = read(0 if year else 1, hour)
            if works:
                work = str(rng.choice(sorted(leaves)))
                now = level + own * ((hour - opened_h) / 1000) ** gamma
                level = clean[i] + leaves[work] * (now - clean[i]) + rng.normal(0, 0.05)
                own, opened_h = rate[i] + rng.normal(0, 0.006), hour
                if not silent:
                    cycle, recorded_h, kind = cycle + 1, hour, work
                    cycles.append((i, cycle, work, day, last))
                if rng.random() < 0.7:
                    read(1, hour)
            hour += per_year * rng.uniform(0.9, 1.1)
        moved = (opened_h - recorded_h) / 1000
        truth.append((i, cycle, level - own * moved if gamma == 1.0 else level, own))
        current.append((i, cycle, kind, cycles[-1][4]))
    i32, f64 = pl.Int32, pl.Float64
    frame = pl.DataFrame(
        readings,
        orient="row",
        schema={
            "install_no": i32,
            "cycle_no": i32,
            "day": i32,
            "hours": f64,
            "value": f64,
            "stage_order": pl.Int8,
            "analyser_no": i32,
            "unsure": pl.Boolean,
        },
    ).sort("install_no", "cycle_no", "day", "stage_order")
    opened = {"install_no": i32, "cycle_no": i32, "opened_by": pl.String, "opened_day": i32, "value_before": f64}
    park = pl.DataFrame(
        {
            "install_no": np.arange(installs, dtype=np.int32),
            "model_no": model.astype(np.int32),
            "design_no": design.astype(np.int32),
            "condensing": [True] * installs,
            "material": ["stainless"] * installs,
            "fuel": ["natural_gas"] * installs,
            "air_intake": ["outdoor"] * installs,
            "hardness": hardness,
            "media_kg": [None] * installs,
            "installed_year": installed_year.astype(np.int32),
        }
    ).with_columns(pl.col("hardness").fill_nan(None), pl.col("media_kg").cast(f64))
    inputs = SeriesInputs(
        0, "flue_over_return_k", "high", "log", "up", frame, pl.DataFrame(cycles, schema=opened, orient="row"), park
    )
    return Made(
        inputs,
        pl.DataFrame(
            current,
            orient="row",
            schema={"install_no": i32, "cycle_no": i32, "opened_by": pl.String, "value_before": f64},
        ),
        pl.DataFrame(
            truth, orient="row", schema={"install_no": pl.Int64, "cycle_no": pl.Int64, "level": f64, "rate": f64}
        ),
        {kind: 1 - share for kind, share in leaves.items()},
    )
