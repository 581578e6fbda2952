"""A fleet small enough that each series is fitted with all its readings at hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.drift.fit import fit_series
from models.drift.fitted import SeriesFit, Told, bare
from models.drift.joint import joined
from models.drift.series import FitOptions, SeriesInputs
from models.known.cleaning import cleaning_effects
from models.known.doubts import Visits, after_visits
from models.known.posteriors import posterior
from models.known.rates import model_rates


@dataclass(frozen=True)
class Member:
    """A series to fit. open: its open cycles, doubted: those that unrecorded work may have opened since (install_no,
    cycle_no, … each); visits: by what they are heard."""

    inputs: SeriesInputs
    open: pl.DataFrame
    doubted: pl.DataFrame
    visits: Visits


def fitted_together(group: Sequence[Member], options: FitOptions) -> list[Told]:
    """The series of one group: fitted alone, then put together, and their visits heard."""
    fits = joined([fit_series(member.inputs, options) for member in group])
    return [told(fit, member) for fit, member in zip(fits, group, strict=True)]


def told(fit: SeriesFit, member: Member) -> Told:
    runs = fit.readings
    counts = len(runs.z), len(runs.start), len(np.unique(runs.install_no))
    known = posterior(fit, pl.concat([member.open, member.doubted], how="vertical_relaxed"))
    rates, cleanings = model_rates(fit), cleaning_effects(fit)
    if member.open.is_empty():
        return Told(bare(fit), counts, known, rates, cleanings)
    known, doubts = after_visits(known, member.open, member.visits, fit.open_share, fit.sigma, member.inputs.transform)
    return Told(bare(fit), counts, known, rates, cleanings, doubts)
