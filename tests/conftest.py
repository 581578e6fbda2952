"""Shared by all tests: one invented fleet, run once for the session."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from page_browser import Watched
    from playwright.sync_api import Browser

os.environ.setdefault("OMP_NUM_THREADS", "1")

# How long one example takes says how busy the machine is.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

SAMPLE_DATA = Path(__file__).parent.parent / "sample_data"


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What runs keep for the next goes into a folder of this session, not into the cache of whoever tests."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="session")
def sample_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """OUT of one whole run over sample_data, without Prefect; tests only read it."""
    from pipeline.job import Job, run_direct

    out = tmp_path_factory.mktemp("sample-run") / "out"
    job = Job.of(SAMPLE_DATA, out, today=date(2026, 11, 25))
    with job.folder.claimed():
        run_direct(job)
    return out


@pytest.fixture(scope="session")
def small_fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fleet folder of 60 installs over 4 years; copy it before changing it."""
    from pipeline.sample.write import write_sample

    folder = tmp_path_factory.mktemp("small-fleet") / "fleet"
    write_sample(folder, installs=60, years=4, seed=3)
    return folder


@pytest.fixture(scope="session")
def small_run(small_fleet: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """OUT of one whole run over small_fleet on this machine alone, without Prefect; tests only read it."""
    from pipeline.job import Job, run_direct

    job = Job.of(small_fleet, tmp_path_factory.mktemp("small-run") / "out")
    with job.folder.claimed():
        run_direct(job)
    return job.folder.out


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    from page_browser import QUIET

    return {
        **browser_type_launch_args,
        "executable_path": shutil.which("chromium"),
        "chromium_sandbox": False,
        "args": QUIET,
    }


@pytest.fixture(scope="module")
def site() -> Path:
    """A site of an invented store; tests only read it."""
    from page_store import built_site

    return built_site()


@pytest.fixture
def watched(browser: Browser) -> Iterator[Watched]:
    """A wide page without a network; whatever goes wrong on it fails the test."""
    from page_browser import Watched

    context = browser.new_context(offline=True, viewport={"width": 1400, "height": 900}, timezone_id="America/Denver")
    seen = Watched(context.new_page())
    yield seen
    context.close()
    assert seen.wrong == []
