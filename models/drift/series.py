"""What one drift fit sees: the readings of one indicator and firing, the cycles they fall into, the installs they
belong to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

READING_COLUMNS = ("install_no", "cycle_no", "day", "hours", "value", "stage_order", "analyser_no")
CYCLE_COLUMNS = ("install_no", "cycle_no", "opened_by", "opened_day", "value_before")
INSTALL_COLUMNS = ("install_no", "model_no", "design_no")


@dataclass(frozen=True)
class FitOptions:
    """How a fit is made; the defaults are those of every run.

    gammas: exponents of the burner hours that are tried per exchanger design; between steps as wide as from 0.7 to 1
        the nearest one is too far from the truth for honest intervals of rates. [1]
    gamma_log_sd: how far log(gamma) is expected to lie from 0, if it does; pulls designs with few cycles to 1.
    gamma_straight: chance that gamma is 1, over that it is not: own judgement, no source.
    robust_rounds: rounds of Student-t weights after the first fit; 0 fits plain least squares.
    robust_df: degrees of freedom of those weights.
    covariates: use the install covariates (hardness, air intake ...) on the rate.
    breaks: look for work that was done and not recorded.
    analysers: estimate and remove the bias of analysers.
    pace: look for changes of pace.
    prior_nodes: pseudo-members per level of the tree that hold its covariance near the weak prior.
    search_installs: installs looked at when exponents, terms and weights are searched; a fleet of more than twice as
        many is sampled down. Covariances of a sample of 3,000 are known to some 3 %, and start the fit of the whole.
    """

    gammas: tuple[float, ...] = (0.5, 0.6, 0.7, 0.85, 1.0, 1.2, 1.4, 1.7, 2.0)
    gamma_log_sd: float = 0.25
    gamma_straight: float = 10.0
    robust_rounds: int = 2
    robust_df: float = 5.0
    covariates: bool = True
    breaks: bool = True
    analysers: bool = True
    pace: bool = True
    prior_nodes: float = 2.0
    search_installs: int = 3_000


@dataclass(frozen=True)
class SeriesInputs:
    """One indicator at one firing.

    transform: "log" or "identity": the scale on which drift is straight.
    worse: "up", "down" or "both".
    readings: install_no i32, cycle_no i32, day i32 (days since 1970-01-01), hours f64 (burner hours since the cycle
        began), value f64 (the indicator's own unit), stage_order i8 (0 before any work), analyser_no i32 or null;
        sorted by install_no, cycle_no, day, stage_order. Optional: unsure bool, the visit leaves open whether work
        that would set the indicator back was done.
    cycles: install_no, cycle_no, opened_by (new, brush, rinse, chemical, adjusted, cleaned, renewed, unknown),
        opened_day i32 or null, value_before f64 or null (as found at the visit that opened the cycle). Every install
        that the series applies to has one at least.
    installs: install_no, model_no, design_no, and what is known of them: condensing, material, fuel, air_intake,
        hardness, media_kg, installed_year, installed_day (days since 1970-01-01).
    unsaid: install_no, visit_no, day of the visits that leave open whether such work was done, where that is asked for.
    """

    series_no: int
    indicator: str
    firing: str
    transform: str
    worse: str
    readings: pl.DataFrame
    cycles: pl.DataFrame
    installs: pl.DataFrame
    unsaid: pl.DataFrame | None = None

    def __post_init__(self) -> None:
        if self.transform not in ("log", "identity"):
            raise ValueError(f"transform is {self.transform!r}; allowed: 'log', 'identity'")
        for name, frame, needed in (
            ("readings", self.readings, READING_COLUMNS),
            ("cycles", self.cycles, CYCLE_COLUMNS),
            ("installs", self.installs, INSTALL_COLUMNS),
        ):
            missing = [c for c in needed if c not in frame.columns]
            if missing:
                raise ValueError(
                    f"{name} of {self.indicator} {self.firing} lacks {', '.join(missing)}; add the columns"
                )


def forward(value: np.ndarray, transform: str) -> np.ndarray:
    """An indicator's value onto the scale of the fit; not positive values have no logarithm and become nan."""
    value = np.asarray(value, dtype=float)
    if transform == "identity":
        return value
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(value > 0, np.log(np.where(value > 0, value, 1.0)), np.nan)


def backward(z: np.ndarray, transform: str) -> np.ndarray:
    """From the scale of the fit back to the indicator's own unit."""
    return np.exp(z) if transform == "log" else np.asarray(z, dtype=float)
