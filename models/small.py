"""A fleet small enough that each series is fitted with all its readings at hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.cleaning import cleaning_effects
from models.drift import fit_series
from models.fitted import SeriesFit
from models.joint import joined
from models.rates import model_rates
from models.series import FitOptions, SeriesInputs
from models.whole import bare


@dataclass(frozen=True)
class SmallFit:
    """What is told of a series once it is fitted, as of a `WholeFit`. fit: the parameters, without readings; counts:
    readings, cycles, installs read; known: the posterior of the cycles asked for."""

    fit: SeriesFit
    counts: tuple[int, int, int]
    known: pl.DataFrame
    rates: pl.DataFrame
    cleanings: pl.DataFrame

    @classmethod
    def of(cls, fit: SeriesFit, asked: pl.DataFrame) -> SmallFit:
        runs = fit.readings
        counts = len(runs.z), len(runs.start), len(np.unique(runs.install_no))
        return cls(bare(fit), counts, fit.posterior(asked), model_rates(fit), cleaning_effects(fit))

    def posterior(self, cycles: pl.DataFrame) -> pl.DataFrame:
        """Of the cycles that were asked for when the series was fitted."""
        return self.known

    def model_rates(self) -> pl.DataFrame:
        return self.rates

    def cleaning_effects(self) -> pl.DataFrame:
        return self.cleanings


def fitted_together(group: Sequence[tuple[SeriesInputs, pl.DataFrame]], options: FitOptions) -> list[SmallFit]:
    """The series of one group, each with the cycles whose posterior is wanted: fitted alone, then put together."""
    fits = joined([fit_series(inputs, options) for inputs, _ in group])
    return [SmallFit.of(fit, asked) for fit, (_, asked) in zip(fits, group, strict=True)]
