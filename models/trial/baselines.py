"""Simpler ways to forecast a found reading, on the same features: what the drift model has to beat."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtr
from threadpoolctl import ThreadpoolController

from models.arrays import Floats
from models.drift.cycle_sums import Forest
from models.tails import Z80

if TYPE_CHECKING:
    from sklearn.ensemble import HistGradientBoostingClassifier

GROWER = "sklearn.ensemble"
FEWEST_PAIRS = 30  # past forecasts with known outcome, below which there is nothing to learn a spread or a rate from
FEWEST_EVENTS = 5  # of either kind, below which no trees are grown
NUMBERS = ("last_z", "last_h", "first_z", "count", "slope", "since", "hours_open", "then_h", "per_year", "days_ahead",
           "gap_high", "gap_low", "before_z", "age", "hardness", "media_kg")  # fmt: skip
CODES = ("model_no", "design_no", "opened_by", "fuel", "air_intake", "material", "condensing")


@dataclass(frozen=True)
class Guess:
    """Chances (n,) of a reading out of range; low, high (n,): 80 % interval of the reading, nan where there is none."""

    chance: Floats
    low: Floats
    high: Floats


def base_rate(past: pl.DataFrame, event: NDArray[np.bool_], now: pl.DataFrame) -> Guess:
    """The share found out of range before, horizon by horizon (one pseudo-reading at the overall share)."""
    overall = (event.sum() + 0.5) / (len(event) + 1.0)
    out, then, months_now = np.full(now.height, overall), past["months"].to_numpy(), now["months"].to_numpy()
    for months in np.unique(months_now):
        seen = then == months
        out[months_now == months] = (event[seen].sum() + overall) / (seen.sum() + 1.0)
    return Guess(out, np.full(now.height, np.nan), np.full(now.height, np.nan))


def own_line(past: pl.DataFrame, now: pl.DataFrame, otherwise: Floats) -> Guess:
    """Each install's own straight line through the readings of its cycle; its last value where there is but one."""

    def line(frame: pl.DataFrame) -> Floats:
        mean_z, slope, then_h, mean_h, last_z = columns(frame, "mean_z", "slope", "then_h", "mean_h", "last_z")
        through = mean_z + slope * (then_h - mean_h)
        return np.where(np.isnan(through), last_z, through)

    return _normal(past, now, line, otherwise)


def common_drift(past: pl.DataFrame, now: pl.DataFrame, slope: float, otherwise: Floats) -> Guess:
    """The last value, moved on at one rate for all."""

    def line(frame: pl.DataFrame) -> Floats:
        last_z, then_h, last_h = columns(frame, "last_z", "then_h", "last_h")
        return last_z + slope * (then_h - last_h)

    return _normal(past, now, line, otherwise)


def columns(frame: pl.DataFrame, *names: str) -> list[Floats]:
    """Columns as numbers, nan where there is none."""
    return [frame[name].cast(pl.Float64).to_numpy() for name in names]


def _normal(past: pl.DataFrame, now: pl.DataFrame, line: Callable[[pl.DataFrame], Floats], otherwise: Floats) -> Guess:
    """A normal error about a line, its spread from past forecasts per horizon; `otherwise` where there is no line."""
    error, middle = past["z"].to_numpy() - line(past), line(now)
    then, months_now = past["months"].to_numpy(), now["months"].to_numpy()
    spread = np.full(now.height, np.nan)
    for months in np.unique(months_now):
        known = error[then == months]
        known = known[np.isfinite(known)]
        if len(known) < FEWEST_PAIRS:
            known = error[np.isfinite(error)]
        if len(known) >= FEWEST_PAIRS:
            # Own lines through two close readings shoot far off: the few per cent beyond would drown all others.
            edge = np.quantile(np.abs(known), 0.95)
            spread[months_now == months] = np.sqrt(np.mean(np.clip(known, -edge, edge) ** 2)) + 1e-6
    high = ndtr((middle - now["edge_high"].to_numpy()) / spread)
    low = ndtr((now["edge_low"].to_numpy() - middle) / spread)
    chance = np.where(np.isfinite(middle) & np.isfinite(spread), high + low, otherwise)
    return Guess(chance, middle - Z80 * spread, middle + Z80 * spread)


