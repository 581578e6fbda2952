"""The deployment on its schedule: does nothing without new files, says in Prefect what to do, ends cleanly."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock

from pipeline.errors import FleetError, PassingError
from pipeline.flows import passes


class Served:
    """`foulcast serve` as a process, and Prefect's API as anyone sees it."""

    def __init__(self, fleet: Path, out: Path) -> None:
        self.fleet, self.out = fleet, out
        self.process = subprocess.Popen(
            [sys.executable, "-m", "pipeline.cli", "serve", str(fleet), "--out", str(out), "--cron", "0 4 * * *"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=os.environ | {"PREFECT_RUNNER_POLL_FREQUENCY": "1"},
            start_new_session=True,
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+/api", line)
        assert found, line
        self.api = found[0]

    def asked(self, path: str, body: dict[str, Any]) -> Any:
        told = json.dumps(body).encode()
        request = urllib.request.Request(f"{self.api}{path}", told, {"content-type": "application/json"})
        for again in (True, True, True, True, False):
            try:
                with urllib.request.urlopen(request, timeout=30) as answer:
                    return json.load(answer)
            except urllib.error.HTTPError as problem:
                if problem.code != 503 or not again:  # a busy server asks to come again, and Prefect's clients do
                    raise
                time.sleep(1)
        raise AssertionError("unreachable")

    def wait(self, for_s: float, found: Callable[[], Any]) -> Any:
        deadline = time.monotonic() + for_s
        while time.monotonic() < deadline:
            assert self.process.poll() is None, self.process.stderr and self.process.stderr.read()
            if (value := found()) is not None:
                return value
            time.sleep(0.5)
        raise AssertionError(f"nothing came of it within {for_s} s")

    def trigger(self) -> str:
        deployment = self.wait(60, lambda: next(iter(self.asked("/deployments/filter", {})), None))
        run = self.asked(f"/deployments/{deployment['id']}/create_flow_run", {"parameters": deployment["parameters"]})
        return run["id"]

    def state(self, run: str) -> dict[str, Any]:
        return self.asked("/flow_runs/filter", {"flow_runs": {"id": {"any_": [run]}}})[0]["state"]

    def ended(self, run: str, for_s: float = 180) -> dict[str, Any]:
        def over() -> dict[str, Any] | None:
            state = self.state(run)
            return state if state["type"] in ("COMPLETED", "FAILED", "CRASHED", "CANCELLED") else None

        return self.wait(for_s, over)


@pytest.fixture
def served(small_fleet: Path, tmp_path: Path) -> Iterator[Served]:
    fleet = tmp_path / "fleet"
    shutil.copytree(small_fleet, fleet)
    made = Served(fleet, tmp_path / "out")
    yield made
    if made.process.poll() is None:
        made.process.send_signal(signal.SIGTERM)
        made.process.wait(60)


def test_a_deployment_refreshes_waits_fails_plainly_and_ends_cleanly(served: Served) -> None:
    first = served.ended(served.trigger())
    assert (first["type"], first["message"]) == ("COMPLETED", f"Results and pages are in {served.out}.")
    made = (served.out / "fleet.duckdb").stat().st_mtime_ns

    again = served.ended(served.trigger())
    assert again["message"] == "No file is new or changed; the results stay as they are."
    assert (served.out / "fleet.duckdb").stat().st_mtime_ns == made
    schedules = served.asked("/flow_runs/filter", {"flow_runs": {"state": {"type": {"any_": ["SCHEDULED"]}}}})
    assert any(run["auto_scheduled"] for run in schedules)  # by its cron line

    settings = served.fleet / "fleet.toml"
    before = settings.read_bytes()
    settings.write_text("risk_tolerence = 0.1\n")
    failed = served.ended(served.trigger())
    assert failed["type"] == "FAILED"
    assert failed["message"].startswith(
        "fleet.toml: 'risk_tolerence' is not a known key; did you mean 'risk_tolerance'"
    )
    settings.write_bytes(before)

    with FileLock(served.out.parent / f".{served.out.name}.work" / "lock"):
        waiting = served.trigger()

        def retries() -> str | None:
            wanted = {"flow_runs": {"id": {"any_": [waiting]}}}
            runs = served.asked("/task_runs/filter", wanted)
            return next((run["state"]["name"] for run in runs if run["state"]["name"] == "AwaitingRetry"), None)

        served.wait(120, retries)
        assert served.state(waiting)["type"] == "RUNNING"
        began = time.monotonic()
        os.killpg(served.process.pid, signal.SIGINT)  # as a terminal does on Ctrl-C
        _, errors = served.process.communicate(timeout=60)
    assert served.process.returncode == 0
    assert time.monotonic() - began < 45
    assert "Traceback" not in errors
    with pytest.raises(OSError):
        served.asked("/deployments/filter", {})


@pytest.mark.parametrize(
    ("problem", "again"),
    [
        (FleetError("installs.csv: is missing"), False),
        (PassingError("out: another run is writing this folder"), True),
        (OSError(errno.EIO, "input/output error"), True),
        (ConnectionResetError("gone"), True),
        (OSError(errno.ENOSPC, "no space left"), False),
        (PermissionError(errno.EACCES, "denied"), False),
        (ValueError("a mistake of ours"), False),
    ],
)
def test_only_what_may_pass_is_tried_again(problem: Exception, again: bool) -> None:
    assert passes(problem) is again


def test_a_cron_line_that_is_none_is_told(small_fleet: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pipeline.cli", "serve", str(small_fleet), "--out", str(tmp_path / "o")]
    done = subprocess.run([*command, "--cron", "daily"], capture_output=True, text=True, timeout=180, check=False)
    assert done.returncode == 1
    assert "foulcast: --cron 'daily': is no cron line" in done.stderr
    assert "Traceback" not in done.stderr
