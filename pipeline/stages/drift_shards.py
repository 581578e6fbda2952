"""A large fleet's series in shards: written to Arrow files once, read from there by whoever works on a shard."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl

from models.drift.fit import AT_MOST_WANTED, sampled
from models.drift.fitted import Told
from models.drift.series import FitOptions, SeriesInputs
from models.fleets.shards import Mapper, cut
from models.fleets.whole import Searched, WholeFit, fit_whole, joined_whole, search_sample
from models.known.read_at import places, rising
from pipeline.schema import Series
from pipeline.stages.drift_asked import LAST_VALUES, Asked, Asking, last_values
from pipeline.stages.drift_inputs import OPENED_COLUMNS, READING_COLUMNS, SeriesRows, marked, ranges
from pipeline.stages.side_by_side import ahead
from pipeline.store import Store

SAMPLE = "sample"
AT_ONCE = 50_000  # installs of which is worked out what is asked
ROWS_AT_ONCE = 1_000_000  # readings that are put in order


@dataclass(frozen=True)
class InFiles:
    """Readings, cycles and installs of one series in `place`, a folder that all workers see. block: number of a shard,
    whose installs come in tree order (design, model, number), or SAMPLE, what the search sees, by install."""

    place: str
    series: Series
    block: int | str

    def load(self) -> SeriesInputs:
        s = self.series
        frame = lambda name: pl.read_ipc(file_of(self.place, name, self.block))
        installs = f"installs-{s.series_no}" if self.block == SAMPLE else "installs"
        return SeriesInputs(
            s.series_no, s.indicator, s.firing, s.transform, s.worse,
            frame(f"readings-{s.series_no}"), frame(f"cycles-{s.series_no}"), frame(installs),
        )  # fmt: skip


def file_of(place: str | Path, name: str, block: int | str) -> Path:
    return Path(place) / f"{name}-{block if isinstance(block, str) else f'{block:05}'}.arrow"


def fitted_in_shards(
    place: str,
    groups: Sequence[Sequence[Series]],
    installs: pl.DataFrame,
    options: FitOptions,
    mapper: Mapper,
    asked: Callable[[Series], pl.DataFrame],
) -> Iterator[list[Told]]:
    """What is told of each group of series, one group after the other. place: where `written` wrote. asked: the cycles
    of a series of which the posterior is wanted."""
    parts = cut(installs)
    members = [s for group in groups for s in group]
    searched = mapper(partial(searched_in, place=place, options=options), members)
    by_number = {s.series_no: found for s, found in zip(members, searched, strict=True)}

    def fitted(s: Series, joins: bool) -> WholeFit:
        sources = [InFiles(place, s, k) for k in range(len(parts))]
        name = f"{place} {s.series_no}"
        return fit_whole(by_number[s.series_no], installs, parts, sources, mapper, name, asked(s), joins)

    for group in groups:
        yield [fit.told() for fit in joined_whole([fitted(s, len(group) > 1) for s in group])]


def searched_in(series: Series, place: str, options: FitOptions) -> Searched:
    return search_sample(InFiles(place, series, SAMPLE).load(), options)


@contextmanager
def written(
    store: Store, series: Sequence[Series], installs: pl.DataFrame, options: FitOptions, place: str | None = None
) -> Iterator[str]:
    """A folder with all series by shard, with what a search sees of each, and what is asked of each, gone afterwards.
    Writes last_values.

    series: in the order in which they are fitted. installs: drift_installs, by number. place: the folder, if not one
    beside the store.
    """
    beside = store.path.parent if store.path is not None else None
    folder = Path(place) if place is not None else Path(tempfile.mkdtemp(prefix="fit-shards-", dir=beside))
    folder.mkdir(parents=True, exist_ok=True)
    try:
        write_all(store, series, installs, options, folder)
        yield str(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def write_all(
    store: Store, series: Sequence[Series], installs: pl.DataFrame, options: FitOptions, folder: Path
) -> None:
    """As `written`, into a folder; what is held on the way is let go. The store reads a series while the one before is
    worked on."""
    shards: dict[int | str, np.ndarray] = {k: part.installs for k, part in enumerate(cut(installs))}
    store.run(LAST_VALUES)
    write(folder, "installs", installs, shards)
    asking = Asking(store)
    in_tree_order = installs.sort("design_no", "model_no", "install_no")  # once for all series
    with store.beside() as reading, ahead(read(reading, series)) as coming:
        for rows, ends in coming:
            parts = list(rows.blocks(AT_ONCE))
            store.append("last_values", pl.concat(map(last_values, parts)))
            if rows.series.reset_class == "none":
                continue
            k = rows.series.series_no
            before = pl.concat([part.before(part.cycles) for part in parts], rechunk=True)
            fitted = rows.inputs(installs, before=before)
            sample: dict[int | str, np.ndarray] = {SAMPLE: looked_at(rows.readings, in_tree_order, options)}
            write(folder, f"readings-{k}", fitted.readings, shards | sample)
            write(folder, f"cycles-{k}", fitted.cycles, shards | sample)
            write(folder, f"installs-{k}", installs, sample)
            Asked.joined([asking.of(part, ends) for part in parts]).keep(folder, rows.series)


def read(store: Store, series: Sequence[Series]) -> Iterator[tuple[SeriesRows, pl.DataFrame]]:
    """The rows of each series, readings in the order of the fit, and its ranges."""
    opened = Opened(store)
    for s in series:
        values = store.frame(f"select {READING_COLUMNS} from drift_values where series_no = {s.series_no}").rechunk()
        values = values[in_order(values, rising(places(values)))]
        unsaid = f"select install_no, visit_no, day from drift_unsaid where series_no = {s.series_no} order by visit_no"
        yield SeriesRows(s, values, opened.of(s), store.frame(unsaid).rechunk()), ranges(store, [s])[0]


class Opened:
    """The cycles of series after series; those of one reset class that apply to the same installs share them."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.cycles, self.reset_class, self.installs = pl.DataFrame(), "", pl.DataFrame()

    def of(self, series: Series) -> pl.DataFrame:
        """OPENED_COLUMNS, by install and number."""
        k = series.series_no
        installs = self.store.frame(f"select install_no from series_installs where series_no = {k} order by install_no")
        if series.reset_class != self.reset_class or not installs.equals(self.installs):
            self.cycles = self.store.frame(
                f"select {OPENED_COLUMNS} from drift_opened where series_no = {k} order by install_no, cycle_no"
            ).rechunk()
            self.reset_class, self.installs = series.reset_class, installs
        return self.cycles


