"""Appliance models ranked by how fast they drift towards their limit, from the joint posterior of all."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.arrays import Floats
from models.tails import Z80


def rank_models(drift: pl.DataFrame, present: Floats, transform: str, worse: str) -> pl.DataFrame:
    """Rates in the indicator's unit at each model's median present value, and the rank.

    drift: model_no, rate and rate_sd (on the scale of the fit per 1,000 h), minus_fleet, worse_than_fleet_p.
    present: median present value of the model's installs in the indicator's unit, row by row; nan where there is none.
    transform, worse: of the series ("log" or "identity"; "up", "down" or "both").
    Returns model_no, rate_per_1000h with its 80 % interval (rate_low_per_1000h, rate_high_per_1000h), rank (1 drifts
    fastest towards its limit on the scale of the fit; with two limits, the way the fleet drifts), worse_than_fleet_p.
    """
    rate, sd, minus_fleet = (drift[c].cast(pl.Float64).to_numpy() for c in ("rate", "rate_sd", "minus_fleet"))
    unit = np.asarray(present, float) if transform == "log" else np.ones(len(rate))
    if worse == "both":
        fleet = rate - minus_fleet
        sign = -1.0 if len(fleet) and float(np.mean(fleet)) < 0 else 1.0
    else:
        sign = 1.0 if worse == "up" else -1.0
    # What rounding alone sets apart is settled by the model's number, so that runs agree.
    order = np.lexsort((drift["model_no"].to_numpy(), -(sign * rate).round(9)))
    rank = np.empty(len(order), np.int32)
    rank[order] = np.arange(1, len(order) + 1, dtype=np.int32)
    return drift.select("model_no").with_columns(
        rate_per_1000h=pl.Series(unit * rate).fill_nan(None),
        rate_low_per_1000h=pl.Series(unit * (rate - Z80 * sd)).fill_nan(None),
        rate_high_per_1000h=pl.Series(unit * (rate + Z80 * sd)).fill_nan(None),
        rank=pl.Series(rank),
        worse_than_fleet_p=drift["worse_than_fleet_p"],
    )
