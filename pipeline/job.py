"""One run over one fleet folder: read, check, derive, cycles, fit, forecast, plan, publish.

Each function opens the store that is being made, calls one stage and closes it again, so that stages hand over by
store alone, whether they are called in a row, as Prefect tasks, or by a worker elsewhere.
"""

from __future__ import annotations

import functools
import json
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pipeline.outfolder import OutFolder, check_folders
from pipeline.settings import Settings, load_settings
from pipeline.stages.check import check as check_rows
from pipeline.stages.cycles import cycles as count_cycles
from pipeline.stages.derive import derive as derive_values
from pipeline.stages.fit import fit as fit_drift
from pipeline.stages.forecast import forecast as forecast_out
from pipeline.stages.pages import forget_page_tables
from pipeline.stages.pages import pages as write_pages
from pipeline.stages.plan import plan as plan_visits
from pipeline.stages.publish import publish as write_exports
from pipeline.stages.publish import write_run_record
from pipeline.stages.read import read as read_files
from pipeline.store import Store

log = logging.getLogger("foulcast")

MEMORY_GB = 3.0
"""DuckDB's share; beyond it, it writes to disk beside the store. What Polars and numpy hold comes on top."""


@dataclass(frozen=True)
class Job:
    """What is run: the fleet folder, where results go, and the day the forecast is made for."""

    fleet: Path
    folder: OutFolder
    as_of: date | None
    today: date

    @classmethod
    def of(cls, fleet: Path, out: Path, as_of: date | None = None, today: date | None = None) -> Job:
        """Raises FleetError where the two folders cannot be used together."""
        check_folders(fleet, out)
        fleet, out = fleet.resolve(), out.resolve()
        return cls(fleet, OutFolder(out), as_of, today or date.today())

    def settings(self) -> Settings:
        return load_settings(self.fleet)

    def store(self) -> Store:
        return Store.open(self.folder.next / "fleet.duckdb", memory_gb=MEMORY_GB)

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
        told = stage(job)
        seconds = time.perf_counter() - began
        job.timings_file.write_text(json.dumps({**job.timings(), name: round(seconds, 3)}))
        log.info(told, extra={"stage": name, "seconds": seconds})
        return told

    return run


@timed
def read(job: Job) -> str:
    job.timings_file.unlink(missing_ok=True)
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
        fit_drift(store, job.settings())
        fitted, readings = store.rows("select count(*), coalesce(sum(readings), 0) from drift_fit")[0]
        return f"{fitted} series, {readings:,} readings"


@timed
def forecast(job: Job) -> str:
    with job.store() as store:
        forecast_out(store, job.settings())
        return f"{store.scalar('select count(*) from forecasts'):,} forecasts"


@timed
def plan(job: Job) -> str:
    with job.store() as store:
        plan_visits(store, job.settings())
        return f"{store.scalar('select count(*) from visit_plan where planned_week is not null'):,} visits planned"


@timed
def publish(job: Job) -> str:
    with job.store() as store:
        write_pages(store, job.settings(), job.folder.next / "site")
        forget_page_tables(store)
        return write_exports(store, job.settings(), job.folder.next / "exports")


def finish(job: Job) -> None:
    """Write run.json, with the time each stage took, and move the whole into place."""
    with job.store() as store:
        write_run_record(store, job.settings(), job.folder.next / "exports" / "run.json", job.timings())
    job.folder.publish()


SENTENCE: tuple[Callable[[Job], str], ...] = (read, check, derive, cycles, fit, forecast, plan, publish)


def run_direct(job: Job) -> None:
    """The whole job in this process, one stage after the other; the caller has claimed the output folder."""
    for stage in SENTENCE:
        stage(job)
    finish(job)
