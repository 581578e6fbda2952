"""How strong each year's heating was, told by all counters together.

A mild winter is mild for all: hours since a counter was last read are better told by what other counters did in that
time than by a typical year. Years are calendar years, one strength each, relative to those that the hours per year are
taken over.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from models.arrays import Floats

PRIOR_SD = 0.08  # relative, from one year to the next: common practice, no source
STEPS = 200_000  # counted stretches looked at, at most
FEWEST = 30  # of them in all, to tell anything
HUBER = 1.5  # standard deviations beyond which a stretch counts less
ROUNDS = 4


@dataclass(frozen=True)
class Winters:
    """strength: (years,) of the load years `first`, `first` + 1, ...; every other year is a typical one."""

    first: int = 0
    strength: Floats = field(default_factory=lambda: np.ones(0))

    def passed(self, load: Floats) -> Floats:
        """Load years, those of a strong year for more than one; any shape."""
        if not len(self.strength):
            return load
        knots = self.first + np.arange(len(self.strength) + 1)
        return load + np.interp(load, knots, np.r_[0.0, np.cumsum(self.strength - 1.0)])

    @classmethod
    def learnt(cls, start: Floats, end: Floats, expected: Floats, hours: Floats) -> Winters:
        """From stretches between counters: load years at both ends, hours expected in typical years, hours counted.

        Each (n,). Ridge regression of the log of their ratio on the shares of the years in it, with Huber's weights."""
        if len(start) < FEWEST:
            return cls()
        some = slice(None, None, -(-len(start) // STEPS))
        start, end, y = start[some], end[some], np.log(hours[some] / expected[some])
        first, last = int(np.floor(start.min())), int(np.ceil(end.max()))
        years = np.arange(first, max(last, first + 1))
        span = np.maximum(end - start, 1e-9)
        inside = np.minimum(end[:, None], years + 1) - np.maximum(start[:, None], years)
        shares = np.clip(inside, 0.0, None) / span[:, None]
        x, weight = np.zeros(len(years)), span.copy()
        for _ in range(ROUNDS):
            left = y - shares @ x
            sd = max(1.4826 * float(np.median(np.abs(left) * np.sqrt(span))), 1e-3)
            t = np.abs(left) * np.sqrt(span) / sd
            weight = span * np.minimum(1.0, HUBER / np.maximum(t, 1e-9)) / sd**2
            gram = (shares * weight[:, None]).T @ shares + np.eye(len(years)) / PRIOR_SD**2
            x = np.linalg.solve(gram, shares.T @ (weight * y))
        return cls(first, np.exp(x))
