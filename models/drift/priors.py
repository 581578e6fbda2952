"""What is assumed where a fleet says too little: the only place with such numbers.

All are weak and own judgement (no source): they hold a fit of three installs near plausible values and vanish in a
fleet of hundreds. On the scale of the fit (log or plain), rates per 1,000 burner hours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.mixed.tree import LevelPrior, Priors


@dataclass(frozen=True)
class Weak:
    """level, rate: standard deviation of one level of the tree. sigma: of a reading. level_mean_sd, rate_mean,
    rate_mean_sd: of the fleet; rates count towards the limit (what fouls does not clean itself: some tenth a year).
    unknown: extra standard deviation of a level nobody measured after an unknown start."""

    level: float
    rate: float
    sigma: float
    level_mean_sd: float
    rate_mean: float
    rate_mean_sd: float
    unknown: float


LOG = Weak(level=0.20, rate=0.05, sigma=0.12, level_mean_sd=3.0, rate_mean=0.06, rate_mean_sd=0.10, unknown=0.4)
PLAIN = {
    "o2_pct": Weak(level=0.35, rate=0.12, sigma=0.25, level_mean_sd=5.0, rate_mean=0.0, rate_mean_sd=0.25, unknown=0.8),
    "condensate_ph": Weak(
        level=0.35, rate=0.10, sigma=0.25, level_mean_sd=5.0, rate_mean=0.2, rate_mean_sd=0.5, unknown=0.8
    ),
}


def weak(indicator: str, transform: str) -> Weak:
    return LOG if transform == "log" else PLAIN.get(indicator, PLAIN["o2_pct"])


def rate_mean(indicator: str, transform: str, worse: str) -> float:
    """Of the fleet, before anything was read: what fouls, clogs or is spent does so towards its limit."""
    return {"up": 1.0, "down": -1.0}.get(worse, 0.0) * weak(indicator, transform).rate_mean


def level_priors(assumed: Weak, members: float, levels: int = 4, install_rate: float | None = None) -> Priors:
    """Pseudo-members on every level: covariance kept off zero and off absurd values, no more."""
    if members <= 0:
        return Priors()
    psi = np.diag([assumed.level**2, assumed.rate**2])
    # of the cycles' own rates few fleets can say much: half of what installs differ by, once that is known
    rate = 0.5 * (assumed.rate if install_rate is None else install_rate)
    leaf = np.diag([(0.5 * assumed.level) ** 2, rate**2])
    return Priors(
        levels=(LevelPrior(members, leaf), *(LevelPrior(members, psi) for _ in range(levels - 1))),
        sigma_members=members,
        sigma2=assumed.sigma**2,
    )
