"""What is asked of a shard when its fit is through."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.drift.fitted import SeriesFit
from models.drift.joint import Said, cycle_messages
from models.drift.pace import rates_after
from models.drift.states import built_up_before, tree_sums, with_unread
from models.fleets.shards import Shard, held_state
from models.known.cleaning import PAIRS, before_and_after
from models.known.posteriors import Asked, Open
from models.known.rates import PerModel, added, per_model, silent_forest
from models.mixed.upper_levels import Above


@dataclass(frozen=True)
class Ended:
    """What is asked of a shard when its fit is through, at one go. counts: readings, cycles, installs read, readings
    that count for less than half; paces: as `pace.rates_after`; pairs: as `cleaning.before_and_after`; said: what the
    cycles say, for a joint fit; open: the cycles asked for."""

    counts: np.ndarray
    models: PerModel
    pairs: pl.DataFrame
    paces: np.ndarray
    said: Said | None
    open: Open | None


def ended(shard: Shard, head: SeriesFit, above: Above, asked: pl.DataFrame | None, joins: bool) -> Ended:
    """asked: cycles to tell of, None: not wanted; joins: whether a joint fit will be."""
    r, fit = shard.readings, shard.fit(head)
    counts = np.array([len(r.z), len(r.start), len(shard.forest.installs), int((r.weight < 0.5).sum())])
    told = of_models(shard, fit), cleanings(shard, fit), paces(shard, fit, above)
    return Ended(counts, *told, *of_cycles(shard, head, above, asked, joins))


def of_cycles(
    shard: Shard, head: SeriesFit, above: Above | None, asked: pl.DataFrame | None, joins: bool
) -> tuple[Said | None, Open | None]:
    """What the cycles say, for a joint fit, and the posterior of those asked for."""
    fit = shard.fit(head)
    said = cycle_messages(fit, shard.forest) if joins else None
    if asked is None or asked.is_empty():
        return said, None
    wanted = Asked.of(fit, asked)
    return said, Open.among(fit, with_unread(fit, shard.forest, wanted.unread), wanted, above)


def of_models(shard: Shard, fit: SeriesFit) -> PerModel:
    forest, parts = shard.forest, []
    if not shard.empty:
        parts.append(per_model(fit, forest, tree_sums(fit, forest).n, built_up_before(fit, forest)))
    silent = silent_forest(fit, forest.rows)
    if silent.size:
        none = np.zeros(silent.size)
        parts.append(per_model(fit, silent, none, built_up_before(fit, silent)))
    models = np.unique(np.r_[forest.models, silent.models])
    return added(parts, models, len(fit.terms.terms))


def cleanings(shard: Shard, fit: SeriesFit) -> pl.DataFrame:
    if fit.before is None or shard.empty:
        return pl.DataFrame(schema=PAIRS)
    return before_and_after(fit, shard.forest)


def paces(shard: Shard, fit: SeriesFit, above: Above) -> np.ndarray:
    if shard.empty or not fit.paces:
        return np.zeros((len(fit.paces), 3))
    fit = replace(fit, beta=above.at.beta)
    return rates_after(shard.forest, held_state(shard, fit, above, cov=False), fit.paces)
