"""The job as a Prefect flow: one task around each stage, and no logic besides."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from prefect import flow, task
from prefect.cache_policies import NO_CACHE

from pipeline import job as run
from pipeline.job import Job

plain = {"cache_policy": NO_CACHE, "persist_result": False}
read = task(run.read, name="read", **plain)
check = task(run.check, name="check", **plain)
derive = task(run.derive, name="derive", **plain)
cycles = task(run.cycles, name="cycles", **plain)
fit = task(run.fit, name="fit", **plain)
forecast = task(run.forecast, name="forecast", **plain)
plan = task(run.plan, name="plan", **plain)
publish = task(run.publish, name="publish", **plain)


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
