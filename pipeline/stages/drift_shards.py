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

from models.drift import sampled
from models.fitted import Told
from models.series import FitOptions, SeriesInputs
from models.shards import Mapper, cut
from models.whole import Searched, WholeFit, fit_whole, joined_whole, search_sample
from pipeline.schema import Series
from pipeline.stages.drift_inputs import CYCLE_COLUMNS, READING_COLUMNS
from pipeline.store import Store

SAMPLE = "sample"
VALUE_COLUMNS = f"{READING_COLUMNS.removesuffix(', unsure')}, visit_no"


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
    """A folder with all series by shard, and with what a search sees of each, gone afterwards. installs:
    drift_installs, by number. place: the folder, if not one beside the store."""
    beside = store.path.parent if store.path is not None else None
    folder = Path(place) if place is not None else Path(tempfile.mkdtemp(prefix="fit-shards-", dir=beside))
    folder.mkdir(parents=True, exist_ok=True)
    shards: dict[int | str, np.ndarray] = {k: part.installs for k, part in enumerate(cut(installs))}
    try:
        write(folder, "installs", installs, shards)
        opened = Opened(store)
        for s in series:
            k = s.series_no
            readings = store.frame(f"select {VALUE_COLUMNS} from drift_values where series_no = {k}")
            order = in_order(readings)
            number = readings["install_no"].to_numpy()[order]
            sample: dict[int | str, np.ndarray] = {SAMPLE: looked_at(number, installs, options)}
            unsaid = store.frame(f"select visit_no from drift_unsaid where series_no = {k}")["visit_no"].to_numpy()
            unsure = pl.Series("unsure", marked(unsaid, readings["visit_no"].to_numpy()))
            write(folder, f"readings-{k}", readings.drop("visit_no").with_columns(unsure), shards | sample, order)
            write(folder, f"cycles-{k}", opened.with_value_before(s, readings), shards | sample)
            write(folder, f"installs-{k}", installs, sample)
        yield str(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


class Opened:
    """The cycles of series after series; those of one reset class that apply to the same installs share them."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.cycles, self.reset_class, self.installs = pl.DataFrame(), "", pl.DataFrame()

    def with_value_before(self, series: Series, readings: pl.DataFrame) -> pl.DataFrame:
        """As drift_cycles, by install and number. readings: drift_values of the series."""
        k = series.series_no
        installs = self.store.frame(f"select install_no from series_installs where series_no = {k} order by install_no")
        if series.reset_class != self.reset_class or not installs.equals(self.installs):
            self.cycles = self.store.frame(
                "select install_no, cycle_no, opened_by, opened_day, also_cleaned, opened_visit_no from drift_opened "
                f"where series_no = {k} order by install_no, cycle_no"
            )
            self.reset_class, self.installs = series.reset_class, installs
        found = readings.filter(pl.col("stage_order") == 0)
        visit, at = found["visit_no"].to_numpy(), self.cycles["opened_visit_no"].fill_null(-1).to_numpy()
        last = max(int(visit.max(initial=0)), int(at.max(initial=0)))
        # the last place, also -1, is for none
        value, cycle = np.full(last + 2, np.nan), np.zeros(last + 2, dtype=np.int32)
        value[visit], cycle[visit] = found["value"].to_numpy(), found["cycle_no"].to_numpy()
        before = np.where(cycle[at] < self.cycles["cycle_no"].to_numpy(), value[at], np.nan)
        cycles = self.cycles.with_columns(value_before=pl.Series(before, nan_to_null=True))
        return cycles.select(CYCLE_COLUMNS.split(", "))


def in_order(readings: pl.DataFrame) -> np.ndarray:
    """The rows of drift_values of one series in the order of the fit: by install, cycle, day, stage and visit.

    Visits are numbered by install and day, and each has one value per stage: in their order rows are nearly sorted.
    """
    visit, stage = readings["visit_no"].to_numpy(), readings["stage_order"].to_numpy()
    rows = np.full(2 * (int(visit.max(initial=-1)) + 1), -1, dtype=np.int32)
    rows[2 * visit + stage] = np.arange(len(visit), dtype=np.int32)
    order = rows[rows >= 0]
    install, *keys = (readings[name].to_numpy()[order] for name in ("install_no", "cycle_no", "day", "stage_order"))
    later = np.zeros(max(len(order) - 1, 0), dtype=bool)
    for key in reversed(keys):
        later = (key[1:] < key[:-1]) | ((key[1:] == key[:-1]) & later)
    wrong = install[1:][later & (install[1:] == install[:-1])]
    if len(wrong):  # several visits on one day
        some = np.flatnonzero(marked(wrong, install))
        order[some] = order[some[np.lexsort((*(key[some] for key in reversed(keys)), install[some]))]]
    return order


def marked(few: np.ndarray, numbers: np.ndarray) -> np.ndarray:
    """Which of the numbers, all from 0, are among the few."""
    table = np.zeros(max(int(few.max(initial=0)), int(numbers.max(initial=0))) + 1, dtype=bool)
    table[few] = True
    return table[numbers]


def looked_at(number: np.ndarray, installs: pl.DataFrame, options: FitOptions) -> np.ndarray:
    """Numbers of the installs that the search sees: a sample of those that were read, or all where they are few.
    number: install of each reading, sorted."""
    read = number[np.r_[number[:1] >= 0, number[1:] != number[:-1]]]
    return sampled(read, installs, options.search_installs) if len(read) > 2 * options.search_installs else read


def write(
    folder: Path,
    name: str,
    rows: pl.DataFrame,
    blocks: dict[int | str, np.ndarray],
    order: np.ndarray | None = None,
) -> None:
    """The rows of each block of installs, in its order, in a file each. rows: by install, or so in the given order."""
    last = max((int(installs.max(initial=0)) for installs in blocks.values()), default=0)
    many = np.bincount(rows["install_no"].to_numpy(), minlength=last + 1)
    starts = np.cumsum(many) - many
    for block, installs in blocks.items():
        first, counts = starts[installs], many[installs]
        at = np.arange(counts.sum()) + np.repeat(first - np.cumsum(counts) + counts, counts)
        rows[at if order is None else order[at]].write_ipc(file_of(folder, name, block))
