"""How far the level lies from clean where nobody recorded what a cycle began with.

A cycle that was running when the records began had a history; one that began with the installation, whose commissioning
was not recorded, hardly had any. So the two are learnt apart, from those of either kind that were read later.
"""

from __future__ import annotations

import numpy as np

from models.drift import priors as assumed
from models.drift.cycle_sums import Forest
from models.drift.fitted import SeriesFit
from models.drift.states import State, begun_when_installed, settle_levels

FEWEST = 15  # such cycles read, to learn from them
HELD = 5  # how many cycles' worth the weak prior counts

Start = tuple[float, float]


def unknown_starts(fit: SeriesFit, forest: Forest, state: State) -> tuple[Start, Start]:
    """Shift and spread of the level over the install's clean one, beyond what cycles differ by anyway: after a start
    with the records, and with the installation."""
    weak = assumed.weak(fit.inputs.indicator, fit.inputs.transform)
    mean, cov = settle_levels(fit, forest, state, state.nodes[0])
    install = forest.parents[0]
    away = mean[0] - fit.clean["level"][np.searchsorted(fit.clean["install_no"], forest.installs[install])]
    # what is not known of the level, nor of the clean one, is no spread of starts
    unsure = cov[0] + state.nodes[1].cov[0, install] + fit.psi[0, 0, 0]
    read, fresh = state.freed & (state.sums.w > 0), begun_when_installed(forest)

    def learnt(here: np.ndarray) -> Start:
        n = int(here.sum())
        if n < FEWEST:
            return 0.0, weak.unknown
        own = max(float(np.var(away[here]) - unsure[here].mean()), 0.0)
        spread = np.sqrt((n * own + HELD * weak.unknown**2) / (n + HELD))
        return float(np.median(away[here])) * n / (n + HELD), float(spread)

    return learnt(read & ~fresh), learnt(read & fresh)
