"""One run over one fleet folder: read, check, derive, cycles, fit, forecast, plan, publish.

Each function opens the store that is being made, calls one stage and closes it again, so that stages hand over by
store alone, whether they are called in a row, as Prefect tasks, or by a worker elsewhere.
"""

from __future__ import annotations

import functools
import json
import logging
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from dataclasses import dataclass, replace
from datetime import date
from importlib.metadata import version
from pathlib import Path

import duckdb

from pipeline.errors import FleetError
from pipeline.fleet_place import FleetPlace
from pipeline.interpreter import give_back_freed_memory
from pipeline.outfolder import OutFolder, check_folders
from pipeline.settings import Settings, load_settings
from pipeline.stages.check import check as check_rows
from pipeline.stages.cycles import cycles as count_cycles
from pipeline.stages.derive import derive as derive_values
from pipeline.stages.fit import fit as fit_drift
from pipeline.stages.forecast import forecast as forecast_out
from pipeline.stages.plan import plan as plan_visits
from pipeline.stages.publish import publish as publish_results
from pipeline.stages.publish import write_run_record
from pipeline.stages.read import read as read_files
from pipeline.stages.side_by_side import Mapper, side_by_side
from pipeline.store import Store

log = logging.getLogger("foulcast")

HELD_BYTES = 50_000_000  # some 3,000 installs
MEMORY_GB = 3.0
"""DuckDB's share; beyond it, it writes to disk beside the store. What Polars and numpy hold comes on top."""


class HeldStore:
    """A store that stays open from stage to stage of one process while it is small: to open and close it takes longer
    there than most stages do. A large one is closed after each, so that what it holds in memory is written."""

    def __init__(self) -> None:
        self.store: Store | None = None

    @contextmanager
    def opened(self, path: Path) -> Iterator[Store]:
        if self.store is None:
            self.store = Store.open(path, memory_gb=MEMORY_GB)
        try:
            yield self.store
        except BaseException:
            self.close()
            raise
        log_file = path.with_name(f"{path.name}.wal")  # what is not yet in the store itself
        if sum(file.stat().st_size for file in (path, log_file) if file.exists()) > HELD_BYTES:
            self.close()

    def close(self) -> None:
        if self.store is not None:
            self.store.close()
        self.store = None


@dataclass(frozen=True)
class Job:
    """What is run: the fleet, where results go, the day the forecast is made for, and who does pieces of the work."""

    place: FleetPlace
    folder: OutFolder
    as_of: date | None
    today: date
    mapper: Mapper = side_by_side
    held: HeldStore | None = None

    @classmethod
    def of(
        cls,
        fleet: str | Path,
        out: Path,
        as_of: date | None = None,
        today: date | None = None,
        mapper: Mapper = side_by_side,
    ) -> Job:
        """Raises FleetError where the two folders cannot be used together."""
        folder = OutFolder(out.resolve())
        place = FleetPlace(fleet, folder.work)
        check_folders(fleet, out)
        return cls(place, folder, as_of, today or date.today(), mapper)

    @property
    def fleet(self) -> Path:
        return self.place.folder

    def settings(self) -> Settings:
        return load_settings(self.fleet)

    def store(self) -> AbstractContextManager[Store]:
        """The store that is being made, open for one stage; closed after it unless it is held."""
        path = self.folder.next / "fleet.duckdb"
        return Store.open(path, memory_gb=MEMORY_GB) if self.held is None else self.held.opened(path)

    def shards_folder(self, shared: str | None) -> str | None:
        """Where the fit hands over a large fleet's shards: a folder of this run in the one all workers see, if one is
        named and there are workers."""
        if shared is None or self.mapper is side_by_side:
            return None
        if not Path(shared).is_dir():
            raise FleetError(f"fleet.toml [cluster] shared_folder: {shared} is no folder here. Make it, or correct it.")
        return str(Path(shared) / f"foulcast-{uuid.uuid4().hex}")

    @property
    def timings_file(self) -> Path:
        return self.folder.work / "timings.json"

    def timings(self) -> dict[str, float]:
        return json.loads(self.timings_file.read_text()) if self.timings_file.exists() else {}


def timed(stage: Callable[[Job], str]) -> Callable[[Job], str]:
    """Say when a stage begins and what it did, and keep the seconds it took for run.json."""
    name = stage.__name__

    @functools.wraps(stage)
    def run(job: Job) -> str:
        log.info("", extra={"stage": name, "begins": True})
        began = time.perf_counter()
        with told_where_damaged(job):
            told = stage(job)
        give_back_freed_memory()
        seconds = time.perf_counter() - began
        job.timings_file.write_text(json.dumps({**job.timings(), name: round(seconds, 3)}))
        log.info(told, extra={"stage": name, "seconds": seconds})
        return told

    return run


