"""Killed at any moment, a run leaves OUT whole, and the next run comes to the same results."""

from __future__ import annotations

import hashlib
import random
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

RESULTS = ("forecasts.csv", "visit_plan.csv", "appliance_models.csv", "area_weeks.csv", "rejected_rows.csv")


def command(fleet: Path, out: Path) -> list[str]:
    return [sys.executable, "-m", "pipeline.cli", "run", str(fleet), "--out", str(out), "--direct"]


def digest(out: Path) -> dict[str, str]:
    return {name: hashlib.sha256((out / "exports" / name).read_bytes()).hexdigest() for name in RESULTS}


def test_a_run_killed_at_many_moments_leaves_whole_results(small_fleet: Path, tmp_path: Path) -> None:
    fleet, out = tmp_path / "fleet", tmp_path / "out"
    shutil.copytree(small_fleet, fleet)
    began = time.monotonic()
    subprocess.run(command(fleet, out), check=True, capture_output=True)
    whole_run_s = time.monotonic() - began
    first = digest(out)

    newest = sorted((fleet / "visits").glob("*.csv"))[-1]
    newest.unlink()  # what the next runs publish differs from `first`
    fresh = tmp_path / "fresh"
    subprocess.run(command(fleet, fresh), check=True, capture_output=True)
    second = digest(fresh)
    assert second != first
    moments = random.Random(5)
    found = []
    for k in range(8):
        run = subprocess.Popen(command(fleet, out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(moments.uniform(0.05, 0.15) * whole_run_s * (k + 1))
        run.kill()
        run.wait()
        found.append(digest(out))  # a run that is killed between the exchange of the folders and its end has published
    assert found[0] == first
    assert found == sorted(found, key=[first, second].index)  # one or the other whole, and never back

    subprocess.run(command(fleet, out), check=True, capture_output=True)
    assert digest(out) == second


@pytest.fixture
def own_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 400 MB that this test may fill; needs the right to mount one, as in CI."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400m", "tmpfs", str(disk)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("may not mount a file system here")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


def test_a_full_disk_is_told_and_leaves_earlier_results(small_fleet: Path, own_disk: Path) -> None:
    out = own_disk / "out"
    subprocess.run(command(small_fleet, out), check=True, capture_output=True)
    first = digest(out)
    free = shutil.disk_usage(own_disk).free
    (own_disk / "ballast").write_bytes(bytes(free - 300_000))
    done = subprocess.run(command(small_fleet, out), capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "disk is full" in done.stderr
    assert "whole and unchanged" in done.stderr
    assert "Traceback" not in done.stderr
    assert digest(out) == first
