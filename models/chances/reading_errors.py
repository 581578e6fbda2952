"""What a reading to come will show: the true value, the reading's own error and the bias of whichever analyser is used.

A fit takes known biases off the readings it learns from; a reading that nobody has made yet will carry one again. Which
analyser will be there is not known: it is any of the fleet's, by their shares of the tests. A few that are far off make
long tails, which one normal of the same variance would not have.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.arrays import Floats
from models.chances.forecast import Outlook, value_ahead
from models.drift.analysers import STATED
from models.drift.fitted import MOST_OF_READING, SeriesFit
from models.tails import chance_below

ALIKE = 0.05  # of the stated accuracy: analysers whose biases lie closer count as one
HALVINGS = 24  # of some sixteen standard deviations


@dataclass(frozen=True)
class ReadingError:
    """sigma: of a reading, on the scale of the fit. share, bias, sd: of groups of analysers that read alike, their
    share of the tests, bias and how unsure it is, in the unit of `AnalyserBias`; each (k,). in_kelvin: as of the fit.
    """

    sigma: float
    share: Floats
    bias: Floats
    sd: Floats
    in_kelvin: bool

    @classmethod
    def of(cls, fit: SeriesFit) -> ReadingError:
        known, stated = fit.analysers, STATED.get(fit.inputs.indicator)
        if known is None or stated is None or not known.tests.sum():
            return cls(fit.sigma, np.ones(1), np.zeros(1), np.zeros(1), fit.in_kelvin)
        _, group = np.unique(np.round(known.bias / (ALIKE * stated)), return_inverse=True)
        tests = np.bincount(group, known.tests)
        of_group = lambda x: np.bincount(group, known.tests * x) / np.maximum(tests, 1)
        bias = of_group(known.bias)
        sd = np.sqrt(of_group(known.sd**2 + (known.bias - bias[group]) ** 2))
        return cls(fit.sigma, tests / tests.sum(), bias, sd, fit.in_kelvin)

    def normals(self, mean: Floats, variance: Floats) -> tuple[Floats, Floats]:
        """Mean and standard deviation of a reading by each group; mean, variance: of the true value (n,); each
        (k, n)."""
        scale = np.exp(-mean) if self.in_kelvin else np.ones_like(mean)
        off = self.bias[:, None] * scale
        if self.in_kelvin:  # a bias of some kelvin is a large part of a small difference: no straight line will do
            off = np.log1p(np.clip(off, -MOST_OF_READING, None))
        return mean + off, np.sqrt(variance + self.sigma**2 + (self.sd[:, None] * scale) ** 2)


def chance_of_reading(o: Outlook, load_ahead: Floats, error: ReadingError) -> Floats:
    """Chance that a reading lies outside the range after more load years; all (n,)."""
    mean, sd = error.normals(*value_ahead(replace(o, restarted=None), load_ahead))
    chance = error.share @ (chance_below((mean - o.high) / sd) + chance_below((o.low - mean) / sd))
    if o.restarted is not None:
        at = np.flatnonzero(o.doubt > 0)
        q = o.doubt[at]
        chance[at] = (1 - q) * chance[at] + q * chance_of_reading(o.restarted, load_ahead[at], error)
    return chance


def reading_quantiles(o: Outlook, load_ahead: Floats, error: ReadingError, chances: tuple[float, ...]) -> list[Floats]:
    """Values below which a reading lies with each of `chances`, on the scale of the fit; each (n,)."""
    mean, sd = error.normals(*value_ahead(o, load_ahead))
    out = []
    for chance in chances:
        low, high = (mean - 8 * sd).min(axis=0), (mean + 8 * sd).max(axis=0)
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            below = error.share @ chance_below((middle - mean) / sd) < chance
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        out.append((low + high) / 2)
    return out
