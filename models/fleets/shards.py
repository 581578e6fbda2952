"""One shard of a large fleet: what is done to it and asked of it, wherever it is worked on.

A shard is a block of installs of an exchanger design, or of several small ones, cut from the list of installs alone.
Steps change it (clean levels, work not recorded, weights), questions leave it as it is (what it says to the appliance
models above, posteriors). Both are functions of the shard and of parameters of the whole fleet, nothing else. A piece
of work carries the source of its shard and all steps since it was loaded, so that any process can do it: one that has
the shard as it stood before goes on from there, any other loads it and repeats the steps, with the same result to the
last bit.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from threading import Lock
from typing import Any, Protocol

import numpy as np
import polars as pl

from models.drift.breaks import likely_breaks, split
from models.drift.cycle_sums import Forest, Readings, positions
from models.drift.fit import weighted, with_clean_levels
from models.drift.fitted import SeriesFit, of_named
from models.drift.projection import analyser_sums, messages_of_analysers
from models.drift.robust import residuals
from models.drift.series import SeriesInputs
from models.drift.states import (
    LOWER,
    State,
    built_up_before,
    evaluate_held,
    freed_levels,
    held_tree,
    install_frame,
    seen_cycles,
    thinned,
    tree_sums,
)
from models.mapper import Mapper, here
from models.mixed.lower_levels import LeafSums, Messages, sweep
from models.mixed.tree import Tree
from models.mixed.upper_levels import Above

BREAK_ROUNDS = 2  # a cycle is cut once in each
MOST_INSTALLS, FEW_INSTALLS = 25_000, 5_000  # per shard
SHARDS = 8  # for processes to share
KEPT = 1_400_000_000  # bytes of shards a process remembers, roughly; another one is made again each time
PER_READING, PER_CYCLE = 60, 320  # bytes, measured


class Source(Protocol):
    """Where a shard is read from; small to hand over, or the readings themselves."""

    def load(self) -> SeriesInputs: ...


@dataclass(frozen=True)
class Given:
    """A shard handed over as it is."""

    inputs: SeriesInputs

    def load(self) -> SeriesInputs:
        return self.inputs


@dataclass(frozen=True)
class Part:
    """Which installs make up a shard (sorted by design, model and number), and the models and designs among them."""

    installs: np.ndarray
    models: np.ndarray
    designs: np.ndarray


def cut(installs: pl.DataFrame, most: int = MOST_INSTALLS) -> list[Part]:
    """The shards of a fleet: the installs in the order of design, model and number; a large design in blocks of equal
    size of at most `most`, small ones together while there are shards enough to share. installs: install_no, model_no,
    design_no."""
    order = installs.select("install_no", "model_no", "design_no").sort("design_no", "model_no", "install_no")
    number, model, design = (order[c].to_numpy() for c in order.columns)
    starts = np.flatnonzero(np.r_[True, design[1:] != design[:-1]])
    few = min(most, max(FEW_INSTALLS, len(design) // SHARDS))  # a design of fewer shares its shard
    ends = [0]
    for a, b in zip(starts.tolist(), [*starts[1:].tolist(), len(design)], strict=True):
        if b - ends[-1] <= few:
            continue
        if a > ends[-1]:
            ends.append(a)
        if b - a > few:
            ends += np.linspace(a, b, -(-(b - a) // most) + 1).astype(int).tolist()[1:]
    if ends[-1] < len(design):
        ends.append(len(design))
    return [
        Part(number[a:b].astype(np.int64), np.unique(model[a:b]), np.unique(design[a:b]))
        for a, b in itertools.pairwise(ends)
    ]


@dataclass(frozen=True)
class Shard:
    """A shard as it stands."""

    inputs: SeriesInputs
    readings: Readings
    forest: Forest
    clean: dict[str, np.ndarray]
    before: dict[str, np.ndarray] | None

    @property
    def size(self) -> int:
        return PER_READING * len(self.readings.z) + PER_CYCLE * self.forest.size

    @property
    def empty(self) -> bool:
        return self.forest.size == 0

    def fit(self, head: SeriesFit) -> SeriesFit:
        """The parameters of the whole with the readings of the shard."""
        return replace(head, inputs=self.inputs, readings=self.readings, clean=self.clean, before=self.before)

    def now(self, fit: SeriesFit) -> Shard:
        same = fit.readings.start is self.readings.start
        forest = self.forest if same else forest_of(self.inputs, fit.readings).like(self.forest)
        return Shard(self.inputs, fit.readings, forest, fit.clean, fit.before)


Step = Callable[[Shard], Shard]


@dataclass(frozen=True)
class Piece:
    """A question to a shard after these steps. key: a name and the number of the fit, and the shard, the same in all
    its pieces. last: nothing more will be asked, and the shard is let go."""

    key: tuple[str, str, int]
    source: Source
    centre: float
    steps: tuple[Step, ...]
    ask: Callable[[Shard], Any]
    last: bool = False


memory = Lock()
kept: dict[tuple[str, str, int], tuple[int, Shard]] = {}  # shards of this process as they stood after so many steps


def answer(piece: Piece) -> Any:
    """The answer to a piece's question; an error while a step is done leaves the memory as it was."""
    with memory:
        for other in [key for key in kept if key[0] != piece.key[0]]:
            del kept[other]  # of fits that are through
        done, shard = kept.get(piece.key, (-1, None))
    if shard is None or done > len(piece.steps):
        done, shard = 0, loaded(piece.source, piece.centre)
    for step in piece.steps[done:]:
        shard = step(shard)
    with memory:
        kept.pop(piece.key, None)
        # every pass goes over the shards in the same order: those that came first are worth most
        if not piece.last and sum(known.size for _, known in kept.values()) + shard.size <= KEPT:
            kept[piece.key] = len(piece.steps), shard
    return piece.ask(shard)