def pooled_slope(readings: pl.DataFrame) -> float:
    """One rate for all cycles, by least squares within them. Per 1,000 h. readings: sorted by cycle, with z."""
    z, hours = columns(readings, "z", "hours")
    install, cycle = (readings[name].to_numpy() for name in ("install_no", "cycle_no"))
    known = np.flatnonzero(~np.isnan(z))
    if not len(known):
        return 0.0
    z, hours, key = z[known], hours[known], Forest.key(install[known], cycle[known])
    start = np.flatnonzero(np.append(True, key[1:] != key[:-1]))  # readings are sorted by cycle
    counts = np.diff(np.append(start, len(key)))
    z, h = (x - np.repeat(np.add.reduceat(x, start) / counts, counts) for x in (z, hours / 1000))
    spread = float(h @ h)
    return float(z @ h) / spread if spread > 1e-9 else 0.0


def tree_table(frame: pl.DataFrame) -> NDArray:
    """What trees look at of each forecast of `past.features`, (n, columns); nan where it is not known."""
    numbers = columns(frame, *(name for name in NUMBERS if name in frame.columns))
    codes = []
    for name in CODES:
        if name in frame.columns:
            # A stable number per word, the same whatever rows are asked.
            words = frame.schema[name] == pl.String
            code = pl.col(name).cast(pl.String).hash(seed=1) % 1024 if words else pl.col(name)
            codes.append(code.cast(pl.Float64).fill_null(float("nan")))
    table = np.column_stack([*numbers, frame.select(codes).to_numpy()])
    return np.where(np.isfinite(table), table, np.nan)


@dataclass(frozen=True)
class Lesson:
    """One origin for trees. past (m, columns), event (m,): forecasts with known outcome, as `tree_table`; None where
    those of the origin before serve on. now (n, columns): what is asked. otherwise (n,): chances where nothing can be
    learnt."""

    past: NDArray | None
    event: NDArray[np.bool_]
    now: NDArray
    otherwise: Floats


@cache
def _threads() -> ThreadpoolController:
    """Of the libraries loaded when first asked; a limit set before the trees were imported does not reach theirs."""
    return ThreadpoolController()


def boosted_trees(lessons: Sequence[Lesson], seed: int) -> list[Floats]:
    """Chances by gradient boosted trees on the features, origin by origin.

    In one thread: series are tried side by side, and a few hundred rows leave nothing to share but waiting.
    """
    chances: list[Floats] = []
    model, kept = None, np.empty(0, np.int64)
    for lesson in lessons:
        if lesson.past is not None:
            model = None
            kept = np.flatnonzero([len(np.unique(c[np.isfinite(c)])) > 1 for c in lesson.past.T])
            if len(kept) and min(lesson.event.sum(), (~lesson.event).sum()) >= FEWEST_EVENTS:
                model = _grown(lesson.past[:, kept], lesson.event, seed)
        if model is None or not len(lesson.now):
            chances.append(lesson.otherwise)
            continue
        with _threads().limit(limits=1):
            chances.append(model.predict_proba(lesson.now[:, kept])[:, 1])
    return chances


def trees_at_hand() -> bool:
    """Whether this process has already imported what grows trees, which takes it a second."""
    return GROWER in sys.modules


def _grown(past: NDArray, event: NDArray[np.bool_], seed: int) -> HistGradientBoostingClassifier:
    from sklearn.ensemble import HistGradientBoostingClassifier  # takes long, and few processes come here

    model = HistGradientBoostingClassifier(
        max_iter=60, learning_rate=0.08, max_leaf_nodes=8, min_samples_leaf=20, l2_regularization=1.0,
        early_stopping=False, random_state=seed,
    )  # fmt: skip
    with _threads().limit(limits=1):
        return model.fit(past, event)
