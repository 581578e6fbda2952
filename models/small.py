"""A fleet small enough that each series is fitted with all its readings at hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from models.cleaning import cleaning_effects
from models.drift import fit_series
from models.fitted import SeriesFit, Told, bare
from models.joint import joined
from models.posteriors import posterior
from models.rates import model_rates
from models.series import FitOptions, SeriesInputs


def fitted_together(group: Sequence[tuple[SeriesInputs, pl.DataFrame]], options: FitOptions) -> list[Told]:
    """The series of one group, each with the cycles whose posterior is wanted: fitted alone, then put together."""
    fits = joined([fit_series(inputs, options) for inputs, _ in group])
    return [told(fit, asked) for fit, (_, asked) in zip(fits, group, strict=True)]


def told(fit: SeriesFit, asked: pl.DataFrame) -> Told:
    runs = fit.readings
    counts = len(runs.z), len(runs.start), len(np.unique(runs.install_no))
    return Told(bare(fit), counts, posterior(fit, asked), model_rates(fit), cleaning_effects(fit))
