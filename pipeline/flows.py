"""The job as a Prefect flow: one task around each stage, and no logic besides."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

from prefect import Task, flow, task
from prefect.cache_policies import NO_CACHE

from pipeline import job as run
from pipeline.job import Job


def stage_task(stage: Callable[[Job], str]) -> Task[[Job], str]:
    """A stage as a task: run each time, its result told and not stored."""
    return task(name=stage.__name__, cache_policy=NO_CACHE, persist_result=False)(stage)


read = stage_task(run.read)
check = stage_task(run.check)
derive = stage_task(run.derive)
cycles = stage_task(run.cycles)
fit = stage_task(run.fit)
forecast = stage_task(run.forecast)
plan = stage_task(run.plan)
publish = stage_task(run.publish)


@flow(name="foulcast", persist_result=False, description="Service visits to forecasts, a visit plan and pages.")
def refresh(fleet: str, out: str, as_of: str | None = None) -> None:
    """Bring OUT up to date with FLEET; the caller has claimed OUT."""
    job = Job.of(Path(fleet), Path(out), date.fromisoformat(as_of) if as_of else None)
    read(job)
    check(job)
    derive(job)
    cycles(job)
    fit(job)
    forecast(job)
    plan(job)
    publish(job)
    run.finish(job)


@flow(name="foulcast on schedule", persist_result=False)
def scheduled_refresh(fleet: str, out: str, as_of: str | None = None) -> None:
    """The same, claiming OUT itself: what a deployment runs."""
    with Job.of(Path(fleet), Path(out)).folder.claimed():
        refresh(fleet, out, as_of)
