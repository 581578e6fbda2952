"""Which cycle a visit falls into, and when that cycle began: what was set back at earlier visits, counted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.arrays import Floats, Ints


def as_found(
    install_no: Ints, clock: Floats, set_back: NDArray[np.bool_], started: Floats
) -> tuple[NDArray[np.int32], Floats]:
    """The number of the cycle in which each visit finds its install, and the clock at which that cycle began.

    install_no, clock, set_back: (visits,), by install and in order: burner hours since installation, and whether the
    visit sets the indicator back.   started: (visits,) the clock at the beginning of the install's cycle 0.
    """
    if not len(install_no):
        return np.empty(0, np.int32), np.empty(0)
    before = np.cumsum(set_back, dtype=np.int32) - set_back
    first = np.flatnonzero(np.append(True, install_no[1:] != install_no[:-1]))
    number = before - np.repeat(before[first], np.diff(first, append=len(install_no)))
    # What was set back last is the `before`th of all that were: read in their order, however many visits there are.
    opened = np.append(clock[set_back], np.nan)[before - 1]
    return number, np.where(number > 0, opened, started)
