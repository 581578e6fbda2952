"""The readings of a series by where they were read: looked up by visit and stage, and by install."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.drift.cycle_sums import positions

DENSE = 8  # places for each reading, up to which they are put in order by a table of all


@dataclass(frozen=True)
class ReadAt:
    """Readings by place: twice the number of the visit, and the stage (0 as found, 1 as left); each holds one at most.

    place: (n,) i64, rising. install: of each, rising as well, since visits are numbered by install. row: of each in
    the readings. value: f64, in their own order.
    """

    place: np.ndarray
    install: np.ndarray
    row: np.ndarray
    value: np.ndarray

    @classmethod
    def of(cls, readings: pl.DataFrame) -> ReadAt:
        """readings: install_no, visit_no, stage_order, value; in any order."""
        place = places(readings)
        row = rising(place)
        install = readings["install_no"].to_numpy()
        return cls(place[row], install[row], row, readings["value"].cast(pl.Float64).to_numpy())

    def found(self, visit: np.ndarray) -> np.ndarray:
        """The row of what was read as found at each visit, -1 where nothing was."""
        return np.append(self.row, -1)[positions(self.place, 2 * visit.astype(np.int64))]

    def values(self, row: np.ndarray) -> np.ndarray:
        """The values of these rows; nan for -1."""
        return np.append(self.value, np.nan)[row]

    def newest(self) -> np.ndarray:
        """Which of the places are the newest of their install; by install."""
        return np.flatnonzero(np.append(self.install[1:] != self.install[:-1], self.install[:1] >= 0))

    def latest(self, install: np.ndarray) -> np.ndarray:
        """The newest place of each install, -1 where nothing was read."""
        newest = self.newest()
        return np.append(self.place[newest], -1)[positions(self.install[newest], install)]


def places(readings: pl.DataFrame) -> np.ndarray:
    """Of each reading. readings: visit_no, stage_order."""
    place = readings["visit_no"].to_numpy().astype(np.int64)
    place *= 2
    place += readings["stage_order"].to_numpy()
    return place


def rising(place: np.ndarray) -> np.ndarray:
    """The order in which numbers, each there once, rise."""
    last = int(place.max(initial=-1))
    first = int(place.min(initial=last))
    if last - first >= DENSE * len(place):
        return np.argsort(place)
    rows = np.full(last - first + 1, -1, dtype=np.int32)
    rows[place - first] = np.arange(len(place), dtype=np.int32)
    return rows[rows >= 0]
