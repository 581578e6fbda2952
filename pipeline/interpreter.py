"""Python's collector of cycles and the allocator under numpy, set for a program that imports a great deal, works on
arrays of some megabytes over and over, and ends soon."""

from __future__ import annotations

import atexit
import ctypes
import gc
import sys
from typing import Any

THRESHOLDS = (50_000, 20, 100)  # Python's own begin at 700 new objects; imports alone make some hundred thousand
# glibc's mallopt(3): parameters and their values in bytes. By itself it gives freed arrays back to the system, and
# every page of the next one costs a fault; 32 MB is the most it takes as the first.
M_MMAP_THRESHOLD, M_TRIM_THRESHOLD = -3, -1
HELD = {M_MMAP_THRESHOLD: 32 << 20, M_TRIM_THRESHOLD: 256 << 20}


def hold_freed_memory() -> None:
    """Keep freed memory for the next arrays, where the C library can be told so."""
    mallopt = _of_c_library("mallopt")
    if mallopt is not None:
        for parameter, value in HELD.items():
            mallopt(parameter, value)


def give_back_freed_memory() -> None:
    """Give what is held back to the system, where the C library can: after work whose arrays no other will need."""
    malloc_trim = _of_c_library("malloc_trim")
    if malloc_trim is not None:
        malloc_trim(0)


def _of_c_library(name: str) -> Any:
    return getattr(ctypes.CDLL(None), name, None) if sys.platform == "linux" else None


def collect_seldom() -> None:
    """Look for unreachable cycles seldom, and not among all that is left when the program ends."""
    gc.set_threshold(*THRESHOLDS)
    atexit.register(gc.freeze)
