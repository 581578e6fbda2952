"""Over the workers of a Dask cluster: the results of one machine, whoever dies on the way; clear words when it is not
there."""

from __future__ import annotations

import json
import os
import pickle
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from local_cluster import local_cluster

from pipeline.errors import FleetError
from pipeline.settings import settings_from
from pipeline.workers import DaskWorkers, check_cluster, do_piece, housed

distributed = pytest.importorskip("distributed")


def slow_square(number_and_seconds: tuple[int, float]) -> int:
    number, seconds = number_and_seconds
    time.sleep(seconds)
    return number**2


def who(_: int) -> int:
    return os.getpid()


def refuse(number: int) -> int:
    if number == 3:
        raise FleetError("three is not liked here")
    return number


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture(scope="module")
def cluster() -> Iterator[distributed.LocalCluster]:
    """Two worker processes, which are started again when they die."""
    with local_cluster(2) as made:
        yield made


@pytest.fixture
def workers(cluster: distributed.LocalCluster) -> Iterator[DaskWorkers]:
    with distributed.Client(cluster, set_as_default=False) as client:
        yield DaskWorkers(client, do_piece)


def kill_a_busy_worker(client: distributed.Client, after_s: float, killed: list[int]) -> threading.Thread:
    """Ends one worker process, with no chance to clean up, once both are at work."""

    def watch() -> None:
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            busy = [worker for worker, keys in client.processing().items() if keys]
            if busy:
                time.sleep(after_s)
                pid = client.run(os.getpid, workers=[busy[0]])[busy[0]]
                os.kill(pid, signal.SIGKILL)
                killed.append(pid)
                return
            time.sleep(0.02)

    thread = threading.Thread(target=watch)
    thread.start()
    return thread


def test_pieces_come_back_in_order_from_other_processes(workers: DaskWorkers) -> None:
    assert workers(slow_square, [(n, 0.02 * (n % 3)) for n in range(20)]) == [n**2 for n in range(20)]
    pids = set(workers(who, range(12)))
    assert os.getpid() not in pids


@dataclass(frozen=True)
class Keyed:
    key: tuple[str, int]


def who_has(piece: Keyed) -> tuple[Keyed, int]:
    time.sleep(0.05)
    return piece, os.getpid()


def test_a_piece_goes_back_to_who_knows_what_it_is_about(workers: DaskWorkers) -> None:
    pieces = [Keyed(("shard", k)) for k in range(7)]
    rounds = [dict(workers(who_has, pieces[k:] + pieces[:k])) for k in range(6)]
    assert len(set(rounds[0].values())) == 2
    moved = sum(after[piece] != rounds[0][piece] for after in rounds[1:] for piece in pieces)
    assert moved <= 5  # of 35: Dask may take one from a worker that has fallen behind; sent to anyone, half would


def noted(what: str, work: bytes) -> bytes:
    return pickle.dumps([what, pickle.loads(do_piece(what, work))])


def test_only_pieces_that_are_a_work_of_their_own_are_recorded(workers: DaskWorkers) -> None:
    recording = DaskWorkers(workers.client, noted)
    assert recording(slow_square, [(3, 0.0)]) == [["slow_square 1 of 1", 9]]
    assert [piece for piece, _ in recording(who_has, [Keyed(("shard", 0))])] == [Keyed(("shard", 0))]


def test_the_homes_of_pieces() -> None:
    places = {"a": 1, "b": 3}
    homes = housed([1, None, 2, 3, 4], {}, places)
    assert sorted(homes.values()) == ["a", "b", "b", "b"]
    assert housed([4, 2], homes, places) == {4: homes[4], 2: homes[2]}
    gone = housed([1, 2, 3, 4], homes, {"a": 1, "c": 1})  # b is gone, c has come
    assert {key: home for key, home in homes.items() if home == "a"}.items() <= gone.items()
    assert sorted(gone.values()) == ["a", "a", "c", "c"]
    assert housed([1, 2], homes, {}) == {}


def test_nothing_is_said_of_large_pieces(workers: DaskWorkers, recwarn: pytest.WarningsRecorder) -> None:
    assert workers(len, [bytes(12_000_000), b"small"]) == [12_000_000, 5]
    assert [str(w.message) for w in recwarn if "graph" in str(w.message)] == []


def test_an_error_of_a_piece_is_raised_as_it_is(workers: DaskWorkers) -> None:
    with pytest.raises(FleetError, match="three is not liked here"):
        workers(refuse, range(8))


def test_a_killed_worker_is_not_missed(workers: DaskWorkers) -> None:
    killed: list[int] = []
    thread = kill_a_busy_worker(workers.client, 0.2, killed)
    assert workers(slow_square, [(n, 0.2) for n in range(12)]) == [n**2 for n in range(12)]
    thread.join()
    assert killed


