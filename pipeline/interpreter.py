"""Python's collector of cycles, set for a program that imports a great deal, keeps it, and ends soon."""

from __future__ import annotations

import atexit
import gc

THRESHOLDS = (50_000, 20, 100)  # Python's own begin at 700 new objects; imports alone make some hundred thousand


def collect_seldom() -> None:
    """Look for unreachable cycles seldom, and not among all that is left when the program ends."""
    gc.set_threshold(*THRESHOLDS)
    atexit.register(gc.freeze)