def forget(fit: tuple[str, str]) -> None:
    """Let the shards of a fit go that this process has worked on, but others answered for last."""
    with memory:
        for key in [key for key in kept if key[:2] == fit]:
            del kept[key]


def loaded(source: Source, centre: float) -> Shard:
    inputs = source.load()
    inputs = replace(inputs, cycles=inputs.cycles.with_columns(pl.col("opened_by").cast(pl.Categorical)))
    readings = replace(Readings.of(inputs), centre=centre)
    lean = replace(inputs, readings=inputs.readings.clear())
    return Shard(lean, readings, forest_of(lean, readings), {}, None)


def forest_of(inputs: SeriesInputs, readings: Readings) -> Forest:
    return Forest.of(seen_cycles(inputs, readings), install_frame(inputs))


def held_state(shard: Shard, fit: SeriesFit, above: Above, cov: bool = True, leaves: bool = True) -> State:
    return evaluate_held(fit, shard.forest, cov, above.of(shard.forest.models, shard.forest.designs), leaves)


# ---- steps


def with_clean(shard: Shard, head: SeriesFit, above: Above) -> Shard:
    if shard.empty:
        return replace(shard, clean={"install_no": np.zeros(0, dtype=np.int64), "level": np.zeros(0)})
    fit = shard.fit(head)
    return shard.now(with_clean_levels(fit, shard.forest, held_state(shard, fit, above, cov=False)))


def with_breaks(shard: Shard, head: SeriesFit, above: Above, gain: float) -> Shard:
    if shard.empty:
        return shard
    fit = shard.fit(head)
    breaks = likely_breaks(fit, shard.forest, held_state(shard, fit, above, leaves=False), gain)
    for _ in range(BREAK_ROUNDS - 1):
        if len(breaks) == 0:
            break
        # what lies above being known, an install without a cut stands as it did
        touched = fit.readings.install_no[fit.readings.run[breaks]]
        fit = replace(fit, readings=split(fit.readings, breaks))
        few, places = fit.readings.of_runs(np.isin(fit.readings.install_no, touched))
        part = Shard(shard.inputs, few, forest_of(shard.inputs, few), shard.clean, shard.before)
        own = part.fit(head)
        breaks = places[likely_breaks(own, part.forest, held_state(part, own, above, leaves=False), gain)]
    if len(breaks):
        fit = replace(fit, readings=split(fit.readings, breaks))
    return shard.now(fit)


