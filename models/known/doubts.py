"""Open cycles that may have ended without anybody saying so, and what visits that left them open say of the value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
import polars as pl
from scipy.special import expit

from models.arrays import Floats
from models.drift.cycle_sums import positions, rows_of
from models.drift.series import forward
from models.known.read_at import ReadAt
from models.known.work_habit import TURNS, WEIGHTS, WorkHabit, beyond, habit_of

POSTERIOR = ("m0", "m1", "v00", "v01", "v11")
BEGINNINGS = ("new", "unknown")  # of cycles that no work opened
NEVER = np.iinfo(np.int64).max
LEAST = 1e-12
BLOCK = 10_000  # visits at a time, each with a row of TURNS
ASKED = ("install_no", "cycle_no", "opened_by", "opened_day", "value_before", "hours_open")


def doubted_cycles(now: pl.DataFrame, unsaid: pl.DataFrame, read: ReadAt, usual: str | None) -> pl.DataFrame:
    """The cycles that work may have opened at a visit which leaves open (an empty cell) whether it was done: the newest
    such visit of the open cycle, where nothing was read after it. At most one per install, sorted.

    now: install_no, cycle_no, opened_visit_no (null: not by a visit) and now_h of the open cycles. unsaid: install_no,
    visit_no, day, clock_h of such visits, sorted by visit. read: what was read of their installs at least. usual: what
    opens most cycles.
    Returns `ASKED`: cycle_no is one more than that of the open cycle, value_before what was found at that visit.
    """
    at, of = _after_all(now, unsaid, read)
    newest = np.append(at[1:] != at[:-1], at[:1] >= 0)
    at, of = at[newest], of[newest]
    before = read.values(read.found(unsaid["visit_no"].to_numpy()[of]))
    return pl.DataFrame(
        {
            "install_no": now["install_no"].to_numpy()[at],
            "cycle_no": now["cycle_no"].to_numpy()[at] + 1,
            "opened_by": pl.Series([usual] * len(at), dtype=pl.String),
            "opened_day": unsaid["day"].to_numpy()[of],
            "value_before": pl.Series(before, nan_to_null=True),
            "hours_open": np.maximum(now["now_h"].to_numpy()[at] - unsaid["clock_h"].to_numpy()[of], 0.0),
        }
    )


def _after_all(now: pl.DataFrame, visits: pl.DataFrame, read: ReadAt) -> tuple[np.ndarray, np.ndarray]:
    """The visits to open cycles at which or after which nothing more was read as found: rows of now and of visits."""
    install, visit = (visits[name].to_numpy() for name in ("install_no", "visit_no"))
    own = now["install_no"].to_numpy()
    opened = now["opened_visit_no"].fill_null(-1).to_numpy().astype(np.int64)
    since = np.append(np.maximum(2 * opened + 1, read.latest(own)), NEVER)
    at = positions(own, install)
    of = np.flatnonzero(2 * visit.astype(np.int64) >= since[at])
    return at[of], of


def usual_work(works: Sequence[str], cycles: np.ndarray) -> str | None:
    """What opens most cycles, beginnings left out; of several the first. cycles: how many each of the works opened."""
    counted = np.where(np.isin(works, BEGINNINGS), 0, cycles)
    return works[int(counted.argmax())] if counted.any() else None


def silent_visits(now: pl.DataFrame, visits: pl.DataFrame, unsaid: pl.DataFrame, read: ReadAt) -> pl.DataFrame:
    """The visits to open cycles after their last reading which surely left the work undone, and those that put the
    cycle in doubt (`doubted_cycles`), also where that one was read as found.

    now, unsaid, read: as there. visits: install_no, visit_no, clock_h of all visits, sorted. Returns install_no,
    cycle_no, visit_no, since_h (burner hours since), unsure, value (as found, own unit; null unless in doubt), sorted.
    """
    at, of = _after_all(now, visits, read)
    visit = visits["visit_no"].to_numpy()[of]
    left_open = unsaid["visit_no"].to_numpy()
    newest = np.full(now.height + 1, -1, dtype=np.int64)
    newest[positions(now["install_no"].to_numpy(), unsaid["install_no"].to_numpy())] = left_open  # the last one stays
    unsure = positions(left_open, visit) >= 0
    found = read.found(visit)
    kept = np.flatnonzero(np.where(unsure, newest[at] == visit, found < 0))
    at, of = at[kept], of[kept]
    return pl.DataFrame(
        {
            "install_no": now["install_no"].to_numpy()[at],
            "cycle_no": now["cycle_no"].to_numpy()[at],
            "visit_no": visits["visit_no"].to_numpy()[of],
            "since_h": np.maximum(now["now_h"].to_numpy()[at] - visits["clock_h"].to_numpy()[of], 0.0),
            "unsure": unsure[kept],
            "value": pl.Series(read.values(found[kept]), nan_to_null=True),
        }
    )


@dataclass(frozen=True)
class Visits:
    """The visits of a series. all, readings, opened, unsaid: of installs from which is learnt when work is done, as
    `work_habit.habit_of`. silent: as `silent_visits`. ranges: install_no, low, high on the scale of the fit, of all."""

    all: pl.DataFrame
    readings: pl.DataFrame
    opened: pl.DataFrame
    unsaid: pl.DataFrame
    silent: pl.DataFrame
    ranges: pl.DataFrame


@dataclass(frozen=True)
class Hearing:
    """By what the visits of a series are heard. open_share: of visits that leave it open, those that did the work;
    sigma: of a reading, on the scale of the fit."""

    habit: WorkHabit
    open_share: float
    sigma: float
    transform: str


def after_visits(
    known: pl.DataFrame, opened: pl.DataFrame, visits: Visits, open_share: float, sigma: float, transform: str
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """`heard`, by the habit that the visits themselves tell. opened: the open cycles among the posteriors known."""
    habit = habit_of(visits.all, visits.readings, visits.opened, visits.unsaid, visits.ranges, transform)
    return heard(known, opened, visits.silent, visits.ranges, Hearing(habit, open_share, sigma, transform))


def heard(
    known: pl.DataFrame, opened: pl.DataFrame, silent: pl.DataFrame, ranges: pl.DataFrame, by: Hearing
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The posteriors of open cycles once it is heard what their visits left undone, and the chances of the doubts.

    known: install_no, cycle_no, POSTERIOR, gamma, hours_shift. opened: install_no, cycle_no, hours_open of those that
    are open, one per install; the others stay as they are. silent: as `silent_visits`. ranges: install_no, low, high on
    the scale of the fit; none where no row. Returns known with other POSTERIOR, and install_no, chance per visit in
    doubt.

    By Bayes the value at the visit is weighed by the chance of no work; the normal of the same mean and variance stands
    in for what comes out (assumed-density filtering; Minka 2001, section 3.2, from memory), and level and rate move
    with it.
    """
    if not by.habit.depends or not silent.height:
        return known, silent.filter("unsure").select("install_no", chance=pl.lit(by.open_share))
    install, cycle = (silent[name].to_numpy() for name in ("install_no", "cycle_no"))
    at, row = rows_of(known, install, cycle), rows_of(opened, install, cycle)
    turn = np.arange(len(silent)) - np.searchsorted(install, install)  # sorted by install
    kept = np.flatnonzero((at >= 0) & (row >= 0))
    kept = kept[np.lexsort((install[kept], turn[kept]))]
    at, row, turn, rows = at[kept], row[kept], turn[kept], silent[kept]
    hours = opened["hours_open"].to_numpy()[row] - rows["since_h"].to_numpy() - known["hours_shift"].to_numpy()[at]
    of = positions(ranges["install_no"].to_numpy(), install[kept])
    low, high = (np.append(ranges[name].to_numpy(), end)[of] for name, end in (("low", -np.inf), ("high", np.inf)))
    visits = Heard(
        at, (np.maximum(hours, 0.0) / 1000) ** known["gamma"].to_numpy()[at],
        forward(rows["value"].cast(pl.Float64).to_numpy(), by.transform), low, high, rows["unsure"].to_numpy(),
    )  # fmt: skip
    m = known.select(POSTERIOR).to_numpy().T.copy()
    log_odds = np.full(known.height, np.nan)
    cuts = np.searchsorted(turn, np.arange(turn.max(initial=-1) + 2))
    for first, end in pairwise(cuts.tolist()):
        for start in range(first, end, BLOCK):
            some = visits.rows(slice(start, min(start + BLOCK, end)))
            m[:, some.at], log_odds[some.at] = _once_heard(m[:, some.at], log_odds[some.at], some, by)
    doubted = np.flatnonzero(np.isfinite(log_odds))
    chance = pl.DataFrame({"install_no": known["install_no"].to_numpy()[doubted], "chance": expit(log_odds[doubted])})
    return known.with_columns(pl.Series(name, m[j]) for j, name in enumerate(POSTERIOR)), chance


