"""The job as a Prefect flow: one task around each stage, and no logic besides.

Stages own the store, so their tasks run where the flow runs. The pieces of work that they hand out go to the flow's
task runner where that is Dask's, each as a task of its own.
"""

from __future__ import annotations

import errno
import os
import signal
import threading
from collections.abc import Callable
from contextlib import ExitStack
from datetime import date
from pathlib import Path, PurePath
from typing import Any

from prefect import Flow, Task, flow, get_run_logger, task
from prefect.cache_policies import NO_CACHE
from prefect.context import FlowRunContext
from prefect.states import Completed, Failed, State
from pydantic import ValidationError

from pipeline import job as run
from pipeline.errors import FleetError, PassingError
from pipeline.job import Job
from pipeline.outfolder import OutFolder
from pipeline.stages.side_by_side import Mapper, side_by_side
from pipeline.workers import DaskWorkers, check_cluster, do_piece

LASTING = {
    errno.ENOSPC,
    errno.EDQUOT,
    errno.EACCES,
    errno.EPERM,
    errno.EROFS,
    errno.EMFILE,
    errno.ENOENT,
    errno.ENOTDIR,
}
CLAIM_AGAIN_S = [20.0, 60.0, 180.0, 300.0, 600.0]  # a run that holds OUT may take some minutes


def passes(problem: object) -> bool:
    """Whether the same, tried again, may go well: a disk that hiccups, a folder in use; never a fleet to be mended."""
    if isinstance(problem, FleetError):
        return isinstance(problem, PassingError)
    return isinstance(problem, OSError) and problem.errno not in LASTING


def try_again(_task: Any, _run: Any, state: State[Any]) -> bool:
    return passes(state.result(raise_on_failure=False))


def stage_task(stage: Callable[[Job], str]) -> Task[[Job], str]:
    """A stage as a task: run each time, its result told and not stored. It replaces its tables, so it may run again."""
    return task(
        name=stage.__name__, cache_policy=NO_CACHE, persist_result=False,
        retries=2, retry_delay_seconds=[2, 10], retry_condition_fn=try_again,
    )(stage)  # fmt: skip


read = stage_task(run.read)
check = stage_task(run.check)
derive = stage_task(run.derive)
cycles = stage_task(run.cycles)
fit = stage_task(run.fit)
forecast = stage_task(run.forecast)
plan = stage_task(run.plan)
publish = stage_task(run.publish)
piece = task(
    name="piece", task_run_name="{what}", cache_policy=NO_CACHE, persist_result=False,
    retries=2, retry_delay_seconds=2, retry_condition_fn=try_again,
)(do_piece)  # fmt: skip


@flow(name="foulcast", persist_result=False, description="Service visits to forecasts, a visit plan and pages.")
def refresh(fleet: str, out: str, as_of: str | None = None) -> None:
    """Bring OUT up to date with FLEET; the caller has claimed OUT."""
    job = Job.of(fleet, Path(out), _day(as_of), mapper=_mapper())
    read(job)
    check(job)
    derive(job)
    cycles(job)
    fit(job)
    forecast(job)
    plan(job)
    publish(job)
    run.finish(job)


@task(cache_policy=NO_CACHE, persist_result=False, retries=len(CLAIM_AGAIN_S), retry_delay_seconds=CLAIM_AGAIN_S,
      retry_condition_fn=try_again)  # fmt: skip
def claim(held: ExitStack, folder: OutFolder) -> None:
    """Take OUT for this run; where another holds it, wait for that to end."""
    held.enter_context(folder.claimed())


@flow(name="foulcast on schedule", persist_result=False)
def scheduled_refresh(fleet: str, out: str, as_of: str | None = None, dask: str | None = None) -> State[Any]:
    """The same, claiming OUT itself and only where a file is new or changed: what a deployment runs."""
    log = get_run_logger()
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C ends who serves, and that one ends its runs
    try:
        job = Job.of(fleet, Path(out), _day(as_of))
        with ExitStack() as held:
            claim(held, job.folder)
            if run.up_to_date(job):
                return Completed(message="No file is new or changed; the results stay as they are.")
            over(dask or job.place.settings().cluster.address)(job.place.source, str(job.folder.out), as_of)
    except FleetError as problem:
        log.error("%s", problem)
        return Failed(message=str(problem))
    return Completed(message=f"Results and pages are in {job.folder.out}.")


def keep_served(fleet: str, out: Path, cron: str, dask: str | None) -> None:
    """Serve `scheduled_refresh` until stopped; one run at a time. Raises FleetError for a cron line that is none."""
    name = f"foulcast {PurePath(fleet).name}"
    parameters = {"fleet": fleet, "out": str(out), "dask": dask}
    # Ctrl-C as an end that was asked for: by itself Prefect would wait for the run that is going on.
    signal.signal(signal.SIGINT, lambda *_: signal.raise_signal(signal.SIGTERM))
    try:
        scheduled_refresh.serve(name=name, cron=cron, parameters=parameters, limit=1, print_starting_message=False)
    except ValidationError as problem:
        raise FleetError(f"--cron {cron!r}: is no cron line; it has five fields, as '0 6 * * 1-5'.") from problem


def over(address: str | None) -> Flow[..., None]:
    """The flow over the workers of a Dask scheduler, or on this machine. Raises FleetError for one out of reach."""
    if address is None:
        return refresh
    address = check_cluster(address)
    from prefect_dask import DaskTaskRunner

    runner: Any = DaskTaskRunner(address=address, client_kwargs={"timeout": 10})
    return refresh.with_options(task_runner=runner)


def _mapper() -> Mapper:
    context = FlowRunContext.get()
    runner: Any = context.task_runner if context else None
    if not hasattr(runner, "address"):
        return side_by_side
    try:
        client = runner.client
    except OSError as problem:
        raise PassingError(
            f"{runner.address}: no Dask scheduler answers there ({problem}). Start one (dask scheduler), or leave "
            "--dask out to run on this machine."
        ) from problem
    return DaskWorkers.of(client, piece, os.environ["PREFECT_API_URL"])


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None