def test_without_any_worker_left_the_rest_is_done_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.workers.NO_WORKER_S", 1.0)
    monkeypatch.setattr("pipeline.workers.LOOK_S", 0.3)
    with (
        local_cluster(1) as made,
        distributed.Client(made, set_as_default=False) as client,
    ):
        mapper = DaskWorkers(client, do_piece)
        threading.Timer(0.5, lambda: made.scale(0)).start()
        assert mapper(slow_square, [(n, 0.3) for n in range(8)]) == [n**2 for n in range(8)]
        assert mapper.gone


@pytest.mark.parametrize("while_at_work", [True, False])
def test_without_the_scheduler_the_rest_is_done_here(while_at_work: bool) -> None:
    with local_cluster(1) as made, distributed.Client(made.scheduler_address, set_as_default=False) as client:
        mapper = DaskWorkers(client, do_piece)
        assert mapper(slow_square, [(n, 0.0) for n in range(3)]) == [0, 1, 4]
        pieces = [(n, 0.3) for n in range(6)]
        if while_at_work:
            threading.Timer(0.5, made.close).start()
        else:
            made.close()
            while client.status == "running":
                time.sleep(0.05)
        assert mapper(slow_square, pieces) == [n**2 for n in range(6)]
        assert mapper.gone
        assert mapper(slow_square, pieces[:2]) == [0, 1]


@pytest.mark.parametrize("address", ["", "nonsense", "tcp://host", "http://10.0.0.5:8786", "tcp://h:99999", "a b:1"])
def test_an_address_that_is_none_is_told(address: str) -> None:
    with pytest.raises(FleetError, match=r"not the address of a Dask scheduler.*tcp://10\.0\.0\.5:8786"):
        check_cluster(address)
    with pytest.raises(FleetError, match=r"fleet\.toml \[cluster\] address: "):
        settings_from({"cluster": {"address": address}})


def test_a_misspelt_key_of_the_cluster_is_told() -> None:
    with pytest.raises(FleetError, match=r"'cluster\.adress' is not a known key; did you mean 'address'"):
        settings_from({"cluster": {"adress": "tcp://a:1"}})


def test_without_the_packages_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.workers.NEEDED", ("no_such_package_here",))
    with pytest.raises(FleetError, match=r"pip install 'foulcast\[cluster\]'"):
        check_cluster("tcp://127.0.0.1:8786")


def run_foulcast(*arguments: str, timeout: float = 120) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pipeline.cli", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=timeout, check=False)


def test_a_scheduler_that_is_not_there_is_told_within_seconds(small_fleet: Path, tmp_path: Path) -> None:
    began = time.monotonic()
    address = f"tcp://127.0.0.1:{free_port()}"
    done = run_foulcast("run", str(small_fleet), "--out", str(tmp_path / "out"), "--dask", address)
    assert done.returncode == 1
    assert f"foulcast: {address}: no Dask scheduler could be reached" in done.stderr
    assert "Traceback" not in done.stderr
    assert time.monotonic() - began < 20
    done = run_foulcast("run", str(small_fleet), "--out", str(tmp_path / "out"), "--dask", address, "--direct")
    assert "Give one of them" in done.stderr


def test_a_run_over_workers_one_of_which_is_killed_gives_the_same_bytes(
    cluster: distributed.LocalCluster, small_fleet: Path, small_run: Path, tmp_path: Path
) -> None:
    here, there = small_run, tmp_path / "there"
    killed: list[int] = []
    with distributed.Client(cluster, set_as_default=False) as client:
        thread = kill_a_busy_worker(client, 0.3, killed)
        done = run_foulcast("run", str(small_fleet), "--out", str(there), "--dask", cluster.scheduler_address)
        thread.join()
    assert done.returncode == 0, done.stderr
    assert killed
    assert "Traceback" not in done.stderr
    for path in sorted((here / "exports").iterdir()):
        if path.name != "run.json":
            assert path.read_bytes() == (there / "exports" / path.name).read_bytes(), path.name
    stages = set(json.loads((there / "exports" / "run.json").read_text())["timings_s"])
    with sqlite3.connect(tmp_path / ".there.work" / "prefect" / "prefect.db") as runs:
        states = dict(runs.execute("select name, state_name from task_run"))
    completed = {name.split("-")[0] for name, state in states.items() if state == "Completed"}
    assert stages <= completed
    assert {name for name in completed if " of " in name} >= {
        *("fitted_together 1 of 5", "plan_areas 1 of 1", "backtest_piece 8 of 8")
    }
