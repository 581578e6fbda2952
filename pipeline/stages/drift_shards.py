"""A large fleet's series in shards: written to Arrow files once, read from there by whoever works on a shard."""

from __future__ import annotations

import itertools
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
from models.series import FitOptions, SeriesInputs
from models.shards import Mapper, Part, cut
from models.whole import Searched, WholeFit, fit_whole, search_sample
from pipeline.schema import Series
from pipeline.stages.drift_inputs import CYCLE_COLUMNS, READING_COLUMNS
from pipeline.store import Store

FOR_STORE, MEANWHILE = "1GB", "600MB"  # of memory while the shards are written, and while they want the rest


@dataclass(frozen=True)
class InFiles:
    """Readings, cycles and installs of one series in `place`, a folder that all workers see; of one shard, or of some
    installs."""

    place: str
    series: Series
    shard: int | None = None

    def load(self, only: np.ndarray | None = None) -> SeriesInputs:
        """A shard's installs come in tree order (design, model, number), more than a shard by number."""
        s, shard = self.series, "*" if self.shard is None else f"{self.shard:05}"

        def frame(name: str) -> pl.DataFrame:
            found = pl.scan_ipc(f"{self.place}/{name}-{shard}.arrow")
            if only is not None:
                found = found.filter(pl.col("install_no").is_in(pl.Series(only.astype(np.int32)).implode()))
            if self.shard is None:
                found = found.sort("install_no", maintain_order=True)
            return found.collect()

        return SeriesInputs(
            s.series_no, s.indicator, s.firing, s.transform, s.worse,
            frame(f"readings-{s.series_no}"), frame(f"cycles-{s.series_no}"), frame("installs"),
        )  # fmt: skip

    def installs_read(self) -> np.ndarray:
        found = pl.scan_ipc(f"{self.place}/readings-{self.series.series_no}-*.arrow").select("install_no").unique()
        return found.collect()["install_no"].sort().to_numpy()

    def sample(self, options: FitOptions) -> SeriesInputs:
        """What the search sees: a sample of the installs that were read, or all where they are few."""
        read = self.installs_read()
        if len(read) > 2 * options.search_installs:
            installs = pl.scan_ipc(f"{self.place}/installs-*.arrow").collect()
            read = sampled(read, installs, options.search_installs)
        return self.load(read)


def fitted_in_shards(
    place: str,
    groups: Sequence[Sequence[Series]],
    installs: pl.DataFrame,
    options: FitOptions,
    mapper: Mapper,
    asked: Callable[[Series], pl.DataFrame],
) -> Iterator[list[WholeFit]]:
    """The fits of each group of series, one group after the other. place: where `written` wrote. asked: the cycles of
    a series of which the posterior will be wanted."""
    parts = cut(installs)
    members = [s for group in groups for s in group]
    searched = mapper(partial(searched_in, place=place, options=options), members)
    by_number = {s.series_no: found for s, found in zip(members, searched, strict=True)}
    for group in groups:
        found = []
        for s in group:
            sources = [InFiles(place, s, k) for k in range(len(parts))]
            name = f"{place} {s.series_no}"
            joins = len(group) > 1
            found.append(fit_whole(by_number[s.series_no], installs, parts, sources, mapper, name, asked(s), joins))
        yield found


def searched_in(series: Series, place: str, options: FitOptions) -> Searched:
    return search_sample(InFiles(place, series).sample(options), options)


@contextmanager
def written(store: Store, series: Sequence[Series], installs: pl.DataFrame, place: str | None = None) -> Iterator[str]:
    """A folder with all series by shard, gone afterwards. place: the folder, if not one beside the store."""
    beside = store.path.parent if store.path is not None else None
    folder = Path(place) if place is not None else Path(tempfile.mkdtemp(prefix="fit-shards-", dir=beside))
    folder.mkdir(parents=True, exist_ok=True)
    parts = cut(installs)
    limit = store.scalar("select current_setting('memory_limit')")
    store.run(f"set memory_limit = '{FOR_STORE}'")
    try:
        store.write("drift_shards", places_in_shards(parts))
        write(store, folder, "installs", len(parts), "select *, 0 as nr from drift_installs", "nr")
        for s in series:
            k = s.series_no
            write(
                store,
                folder,
                f"readings-{k}",
                len(parts),
                f"select {READING_COLUMNS}, visit_no as nr from drift_readings where series_no = {k}",
                "cycle_no, day, stage_order, nr",
            )
            write(
                store,
                folder,
                f"cycles-{k}",
                len(parts),
                f"select {CYCLE_COLUMNS}, 0 as nr from drift_cycles where series_no = {k}",
                "cycle_no",
            )
        store.run(f"set memory_limit = '{MEANWHILE}'")
        yield str(folder)
    finally:
        store.run("drop table if exists drift_shards")
        store.run(f"set memory_limit = '{limit}'")
        shutil.rmtree(folder, ignore_errors=True)


def places_in_shards(parts: Sequence[Part]) -> pl.DataFrame:
    """install_no, shard, place: of the install among those of all shards."""
    shard = np.repeat(np.arange(len(parts)), [len(p.installs) for p in parts])
    number = np.concatenate([p.installs for p in parts])
    return pl.DataFrame({"install_no": number, "shard": shard, "place": np.arange(len(number))}).cast(pl.Int32)


def write(store: Store, folder: Path, name: str, shards: int, query: str, order: str) -> None:
    """The rows of a query, shard by shard, each in a file; the installs in the order of their shard, then `order`."""
    rows = store.frame(
        f"select i.* exclude (nr), d.shard from ({query}) i join drift_shards d on d.install_no = i.install_no "
        f"order by d.place, {order}"
    )
    ends = np.searchsorted(rows["shard"].to_numpy(), np.arange(shards + 1)).tolist()
    rows = rows.drop("shard")
    for shard, (a, b) in enumerate(itertools.pairwise(ends)):
        rows[a:b].write_ipc(folder / f"{name}-{shard:05}.arrow", compression="lz4")
