"""A run's stages and what they hand over."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from fleet_writer import write_fleet

from pipeline import job
from pipeline.errors import FleetError
from pipeline.job import HeldStore
from pipeline.store import Store


def test_a_small_store_stays_open_and_a_large_one_is_closed_after_each_stage(tmp_path: Path, monkeypatch) -> None:
    path, held = tmp_path / "fleet.duckdb", HeldStore()
    with held.opened(path) as first:
        first.run("create table seen as select 1 as x")
    with held.opened(path) as second:
        assert second is first
    monkeypatch.setattr(job, "HELD_BYTES", 0)
    with held.opened(path) as third:
        third.run("insert into seen values (2)")
    assert held.store is None
    with Store.open(path, read_only=True) as elsewhere:  # nobody holds it
        assert elsewhere.rows("select x from seen order by x") == [(1,), (2,)]
    with held.opened(path) as fourth:
        assert fourth is not first


def test_a_stage_that_fails_leaves_no_store_open(tmp_path: Path) -> None:
    held = HeldStore()
    with pytest.raises(ValueError, match="this stage"), held.opened(tmp_path / "fleet.duckdb"):
        raise ValueError("this stage")
    assert held.store is None
    with Store.open(tmp_path / "fleet.duckdb"):
        pass


def test_stages_are_imported_without_what_only_a_few_processes_need() -> None:
    """scikit-learn takes over a second to import, Prefect two."""
    told = "import sys, pipeline.job; print(*sorted({'sklearn', 'prefect', 'pandas'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


def test_a_damaged_earlier_store_is_named_wherever_it_is_met(tmp_path: Path) -> None:
    """One flipped byte in each block: a run does as well as without it, or says what to move away. DuckDB keeps a
    checksum of every block (its documentation of the storage format)."""
    fleet = write_fleet(tmp_path / "fleet")
    done = job.Job.of(fleet, tmp_path / "first")
    done.folder.next.mkdir(parents=True)
    told = [stage(done) for stage in (job.read, job.check)]
    whole = (done.folder.next / "fleet.duckdb").read_bytes()
    block = 1 << 18
    named = []
    for n, at in enumerate(range(3 * 4096 + block // 8, len(whole), block)):
        again = job.Job.of(fleet, tmp_path / f"out{n}")
        again.folder.out.mkdir()
        again.folder.next.mkdir(parents=True)
        again.folder.store.write_bytes(whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :])
        try:
            job.read(again)
            assert job.check(again) == told[1]
        except FleetError as problem:
            named.append((str(again.folder.store), str(problem)))
    assert named
    assert all(store in sentence and "Move it away and run again" in sentence for store, sentence in named)
