"""A fitted series: its parameters, and what follows from them alone."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from models.drift.analysers import AnalyserBias
from models.drift.covariates import Term, Terms, of_unknown_age
from models.drift.cycle_sums import Forest, Readings
from models.drift.series import FitOptions, SeriesInputs

MOST_OF_READING = 0.9  # a bias is never taken to be more of what was read


@dataclass(frozen=True)
class Install:
    """Posterior of level and rate from all indicators of a joint fit, per install and per its newest cycle.

    mean (2, n), cov packed (3, n): of the install; cycle_no (times PARTS, -1: none), own_mean, own_cov: of its newest
    cycle. On the fit's scale less its centre, inner clock, covariates left out.
    """

    install_no: np.ndarray
    mean: np.ndarray
    cov: np.ndarray
    cycle_no: np.ndarray
    own_mean: np.ndarray
    own_cov: np.ndarray


@dataclass
class SeriesFit:
    """A fitted series.

    sigma: residual standard deviation; psi: covariance of (level, rate) per level of the tree (cycle, install, model,
    design), (4, 2, 2), rate per (1,000 h) at the inner clock (`cycle_sums.clock`); gamma: exponent per design; beta and
    terms: fixed effects. All on the transformed scale, less `centre`. reml: restricted criterion (-2 log), None where
    the readings were too few and only weak priors speak.
    """

    inputs: SeriesInputs
    options: FitOptions
    terms: Terms
    roots: list[np.ndarray]  # relative to sigma
    sigma: float
    gamma: dict[int, float]
    beta: np.ndarray
    beta_cov: np.ndarray
    centre: float
    readings: Readings
    reml: float | None = None
    clean: dict[str, np.ndarray] = field(default_factory=dict)  # install_no, level when clean
    before: dict[str, np.ndarray] | None = None  # install_no, cycle_no, fitted level before the work, built_up
    unknown: tuple[tuple[float, float], tuple[float, float]] | None = None  # as `unknown_starts.unknown_starts`
    open_share: float = 0.35  # of visits that leave open whether work was done, those after which it had been
    analysers: AnalyserBias | None = None
    paces: dict[Term, float] = field(
        default_factory=dict
    )  # changes of pace in the terms, and the chance that each is none
    pace: pl.DataFrame | None = None  # the same in words and numbers
    install: Install | None = None  # from a joint fit
    together: np.ndarray | None = None  # correlation of all levels and rates of the joint fit, install by install
    middle: float = 1.0  # how wide the middle half of the residuals lies, of what sigma says; 1 at most
    downweighted_share: float = 0.0  # readings that count for less than half
    converged: bool = True
    passes: int = 0
    note: str = ""

    @property
    def psi(self) -> np.ndarray:
        return np.stack([self.sigma**2 * r @ r.T for r in self.roots])

    @property
    def fixed(self) -> dict[str, tuple[float, float]]:
        """Label of each fixed effect: value and standard error."""
        se = np.sqrt(np.maximum(np.diag(self.beta_cov), 0))
        return {t.label: (float(b), float(s)) for t, b, s in zip(self.terms.terms, self.beta, se, strict=True)}

    def gammas(self, design_no: np.ndarray) -> np.ndarray:
        """Exponent per design number; 1 for a design without any."""
        out = np.ones(len(design_no))
        for d, g in self.gamma.items():
            if g != 1.0:
                out[design_no == d] = g
        return out

    def cycle_gammas(self, forest: Forest) -> np.ndarray:
        """Exponent per cycle. A cycle read from an unknown start does not know its clock: its line is taken as
        straight."""
        to_install, to_model, to_design = forest.parents
        gamma = self.gammas(forest.designs)
        if np.all(gamma == 1.0):
            return np.ones(forest.size)
        gamma = gamma[to_design][to_model][to_install]
        seen = forest.runs(self.readings) >= 0
        return np.where(of_unknown_age(forest) & seen, 1.0, gamma)

    @property
    def offset(self) -> np.ndarray | None:
        """What its analyser's bias adds to each reading on the fit's scale."""
        if self.analysers is None:
            return None
        bias = self.analysers.of(self.readings.analyser, np.ones(len(self.readings.z)))
        if not self.in_kelvin:
            return bias
        # a bias of some kelvin is a large part of a small difference: no straight line will do
        return -np.log1p(-np.clip(bias * np.exp(-self.readings.z), -MOST_OF_READING, MOST_OF_READING))

    @property
    def in_kelvin(self) -> bool:
        """A temperature difference that is fitted as a logarithm."""
        return self.inputs.indicator.endswith("_k") and self.inputs.transform == "log"

    def scale_at(self, z: np.ndarray) -> np.ndarray:
        """What one unit more of an analyser's bias does on the fit's scale to a value z there, known bias taken off: 1,
        but 1 / K for a temperature difference that is fitted as a logarithm."""
        return np.exp(-z) if self.in_kelvin else np.ones(len(z))

    def bent(self, scale: np.ndarray, leverage: np.ndarray) -> np.ndarray | None:
        """What is missing per reading in the score of its analyser's bias where the scale is that of the fitted value.

        An install that runs high has a small scale and a large residual left of its effect: E[scale * residual] /
        sigma^2 = -scale * leverage, to first order (the Jacobian of a shifted logarithm, Box & Cox 1964, less the part
        of a reading's own scatter). None where the scale is the same for all.
        """
        return scale * leverage if self.in_kelvin else None

    @property
    def empty(self) -> bool:
        """No reading in the whole fleet: nothing can be said of this indicator."""
        return len(self.readings.z) == 0


def of_named(fit: SeriesFit) -> SeriesFit:
    """The same fit with only the readings whose analyser is named, to judge analysers by.

    A reading of an unnamed one was made by the same few analysers: taken for sound, it would speak against what its
    neighbours read wrong.
    """
    named = fit.readings.analyser >= 0
    return replace(fit, readings=replace(fit.readings, weight=np.where(named, fit.readings.weight, 0.0)))


def bare(fit: SeriesFit) -> SeriesFit:
    """The parameters of a fit without readings and installs."""
    i = fit.inputs
    inputs = replace(i, readings=i.readings.clear(), cycles=i.cycles.clear(), installs=i.installs.clear())
    none = replace(Readings.of(inputs), centre=fit.centre)
    return replace(fit, inputs=inputs, readings=none, clean={}, before=None)


@dataclass(frozen=True)
class Told:
    """What is told of a series once it is fitted. fit: the parameters, without readings; counts: readings, cycles,
    installs read; known: as `posteriors.posterior`, of the cycles asked for; rates: as `rates.model_rates`; cleanings:
    as `cleaning.cleaning_effects`. doubts: install_no, chance that unrecorded work opened another cycle, as
    `doubts.heard`; None where the visits have not been heard yet."""

    fit: SeriesFit
    counts: tuple[int, int, int]
    known: pl.DataFrame
    rates: pl.DataFrame
    cleanings: pl.DataFrame
    doubts: pl.DataFrame | None = None