def in_order(readings: pl.DataFrame, by_visit: np.ndarray) -> np.ndarray:
    """The rows of readings in the order of the fit: by install, cycle, day, stage and visit. by_visit: by visit and
    stage; since visits are numbered by install and day, they are nearly sorted so."""
    keys = [readings[name].to_numpy() for name in ("install_no", "cycle_no", "day", "stage_order")]
    wrong = [np.zeros(0, dtype=np.int32)]
    for first in range(0, len(by_visit), ROWS_AT_ONCE):
        install, *rest = (key[by_visit[first : first + ROWS_AT_ONCE + 1]] for key in keys)
        later = np.zeros(max(len(install) - 1, 0), dtype=bool)
        for key in reversed(rest):
            later = (key[1:] < key[:-1]) | ((key[1:] == key[:-1]) & later)
        wrong.append(install[1:][later & (install[1:] == install[:-1])])
    order, several = by_visit.copy(), np.concatenate(wrong)  # visits on one day
    if len(several):
        some = np.flatnonzero(marked(several, keys[0])[order])
        order[some] = order[some[np.lexsort([key[order[some]] for key in (*reversed(keys[1:]), keys[0])])]]
    return order


def looked_at(readings: pl.DataFrame, installs: pl.DataFrame, options: FitOptions) -> np.ndarray:
    """Numbers of the installs that the search sees: a sample of those that were read, or all where they are few.
    readings: by install."""
    number = readings["install_no"].to_numpy()
    read = number[np.r_[number[:1] >= 0, number[1:] != number[:-1]]]
    wanted = options.search_installs
    return sampled(read, installs, wanted) if len(read) > AT_MOST_WANTED * wanted else read


def write(folder: Path, name: str, rows: pl.DataFrame, blocks: dict[int | str, np.ndarray]) -> None:
    """The rows of each block of installs, in its order, in a file each. rows: by install."""
    last = max((int(installs.max(initial=0)) for installs in blocks.values()), default=0)
    many = np.bincount(rows["install_no"].to_numpy(), minlength=last + 1)
    starts = np.cumsum(many) - many
    for block, installs in blocks.items():
        first, counts = starts[installs], many[installs]
        at = np.arange(counts.sum()) + np.repeat(first - np.cumsum(counts) + counts, counts)
        rows[at].write_ipc(file_of(folder, name, block))
