"""Each analyser's bias, shrunk towards none, from what its readings leave over once the drift is taken out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Stated accuracy of service-grade flue gas analysers, common practice, no source: O2 0.3 % by volume; CO 10 % of the
# reading; flue temperature 2 K on a typical 10 K above the return water; flame current belongs to the control.
STATED = {"o2_pct": 0.3, "co_air_free_ppm": 0.10, "flue_over_return_k": 0.2}
SURE = 0.99  # how sure one must be before an analyser is called away from its peers


@dataclass(frozen=True)
class AnalyserBias:
    """Bias per analyser on the fit's scale.

    number: analyser numbers, sorted. bias, sd, tests: per analyser. between: standard deviation among analysers.
    """

    number: np.ndarray
    bias: np.ndarray
    sd: np.ndarray
    tests: np.ndarray
    between: float

    def of(self, analyser: np.ndarray) -> np.ndarray:
        """Bias of each reading's analyser; 0 where none is named or it is not known."""
        if len(self.number) == 0:
            return np.zeros(len(analyser))
        k = np.minimum(np.searchsorted(self.number, analyser), len(self.number) - 1)
        return np.where(self.number[k] == analyser, self.bias[k], 0.0)

    def wants_calibration(self, stated: float) -> np.ndarray:
        """Analysers that read away from their peers by more than chance and more than their stated accuracy."""
        z = 2.5758  # two-sided 99 % of a normal
        return (np.abs(self.bias) > z * self.sd) & (np.abs(self.bias) > stated)


def analyser_bias(
    residual: np.ndarray, leverage: np.ndarray, weight: np.ndarray, analyser: np.ndarray, sigma2: float,
    before: AnalyserBias | None = None, fewest: int = 5,
) -> AnalyserBias | None:
    """One round: what the residuals say of each analyser, added to what was already taken off.

    residual: reading less its fitted value, analyser bias of `before` already off. leverage: share of each reading
    that its own cycle's posterior follows, 0 to 1: a cycle read by one analyser only hides most of its bias.
    The spread among analysers is a moment estimate (DerSimonian & Laird 1986, Control. Clin. Trials 7).
    None where no reading names its analyser, or only one analyser was used.
    """
    named = analyser >= 0
    if not named.any():
        return None
    number, index = np.unique(analyser[named], return_inverse=True)
    if len(number) < 2:
        return None
    r, w, free = residual[named], weight[named], np.clip(1 - leverage[named], 0.05, 1.0)
    tests = np.bincount(index)
    information = np.bincount(index, w * free)
    old = before.of(number) if before is not None else np.zeros(len(number))
    raw = old + np.bincount(index, w * r) / np.maximum(information, 1e-9)
    variance = sigma2 / np.maximum(information, 1e-9)
    usable = tests >= fewest
    if usable.sum() < 2:
        return None
    precision = 1 / variance[usable]
    # analysers that are far off must not widen the spread of the rest: biases are taken off, not averaged away
    centre = float(np.average(raw[usable], weights=precision))
    q = float(np.sum(precision * (raw[usable] - centre) ** 2))
    scale = precision.sum() - (precision**2).sum() / precision.sum()
    between2 = max((q - (usable.sum() - 1)) / scale, 0.0)
    if between2 <= 0:
        return AnalyserBias(number, np.zeros(len(number)), np.zeros(len(number)), tests, 0.0)
    shrink = between2 / (between2 + variance)
    centre = float(np.median(raw[usable]))
    bias = np.where(usable, shrink * (raw - centre), 0.0)
    sd = np.sqrt(between2 * (1 - shrink))
    return AnalyserBias(number, bias, sd, tests, float(np.sqrt(between2)))