def with_weights(shard: Shard, head: SeriesFit, above: Above) -> Shard:
    if shard.empty:
        return shard
    fit = shard.fit(head)
    left = residuals(fit, shard.forest, held_state(shard, fit, above))
    return shard.now(weighted(fit, left.studentised(fit.sigma)))


# ---- questions


def said(
    shard: Shard, head: SeriesFit, roots: Sequence[np.ndarray], gradient: bool, held: bool, every: int = 1
) -> tuple[np.ndarray, Messages]:
    """The models met in the shard, and what its cycles and installs say to them; held: the fixed effects but the
    intercepts taken as known; every: of every so many-th install only."""
    if shard.empty:
        return shard.forest.models, silence(2 if held else len(head.terms.terms), gradient)
    fit, forest = shard.fit(head), shard.forest
    if every > 1:
        forest = thinned(fit, forest, every)
    if held:
        return forest.models, held_tree(fit, forest)[0].messages(roots, gradient)
    forest.last_held = forest.last_fixed = None  # the fixed effects are about to change, or nothing else will be asked
    forest.last_lines = None  # the sums are all that the passes to come need of the readings
    leaf = tree_sums(fit, forest).leaf(fit.terms.columns(forest, built_up_before(fit, forest)), freed_levels(forest))
    return forest.models, Tree(leaf, forest.parents, n_lower=LOWER).messages(roots, gradient)


def silence(p: int, gradient: bool, vectors: int = 1) -> Messages:
    """The message of no installs, for p fixed effects."""
    if vectors > 1:
        size = p + vectors
        return Messages(np.zeros((3, 0)), np.zeros((2, size, 0)), np.zeros((size, size)), 0.0, 0.0)
    nothing = LeafSums(np.zeros((3, 0)), np.zeros((2, 0)), 0.0, 0.0, tuple((k % 2, None) for k in range(p)))
    return sweep(nothing, [], [], [np.zeros((2, 2))] * LOWER, 0, gradient)


def of_analysers(shard: Shard, head: SeriesFit, above: Above, number: np.ndarray) -> np.ndarray:
    if shard.empty:
        return np.zeros((3, len(number)))
    fit = of_named(shard.fit(head))
    return analyser_sums(fit, shard.forest, held_state(shard, fit, above), number)


def said_of_analysers(
    shard: Shard, head: SeriesFit, above: Above, number: np.ndarray
) -> tuple[np.ndarray, Messages, np.ndarray]:
    """As `said`, with the readings of each analyser, and all readings, in the place of the readings; and how many each
    has."""
    if shard.empty:
        return shard.forest.models, silence(len(head.terms.terms), False, len(number) + 1), np.zeros(len(number), int)
    fit, readings = shard.fit(head), shard.readings
    left = residuals(fit, shard.forest, held_state(shard, fit, above, cov=False))
    offset = 0.0 if fit.offset is None else fit.offset
    scale = fit.scale_at(readings.z - offset - left.residual)
    place = positions(number, readings.analyser)
    tests = np.bincount(place[place >= 0], minlength=len(number))
    return shard.forest.models, messages_of_analysers(fit, shard.forest, place, scale, len(number)), tests


def analysers(shard: Shard) -> np.ndarray:
    """Numbers of the analysers named in the shard."""
    named = shard.readings.analyser
    return np.flatnonzero(np.bincount(named[named >= 0]))


__all__ = ["Given", "Mapper", "Part", "Piece", "Shard", "Source", "answer", "cut", "here"]