@contextmanager
def told_where_damaged(job: Job) -> Iterator[None]:
    """A store begins as a copy of the earlier one: blocks that no longer are what was written are met in any stage."""
    try:
        yield
    except duckdb.Error as problem:
        if "corrupt database file" not in str(problem).lower():
            raise
        raise FleetError(
            f"{job.folder.store}: is damaged ({str(problem).splitlines()[0]}). Move it away and run again; then all "
            "files are read anew."
        ) from problem


@timed
def read(job: Job) -> str:
    job.timings_file.unlink(missing_ok=True)
    note_inputs(job)
    job.place.bring()
    previous = job.folder.store if job.folder.store.exists() else None
    with job.store() as store:
        return str(read_files(store, job.fleet, job.settings(), previous))


@timed
def check(job: Job) -> str:
    with job.store() as store:
        return str(check_rows(store, job.settings(), job.as_of, job.today))


@timed
def derive(job: Job) -> str:
    with job.store() as store:
        return f"{derive_values(store, job.settings()):,} tests"


@timed
def cycles(job: Job) -> str:
    with job.store() as store:
        count_cycles(store, job.settings())
        return f"{store.scalar('select count(*) from cycles'):,} stretches between services"


@timed
def fit(job: Job) -> str:
    with job.store() as store:
        settings = job.settings()
        fit_drift(store, settings, mapper=job.mapper, place=job.shards_folder(settings.cluster.shared_folder))
        fitted, readings = store.rows("select count(*), coalesce(sum(readings), 0) from drift_fit")[0]
        return f"{fitted} series, {readings:,} readings"


@timed
def forecast(job: Job) -> str:
    with job.store() as store:
        forecast_out(store, job.settings(), job.mapper)
        return f"{store.scalar('select count(*) from forecasts'):,} forecasts"


@timed
def plan(job: Job) -> str:
    with job.store() as store:
        plan_visits(store, job.settings(), job.mapper)
        return f"{store.scalar('select count(*) from visit_plan where planned_week is not null'):,} visits planned"


@timed
def publish(job: Job) -> str:
    with job.store() as store:
        return publish_results(store, job.settings(), job.folder.next)


def finish(job: Job) -> None:
    """Write run.json, with the time each stage took, and move the whole into place."""
    put_in_place(job, record(job))


def record(job: Job) -> bool:
    """Write run.json; returns whether the results last, that is no row waits for its day to come."""
    with job.store() as store:
        write_run_record(store, job.settings(), job.folder.next / "exports" / "run.json", job.timings())
        return not store.scalar("select count(*) from rejected_rows where reason like 'future%'")


def put_in_place(job: Job, lasting: bool) -> None:
    """Move what was made into place; its store is closed by now. lasting: as `record` returns."""
    job.folder.publish()
    keep_inputs(job, lasting)


def note_inputs(job: Job) -> None:
    """What the results will have been made from, as it is before the first file is read."""
    inputs = {"stamps": job.place.stamps(), "source": job.place.source, "as_of": str(job.as_of), "by": _made_by()}
    (job.folder.work / "reading.json").write_text(json.dumps(inputs))


def keep_inputs(job: Job, lasting: bool) -> None:
    """Beside OUT, what it was made from. lasting: as `record` returns."""
    noted = job.folder.work / "reading.json"
    inputs = json.loads(noted.read_text()) | {"day": None if lasting else str(job.today), "store": _of_store(job)}
    noted.unlink()
    (job.folder.work / "made_from.json").write_text(json.dumps(inputs))


def up_to_date(job: Job) -> bool:
    """Whether a run would read nothing but what OUT was made from."""
    kept = job.folder.work / "made_from.json"
    if not kept.exists() or not job.folder.store.exists():
        return False
    made = json.loads(kept.read_text())
    stamps = job.place.stamps()
    told = (made["source"], made["as_of"], made["by"], made["store"], made["stamps"])
    now = (job.place.source, str(job.as_of), _made_by(), _of_store(job), stamps)
    return told == now and made["day"] in (None, str(job.today)) and all(stamps.values())


def _made_by() -> str:
    return f"foulcast {version('foulcast')}"


def _of_store(job: Job) -> list[int]:
    told = job.folder.store.stat()
    return [told.st_size, told.st_mtime_ns]


SENTENCE: tuple[Callable[[Job], str], ...] = (read, check, derive, cycles, fit, forecast, plan, publish)


def run_direct(job: Job) -> None:
    """The whole job in this process, one stage after the other; the caller has claimed the output folder."""
    with closing(HeldStore()) as held:
        job = replace(job, held=held)
        for stage in SENTENCE:
            stage(job)
        lasting = record(job)
    put_in_place(job, lasting)
