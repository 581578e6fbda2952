"""Which cycle a visit falls into, and when that cycle began: what was set back at earlier visits, counted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.hours import Floats, Ints


def as_found(
    install_no: Ints, clock: Floats, set_back: NDArray[np.bool_], started: Floats
) -> tuple[NDArray[np.int32], Floats]:
    """The number of the cycle in which each visit finds its install, and the clock at which that cycle began.

    install_no, clock, set_back: (visits,), by install and in order: burner hours since installation, and whether the
    visit sets the indicator back.   started: (visits,) the clock at the beginning of the install's cycle 0.
    """
    if not len(install_no):
        return np.empty(0, np.int32), np.empty(0)
    everyone = np.arange(len(install_no))
    begins = np.append(True, install_no[1:] != install_no[:-1])
    first = np.maximum.accumulate(np.where(begins, everyone, 0))
    before: Ints = np.cumsum(set_back) - set_back
    last = np.append(-1, np.maximum.accumulate(np.where(set_back, everyone, -1))[:-1])
    return (before - before[first]).astype(np.int32), np.where(last >= first, clock[last], started)
