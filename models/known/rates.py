"""How fast each appliance model drifts, and how that compares with the fleet, from the joint posterior of all
models."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import ndtr

from models.drift.covariates import RATE
from models.drift.cycle_sums import Forest
from models.drift.fitted import SeriesFit
from models.drift.states import UNREAD, evaluate, install_frame, seen_cycles
from models.mixed.smallblocks import slots
from models.mixed.upper_levels import Evaluation, places


def model_rates(fit: SeriesFit) -> pl.DataFrame:
    """One row per model with installs that the series applies to, read or not, sorted by model_no.

    rate, rate_sd: typical drift of the model's installs as they stand (their water, air and fuel in it), on the scale
    of the fit per 1,000 h, averaged over the first 2,000 h after work (so that designs with different exponents
    compare).
    minus_fleet, minus_fleet_sd: difference from the install-weighted mean of all models, with their joint uncertainty.
    worse_than_fleet_p: chance that the model's typical drift is worse than that mean; worse is towards the limit, and
    where both ends matter, the way the fleet drifts. installs, readings: how many stand behind it.
    """
    forest = with_silent(fit)
    if forest.size == 0:
        return pl.DataFrame(schema=SCHEMA)
    state = evaluate(fit, forest)
    return compared(fit, per_model(fit, forest, state.sums.n, state.built_up), state.at, forest.parents[2])


def with_silent(fit: SeriesFit) -> Forest:
    """The cycles that were read, and one of every other install with a cycle."""
    seen = seen_cycles(fit.inputs, fit.readings)
    return Forest.of(pl.concat([seen, silent_cycles(fit, seen)]), install_frame(fit.inputs))


def silent_forest(fit: SeriesFit, seen: pl.DataFrame) -> Forest:
    """One cycle of every install with a cycle but none among those seen."""
    return Forest.of(silent_cycles(fit, seen), install_frame(fit.inputs))


def silent_cycles(fit: SeriesFit, seen: pl.DataFrame) -> pl.DataFrame:
    """An install without any cycle is one that the series does not apply to: nobody knows what it would drift by."""
    installs, known = install_frame(fit.inputs), fit.inputs.cycles.select(pl.col("install_no").cast(pl.Int64))
    silent = installs.join(known, on="install_no", how="semi", maintain_order="left")
    return silent.join(seen.select("install_no"), on="install_no", how="anti", maintain_order="left").select(
        "install_no",
        pl.lit(0, dtype=pl.Int64).alias("cycle_no"),
        UNREAD.alias("opened_by"),
        pl.lit(None, dtype=pl.Int32).alias("opened_day"),
        pl.lit(None, dtype=pl.Float64).alias("value_before"),
    )


@dataclass
class PerModel:
    """Per appliance model: its number, installs, readings, and per fixed effect on the rate the sum over its installs
    (effects, models). Parts of a fleet add."""

    model_no: np.ndarray
    installs: np.ndarray
    readings: np.ndarray
    effects: np.ndarray


def added(parts: Sequence[PerModel], models: np.ndarray, effects: int) -> PerModel:
    """Of all parts, for these models in their order; effects: how many fixed effects there are."""
    n = len(models)
    total = PerModel(models, np.zeros(n), np.zeros(n), np.zeros((effects, n)))
    for p in parts:
        at = places(models, p.model_no)
        total.installs[at] += p.installs
        total.readings[at] += p.readings
        total.effects[:, at] += p.effects
    return total


def per_model(fit: SeriesFit, forest: Forest, readings: np.ndarray, built_up: np.ndarray | None) -> PerModel:
    """readings: per cycle of the forest; built_up: as `states.built_up_before`."""
    to_install, to_model, _ = forest.parents
    count = len(forest.models)
    newest = np.flatnonzero(np.r_[np.diff(to_install) != 0, True])
    effects = np.zeros((len(fit.terms.terms), count))
    for j, term in enumerate(fit.terms.terms):
        # "aged" is what a straight line through a late stretch differs by, and no part of the drift from clean
        if term.component == RATE and term.how not in ("intercept", "aged"):
            x = term.column(forest, built_up)
            if x is not None:
                effects[j] = np.bincount(to_model, x[newest], count)
    installs = np.bincount(to_model, minlength=count)
    return PerModel(forest.models, installs, np.bincount(to_model[to_install], readings, count), effects)


def compared(fit: SeriesFit, models: PerModel, at_root: Evaluation, to_design: np.ndarray) -> pl.DataFrame:
    """`model_rates` from the sums over all installs; at_root: the evaluation of the whole fleet, with its links. Models
    without any install that the series applies to are left out."""
    of_model, of_design = at_root.links
    at, rate = slots(2), 1
    number = models.installs.astype(float)
    weight = number / max(number.sum(), 1.0)

    # each model's rate = row . u + noise, u = (-beta, 1)
    rows = of_model.total[rate].T.copy()
    rows[:, : len(models.effects)] -= (models.effects / np.maximum(number, 1.0)).T
    p = len(fit.terms.terms)
    u = np.r_[-at_root.beta, 1.0]
    cov = np.zeros((p + 1, p + 1))
    cov[:p, :p] = at_root.beta_cov
    fleet_row = weight @ rows
    own = of_model.own[at[rate, rate]]
    keep = of_model.keep[rate].T  # (models, 2): what a model keeps of its design's noise
    design_cov = np.moveaxis(of_design.cond[at], -1, 0)
    shared = np.zeros((design_cov.shape[0], 2))
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
    several = np.count_nonzero(number) > 1
    worse = ndtr(sign * away / np.maximum(sd, 1e-300)) if several else np.full(len(number), 0.5)
    told = pl.DataFrame(
        {
            "model_no": models.model_no,
            "rate": value,
            "rate_sd": fit.sigma * np.sqrt(np.maximum(variance, 0.0)),
            "minus_fleet": away,
            "minus_fleet_sd": sd,
            "worse_than_fleet_p": worse,
            "installs": number.astype(np.int32),
            "readings": models.readings.astype(np.int32),
        },
        schema=SCHEMA,
    )
    return told.filter(pl.col("installs") > 0).sort("model_no")


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
