"""What a joint fit knows of each install and of its newest cycle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Install:
    """Posterior of level and rate from all indicators of a joint fit, per install and per its newest cycle.

    install_no sorted; mean (2, n), cov packed (3, n): of the install; cycle_no (times PARTS, -1: none), own_mean,
    own_cov: of its newest cycle. On the fit's scale less its centre, inner clock, covariates left out.
    """

    install_no: np.ndarray
    mean: np.ndarray
    cov: np.ndarray
    cycle_no: np.ndarray
    own_mean: np.ndarray
    own_cov: np.ndarray

    def of(self, numbers: np.ndarray) -> Install:
        """These installs only; numbers: sorted."""
        at = np.searchsorted(self.install_no, numbers)
        rows = (self.mean, self.cov, self.cycle_no, self.own_mean, self.own_cov)
        return Install(numbers, *(x[..., at] for x in rows))
