"""How fast each appliance model drifts, and how that compares with the fleet, from the joint posterior of all
models."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.stats import norm

from models.covariates import RATE
from models.cycle_sums import Forest
from models.fitted import SeriesFit, evaluate, install_frame, seen_cycles
from models.smallblocks import slots


def model_rates(fit: SeriesFit) -> pl.DataFrame:
    """One row per model with installs, read or not, sorted by model_no.

    rate, rate_sd: typical drift of the model's installs as they stand (their water, air and fuel in it), on the scale
    of the fit per 1,000 h, averaged over the first 2,000 h after work (so that designs with different exponents
    compare).
    minus_fleet, minus_fleet_sd: difference from the install-weighted mean of all models, with their joint uncertainty.
    worse_than_fleet_p: chance that the model's typical drift is worse than that mean; worse is towards the limit, and
    where both ends matter, the way the fleet drifts. installs, readings: how many stand behind it.
    """
    installs = install_frame(fit.inputs)
    seen = seen_cycles(fit.inputs, fit.readings)
    silent = installs.join(seen, on="install_no", how="anti").select(
        "install_no",
        pl.lit(0, dtype=pl.Int64).alias("cycle_no"),
        pl.lit("unread").alias("opened_by"),
        pl.lit(None, dtype=pl.Int32).alias("opened_day"),
        pl.lit(None, dtype=pl.Float64).alias("value_before"),
    )
    forest = Forest.of(pl.concat([seen, silent]), installs)
    if forest.cycles.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    state = evaluate(fit, forest)
    of_model, of_design = state.at.links
    at, rate = slots(2), 1
    to_install, to_model, to_design = forest.parents
    newest = np.flatnonzero(np.r_[np.diff(to_install) != 0, True])
    number = np.bincount(to_model, minlength=len(forest.models)).astype(float)
    weight = number / number.sum()

    # each model's rate = row . u + noise, u = (-beta, 1)
    rows = of_model.total[rate].T.copy()
    for j, term in enumerate(fit.terms.terms):
        # "aged" is what a straight line through a late stretch differs by, and no part of the drift from clean
        if term.component == RATE and term.how not in ("intercept", "aged"):
            x = term.column(forest, state.built_up)
            if x is not None:
                rows[:, j] -= np.bincount(to_model, x[newest], len(forest.models)) / number
    p = len(fit.terms.terms)
    u = np.r_[-state.at.beta, 1.0]
    cov = np.zeros((p + 1, p + 1))
    cov[:p, :p] = state.at.beta_cov
    fleet_row = weight @ rows
    own = of_model.own[at[rate, rate]]
    keep = of_model.keep[rate].T  # (models, 2): what a model keeps of its design's noise
    design_cov = np.moveaxis(of_design.cond[at], -1, 0)
    shared = np.zeros((len(forest.designs), 2))
    np.add.at(shared, to_design, weight[:, None] * keep)
    through = np.einsum("mi,mij,mj->m", keep, design_cov[to_design], shared[to_design])
    noise = own + np.einsum("mi,mij,mj->m", keep, design_cov[to_design], keep)
    fleet_noise = float(np.sum(weight**2 * own) + np.einsum("di,dij,dj->", shared, design_cov, shared))
    difference = rows - fleet_row
    variance = np.einsum("mi,ij,mj->m", rows, cov, rows) + noise
    difference_variance = (
        np.einsum("mi,ij,mj->m", difference, cov, difference) + noise + fleet_noise - 2 * (weight * own + through)
    )
    value, away = rows @ u, difference @ u
    sign = {"up": 1.0, "down": -1.0}.get(fit.inputs.worse, float(np.sign(fleet_row @ u)) or 1.0)
    sd = fit.sigma * np.sqrt(np.maximum(difference_variance, 0.0))
    readings = np.bincount(to_model[to_install], state.sums.n, len(forest.models))
    worse = norm.cdf(sign * away / np.maximum(sd, 1e-300)) if len(forest.models) > 1 else np.full(1, 0.5)
    return pl.DataFrame(
        {
            "model_no": forest.models,
            "rate": value,
            "rate_sd": fit.sigma * np.sqrt(np.maximum(variance, 0.0)),
            "minus_fleet": away,
            "minus_fleet_sd": sd,
            "worse_than_fleet_p": worse,
            "installs": number.astype(np.int32),
            "readings": readings.astype(np.int32),
        },
        schema=SCHEMA,
    ).sort("model_no")


SCHEMA = {
    "model_no": pl.Int32,
    "rate": pl.Float64,
    "rate_sd": pl.Float64,
    "minus_fleet": pl.Float64,
    "minus_fleet_sd": pl.Float64,
    "worse_than_fleet_p": pl.Float64,
    "installs": pl.Int32,
    "readings": pl.Int32,
}
