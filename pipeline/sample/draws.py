"""Random numbers that depend only on what they are for, never on the order in which they are drawn.

A fleet is made in blocks; an install must come out the same whatever block it falls in, and two visit policies must
meet the same luck. So each number is a hash of (seed, purpose, unit, turn) instead of the next one of a stream.
"""

import zlib

import numpy as np
from scipy.special import ndtri

_MASK = (1 << 64) - 1
_GOLDEN = 0x9E3779B97F4A7C15
_SECOND = 0xD1B54A32D192ED03


def _mix(x: np.ndarray) -> np.ndarray:
    # The finaliser of SplitMix64 (Steele, Lea & Flood 2014, "Fast splittable pseudorandom number generators").
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


class Draws:
    """Counter-based random numbers of one seed.

    seed: any whole number.
    """

    def __init__(self, seed: int) -> None:
        self.seed = seed
        # Mixed before units are added: a plain sum would make each seed's fleet the next one's, moved along.
        self._start = _mix(np.array([seed * _GOLDEN & _MASK], np.uint64))[0]

    def uniform(self, purpose: str, unit: np.ndarray, turn: int | np.ndarray = 0) -> np.ndarray:
        """Uniform on (0, 1), one for each unit (whole numbers from 0), shape of `unit`.

        purpose: what the number decides; turn: tells apart repeated draws for one unit (for instance its visits).
        """
        key = (int(self._start) + zlib.crc32(purpose.encode()) * _SECOND) & _MASK
        x = np.asarray(unit).astype(np.uint64) * np.uint64(_GOLDEN) + np.uint64(key)
        x = _mix(x) + np.asarray(turn).astype(np.uint64) * np.uint64(_SECOND)
        return ((_mix(x) >> np.uint64(11)).astype(np.float64) + 0.5) * 2.0**-53

    def normal(self, purpose: str, unit: np.ndarray, turn: int | np.ndarray = 0) -> np.ndarray:
        """Standard normal, one for each unit."""
        return ndtri(self.uniform(purpose, unit, turn))

    def normals(self, purpose: str, unit: np.ndarray, count: int, turn: int | np.ndarray = 0) -> np.ndarray:
        """Standard normals, shape (len(unit), count)."""
        return np.column_stack([self.normal(f"{purpose}/{k}", unit, turn) for k in range(count)])

    def choice(self, purpose: str, unit: np.ndarray, share: np.ndarray, turn: int | np.ndarray = 0) -> np.ndarray:
        """Index into `share` (not negative, need not sum to 1), one for each unit."""
        edges = np.cumsum(share) / np.sum(share)
        return np.minimum(np.searchsorted(edges, self.uniform(purpose, unit, turn), side="right"), len(share) - 1)