@dataclass(frozen=True)
class Heard:
    """Visits in open cycles, (n,) each. at: row of the cycle's posterior; tau: of its clock; found: as read there, on
    the scale of the fit, nan where nothing was; low, high: the range; unsure: whether the visit leaves work open."""

    at: np.ndarray
    tau: Floats
    found: Floats
    low: Floats
    high: Floats
    unsure: np.ndarray

    def rows(self, which: slice) -> Heard:
        return Heard(*(getattr(self, part.name)[which] for part in fields(self)))


def _once_heard(m: Floats, log_odds: Floats, visits: Heard, by: Hearing) -> tuple[Floats, Floats]:
    """After one visit to each of some open cycles: POSTERIOR (5, n), and the log odds (nan: no doubt) of unrecorded
    work."""
    tau, found, low, high = visits.tau, visits.found, visits.low, visits.high
    unsure, read, habit = visits.unsure, np.isfinite(found), by.habit
    m0, m1, v00, v01, v11 = m
    sd = np.sqrt(np.maximum(v00 + 2 * tau * v01 + tau**2 * v11, LEAST) + by.sigma**2)
    shown = np.where(read, found, m0 + m1 * tau)[:, None] + np.where(read, 0.0, sd)[:, None] * TURNS
    distance = beyond(shown, low[:, None], high[:, None])
    done = np.where(read[:, None], habit.chance(distance), habit.unread(distance))
    done = np.where(unsure[:, None], habit.if_open(done, by.open_share), done)
    undone = np.maximum((1 - done) @ WEIGHTS, LEAST)
    # where an earlier visit did the work, this one met a clean value
    clean = 1 - float(habit.unread(np.array(-np.inf)))
    odds = np.where(unsure, np.log(np.maximum(1 - undone, LEAST) / undone), log_odds + np.log(clean / undone))
    weight = (1 - done) * WEIGHTS / undone[:, None]
    mean = weight @ TURNS
    wider = np.maximum(weight @ TURNS**2 - mean**2, LEAST) - 1
    level, rate = (np.where(read, 0.0, along / sd) for along in (v00 + tau * v01, v01 + tau * v11))
    moved = np.stack([level * mean, rate * mean, level**2 * wider, level * rate * wider, rate**2 * wider])
    return m + moved, odds
