"""From readings to the sums of each cycle, and the tree the cycles hang in: design > model > install > cycle."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl

from models.drift.series import SeriesInputs, forward
from models.mixed.leaf_sums import CycleSums

KEYS = ["design_no", "model_no", "install_no"]
PARTS = 32  # inside a fit a cycle's number is PARTS times the given one, plus its part after unrecorded work
TABLE = 20  # entries of a table of numbers for each number looked up
TYPICAL_KH = 2.0  # burner hours / 1000 at which rates of different exponents are made comparable


def clock(hours: np.ndarray, gamma: np.ndarray | float) -> np.ndarray:
    """(hours / 1000) ** gamma on the fit's inner scale: scaled so that all exponents agree at TYPICAL_KH thousand
    hours. [1]

    A rate on this scale times `rate_scale(gamma)` is the rate per (1,000 h) ** gamma.
    """
    if np.ndim(gamma) == 0 and gamma == 1.0:
        return np.maximum(hours, 0.0) / 1000.0
    return np.power(np.maximum(hours, 0.0) / 1000.0, gamma) * np.power(TYPICAL_KH, 1.0 - np.asarray(gamma))


def rate_scale(gamma: np.ndarray | float) -> np.ndarray:
    return np.power(TYPICAL_KH, 1.0 - np.asarray(gamma, dtype=float))


@dataclass
class Readings:
    """The usable readings of a series, in runs of one cycle each.

    z: on the fit's scale. hours: burner hours since the cycle began. start: first reading of each run.
    analyser: number or -1. weight: 1 unless down-weighted. found: read before any work. unsure: the visit leaves open
    whether such work was done. install_no, cycle_no (times PARTS), shift (hours from the recorded start to the run's
    own), row (of the table of cycles, -1 where that does not know the cycle): per run.
    """

    z: np.ndarray
    hours: np.ndarray
    day: np.ndarray
    analyser: np.ndarray
    weight: np.ndarray
    start: np.ndarray
    install_no: np.ndarray
    cycle_no: np.ndarray
    found: np.ndarray
    unsure: np.ndarray
    shift: np.ndarray
    row: np.ndarray
    centre: float = 0.0

    @property
    def run(self) -> np.ndarray:
        """Run of each reading."""
        return np.repeat(np.arange(len(self.start)), self.counts)

    @classmethod
    def of(cls, inputs: SeriesInputs, keep: np.ndarray | None = None) -> Readings:
        """Readings without value, hours or (for logarithms) a positive value are left out; keep: install numbers to
        keep."""
        frame = inputs.readings
        install = frame["install_no"].to_numpy()
        z = forward(frame["value"].cast(pl.Float64).to_numpy(), inputs.transform)
        hours = frame["hours"].cast(pl.Float64).to_numpy()
        good = np.isfinite(z) & np.isfinite(hours)
        if keep is not None:
            good &= np.isin(install, keep)
        analyser = frame["analyser_no"].cast(pl.Int32).fill_null(-1).to_numpy()
        cycle, day = frame["cycle_no"].to_numpy(), frame["day"].to_numpy()
        found = frame["stage_order"].to_numpy() == 0
        if "unsure" in frame.columns:
            unsure = frame["unsure"].fill_null(False).to_numpy()
        else:
            unsure = np.zeros(len(z), dtype=bool)
        if not good.all():
            install, cycle, z, hours, analyser, day, found, unsure = (
                a[good] for a in (install, cycle, z, hours, analyser, day, found, unsure)
            )
        change = np.ones(len(z), dtype=bool)
        change[1:] = (install[1:] != install[:-1]) | (cycle[1:] != cycle[:-1])
        start = np.flatnonzero(change)
        centre = float(z.mean()) if len(z) else 0.0
        number = cycle[start].astype(np.int64) * PARTS
        return cls(
            z,
            hours,
            day,
            analyser,
            np.ones(len(z)),
            start,
            install[start].astype(np.int64),
            number,
            found,
            unsure,
            np.zeros(len(start)),
            rows_of(inputs.cycles, install[start], cycle[start]),
            centre,
        )

    def latest_part(self, install_no: np.ndarray, cycle_no: np.ndarray) -> np.ndarray:
        """Number of the last part that was read of each given cycle (its own number is that of its first part), -1
        where none was."""
        if len(self.start) == 0:
            return np.full(len(install_no), -1, dtype=np.int64)
        keys = np.sort(Forest.key(self.install_no, self.cycle_no))
        first = Forest.key(install_no, cycle_no)
        last = keys[np.maximum(np.searchsorted(keys, first + PARTS) - 1, 0)]
        return np.where((last >= first) & (last < first + PARTS), last - first + cycle_no, -1)

    def of_runs(self, chosen: np.ndarray) -> tuple[Readings, np.ndarray]:
        """These runs only (True where chosen), and the places of their readings."""
        counts = np.diff(np.r_[self.start, len(self.z)])
        at = np.flatnonzero(np.repeat(chosen, counts))
        start = np.r_[0, np.cumsum(counts[chosen])[:-1]] if chosen.any() else np.zeros(0, dtype=np.int64)
        per_reading = {k: getattr(self, k)[at] for k in ("z", "hours", "day", "analyser", "weight", "found", "unsure")}
        per_run = {k: getattr(self, k)[chosen] for k in ("install_no", "cycle_no", "shift", "row")}
        return Readings(**per_reading, **per_run, start=start, centre=self.centre), at

    def sums(self, gamma: np.ndarray, offset: np.ndarray | None = None) -> CycleSums:
        """Sums per run; gamma per run. offset: taken off each reading (analyser bias)."""
        z = self.z - self.centre if offset is None else self.z - self.centre - offset
        return self.summed(self.clock(gamma), z)

    def clock(self, gamma: np.ndarray) -> np.ndarray:
        """tau of each reading; gamma per run."""
        if len(gamma) == 0 or np.all(gamma == gamma[0]):
            return clock(self.hours, float(gamma[0]) if len(gamma) else 1.0)
        bent = np.flatnonzero(np.repeat(gamma, self.counts) != 1.0)
        tau = clock(self.hours, 1.0)
        tau[bent] = clock(self.hours[bent], np.repeat(gamma, self.counts)[bent])
        return tau

    @property
    def counts(self) -> np.ndarray:
        """Readings per run."""
        return np.diff(np.r_[self.start, len(self.z)])

    def summed(self, tau: np.ndarray, z: np.ndarray) -> CycleSums:
        """Sums per run at these clocks and values."""
        if len(self.z) == 0:
            return CycleSums(*(np.zeros(0) for _ in range(7)))
        w, n = self.weight, self.counts.astype(float)
        add = lambda x: np.add.reduceat(x, self.start)
        if w.min() == 1.0 == w.max():
            return CycleSums(n, n.copy(), add(tau), add(tau * tau), add(z), add(tau * z), add(z * z))
        wt, wz = w * tau, w * z
        return CycleSums(n, add(w), add(wt), add(wt * tau), add(wz), add(wt * z), add(wz * z))


def rows_of(cycles: pl.DataFrame, install_no: np.ndarray, cycle_no: np.ndarray) -> np.ndarray:
    """Row of each (install, cycle) in a table of cycles, -1 where it is not there."""
    wanted = Forest.key(install_no, cycle_no)
    keys = Forest.key(cycles["install_no"].to_numpy(), cycles["cycle_no"].to_numpy())
    if len(keys) == 0:
        return np.full(len(wanted), -1, dtype=np.int64)
    order = None if np.all(keys[1:] > keys[:-1]) else np.argsort(keys, kind="stable")
    at = np.minimum(np.searchsorted(keys, wanted, sorter=order), len(keys) - 1)
    at = at if order is None else order[at]
    return np.where(keys[at] == wanted, at, -1)


@dataclass
class Forest:
    """The cycles in tree order (design, model, install, cycle) and who belongs to whom.

    rows: one row per cycle, with what opened it; park: one per install, with what is known of it. parents: cycle to
    install, install to model, model to design. installs, models, designs: the numbers of the nodes.
    """

    rows: pl.DataFrame
    park: pl.DataFrame
    parents: list[np.ndarray]
    installs: np.ndarray
    models: np.ndarray
    designs: np.ndarray
    memo: dict[object, np.ndarray] = field(default_factory=dict)  # columns of fixed effects that were asked for before
    park_memo: dict[object, np.ndarray] = field(default_factory=dict)  # the same of its installs
    # the last cycles and readings placed, sums, build-up, fixed effects, tree with these taken off and thinned forest,
    # each with what it is of
    last_place: tuple[object, np.ndarray] | None = None
    last_lines: tuple[object, Any, Any] | None = None
    last_sums: tuple[object, np.ndarray, object, CycleSums] | None = None
    last_built_up: tuple[object, object, object, np.ndarray] | None = None
    last_fixed: tuple[object, object, np.ndarray] | None = None
    last_held: tuple[object, object, Any] | None = None
    last_thinned: tuple[object, object, int, Forest] | None = None

    @classmethod
    def of(cls, cycles: pl.DataFrame, installs: pl.DataFrame) -> Forest:
        """cycles: install_no, cycle_no, opened_by, opened_day, value_before; each (install_no, cycle_no) once; those
        of other installs are left out."""
        d, m, i = (installs[k].to_numpy() for k in KEYS)
        rises = (d[1:] > d[:-1]) | ((d[1:] == d[:-1]) & ((m[1:] > m[:-1]) | ((m[1:] == m[:-1]) & (i[1:] > i[:-1]))))
        if not rises.all():
            installs = installs.sort(KEYS)
            i = installs["install_no"].to_numpy()
        number = cycles["cycle_no"].to_numpy()
        at = positions(i, cycles["install_no"].to_numpy())
        order = None
        if len(at) and at.min() < 0:
            order = np.flatnonzero(at >= 0)
            at, number = at[order], number[order]
        keys = cls.key(at, number)
        if not np.all(keys[1:] > keys[:-1]):
            by_key = np.argsort(keys, kind="stable")
            at, order = at[by_key], by_key if order is None else order[by_key]
        rows = cycles if order is None else cycles[order]
        new = np.ones(len(at), dtype=bool)
        new[1:] = at[1:] != at[:-1]
        park = installs if new.sum() == installs.height else installs[at[new]]
        d, m, i = (park[k].to_numpy() for k in KEYS)
        new_d, new_m = np.ones(len(d), dtype=bool), np.ones(len(d), dtype=bool)
        new_d[1:] = d[1:] != d[:-1]
        new_m[1:] = new_d[1:] | (m[1:] != m[:-1])
        to_model, to_design = np.cumsum(new_m) - 1, (np.cumsum(new_d) - 1)[new_m]
        return cls(rows, park, [np.cumsum(new) - 1, to_model, to_design], i, m[new_m], d[new_d])

    def like(self, other: Forest) -> Forest:
        """This forest with what another one remembers of its installs, where they are the same."""
        if np.array_equal(self.installs, other.installs):
            self.park, self.park_memo = other.park, other.park_memo
        return self

    def thinned(self, every: int) -> tuple[Forest, np.ndarray]:
        """Of every so many-th install only; and the places of its cycles."""
        to_install, to_model, to_design = self.parents
        kept = np.flatnonzero(np.arange(len(self.installs)) % every == 0)
        here = np.flatnonzero(to_install % every == 0)
        models, of_install = np.unique(to_model[kept], return_inverse=True)
        designs, of_model = np.unique(to_design[models], return_inverse=True)
        parents = [to_install[here] // every, of_install, of_model]
        numbers = self.installs[kept], self.models[models], self.designs[designs]
        return Forest(self.rows[here], self.park[kept], parents, *numbers), here

    @property
    def size(self) -> int:
        """Cycles."""
        return self.rows.height

    @cached_property
    def cycles(self) -> pl.DataFrame:
        """One row per cycle with what opened it and its install's attributes."""
        return self.rows.hstack(self.park.drop("install_no")[self.parents[0]])

    def column(self, name: str) -> pl.Series:
        """One column of `cycles`."""
        return self.rows[name] if name in self.rows.columns else self.park[name].gather(self.parents[0])

    def runs(self, readings: Readings) -> np.ndarray:
        """For each cycle of the tree the run of its readings, or -1; remembered, since it is asked for often."""
        key = ("runs", id(readings.start), len(readings.start))
        if key not in self.memo or self.memo[("start", *key[1:])] is not readings.start:
            self.memo[key] = self.find(readings.install_no, readings.cycle_no)
            self.memo[("start", *key[1:])] = readings.start  # held, so that the id stays its own
        return self.memo[key]

    def place_of(self, before: dict[str, np.ndarray]) -> np.ndarray:
        """`place` of a fit's cycles with known levels before their work; remembered."""
        if self.last_place is None or self.last_place[0] is not before["cycle_no"]:
            self.last_place = before["cycle_no"], self.place(before["install_no"], before["cycle_no"])
        return self.last_place[1]

    def find(self, install_no: np.ndarray, cycle_no: np.ndarray) -> np.ndarray:
        """For each cycle of the tree its position in the given list, or -1."""
        out = np.full(self.size, -1, dtype=np.int64)
        place = self.place(install_no, cycle_no)
        known = np.flatnonzero(place >= 0)
        out[place[known]] = known
        return out

    def place(self, install_no: np.ndarray, cycle_no: np.ndarray) -> np.ndarray:
        """For each given pair its position among the cycles of the tree, or -1."""
        if self.size == 0:
            return np.full(len(install_no), -1, dtype=np.int64)
        if "keys" not in self.memo:
            self.memo["keys"] = self.key(self.parents[0], self.rows["cycle_no"].to_numpy())
        install, keys = positions(self.installs, install_no), self.memo["keys"]
        wanted = self.key(install, cycle_no)
        if len(wanted) == len(keys) and np.array_equal(wanted, keys):
            return np.arange(len(keys))
        at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
        return np.where((keys[at] == wanted) & (install >= 0), at, -1)

    @staticmethod
    def key(install_no: np.ndarray, cycle_no: np.ndarray) -> np.ndarray:
        """One number per (install, cycle); the number of a cycle, parts counted, stays below 2 ** 31."""
        return (np.asarray(install_no, dtype=np.int64) << 31) + cycle_no

    @property
    def opened_day(self) -> np.ndarray:
        """Day on which each cycle of the tree opened, far in the past where that is not known."""
        if "opened_day" not in self.memo:
            self.memo["opened_day"] = whole_numbers(self.rows["opened_day"], -(2**40))
        return self.memo["opened_day"]


def whole_numbers(values: pl.Series, otherwise: int) -> np.ndarray:
    """Days or the like as int64, `otherwise` where there is none."""
    if values.null_count() == 0:
        return values.cast(pl.Int64).to_numpy()
    numbers = values.cast(pl.Float64).to_numpy()
    return np.where(np.isnan(numbers), otherwise, numbers).astype(np.int64)


def positions(numbers: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Position of each wanted number in a list that holds each once, -1 where it is not there. Numbers count from 0
    with few gaps, or are looked up by search."""
    if len(numbers) == 0:
        return np.full(len(wanted), -1, dtype=np.int64)
    low, high = int(numbers.min()), int(numbers.max())
    if high - low < TABLE * (len(numbers) + len(wanted) + 1000):
        table = np.full(high - low + 2, -1, dtype=np.int64)  # the last place, also -1, for what lies outside
        table[numbers - low] = np.arange(len(numbers))
        return table[np.where((wanted >= low) & (wanted <= high), wanted - low, -1)]
    order = np.argsort(numbers, kind="stable")
    at = order[np.minimum(np.searchsorted(numbers, wanted, sorter=order), len(numbers) - 1)]
    return np.where(numbers[at] == wanted, at, -1)
