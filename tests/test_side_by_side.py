"""Pieces of work shared between processes: same answers, same order, and no helper that is missed."""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
import warnings
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from threading import Event

import psutil
import pytest
from loky import process_executor

from pipeline.stages import side_by_side as module
from pipeline.stages.side_by_side import ahead, begun, behind, side_by_side

HOME = os.getpid()


def squared_but_only_at(home_and_number: tuple[int, int]) -> int:
    """Ends the process it runs in unless that is `home`."""
    home, number = home_and_number
    if os.getpid() != home:
        os._exit(3)
    return number**2


def test_results_come_in_the_order_of_the_pieces():
    numbers = list(range(30))
    assert side_by_side(math.factorial, numbers) == [math.factorial(n) for n in numbers]


def test_an_error_is_raised_as_it_is():
    with pytest.raises(ValueError, match=r"math domain error|nonnegative"):
        side_by_side(math.sqrt, [1.0, -1.0, 4.0, 9.0])


def noted(file: str) -> int:
    Path(file).touch()
    return os.getpid()


def test_helpers_begin_before_results_are_asked_for(tmp_path):
    files = [str(tmp_path / str(k)) for k in range(3)]
    with begun(side_by_side, noted, files) as results:
        waited = time.monotonic() + 60
        while not Path(files[0]).exists() and time.monotonic() < waited:
            time.sleep(0.02)
        assert Path(files[0]).exists()
        assert results()[0] != HOME


def test_another_mapper_is_asked_once_and_only_for_results():
    asked = []

    def mapper(function, pieces):
        asked.append(pieces)
        return [function(piece) for piece in pieces]

    with begun(mapper, math.factorial, [3, 4]) as results:
        assert asked == []
        assert results() == [6, 24]
    assert asked == [[3, 4]]


def test_what_was_begun_is_dropped_where_the_work_between_fails():
    with pytest.raises(KeyError), begun(side_by_side, time.sleep, [60.0] * 3):
        raise KeyError
    began = time.monotonic()
    assert side_by_side(math.factorial, [3, 4]) == [6, 24]  # and nobody waits for it
    assert time.monotonic() - began < 50


def test_helpers_that_die_leave_their_work_here():
    assert side_by_side(squared_but_only_at, [(HOME, n) for n in range(12)]) == [n**2 for n in range(12)]
    assert side_by_side(math.factorial, [3, 4, 5]) == [6, 24, 120]  # and new ones take their place


def test_without_a_spare_core_or_inside_a_daemon_all_is_done_here(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: {0}, raising=False)
    assert module.helpers() is None
    assert side_by_side(squared_but_only_at, [(HOME, 2), (HOME, 3)]) == [4, 9]
    monkeypatch.undo()
    monkeypatch.setitem(multiprocessing.current_process()._config, "daemon", True)
    assert module.helpers() is None


def grown(megabytes: int) -> int:
    """Makes its process keep so much more, whatever it was told to bear."""
    process_executor._MAX_MEMORY_LEAK_SIZE = 1_000_000
    process_executor._MEMORY_LEAK_CHECK_DELAY = 0.0
    kept.append(bytearray(megabytes * 1_000_000))
    return megabytes


kept: list[bytearray] = []


def test_helpers_that_are_replaced_are_not_spoken_of(recwarn, monkeypatch):
    monkeypatch.setattr(process_executor, "_MAX_MEMORY_LEAK_SIZE", process_executor._MAX_MEMORY_LEAK_SIZE)
    monkeypatch.setattr(process_executor, "_MEMORY_LEAK_CHECK_DELAY", process_executor._MEMORY_LEAK_CHECK_DELAY)
    warnings.simplefilter("always")  # as others may, long after ours were set
    assert side_by_side(grown, [20] * 12) == [20] * 12
    assert side_by_side(math.factorial, [3, 4, 5]) == [6, 24, 120]
    kept.clear()
    assert [str(w.message) for w in recwarn if "worker" in str(w.message)] == []
    with pytest.warns(UserWarning, match="something else"):
        process_executor.warnings.warn("something else", UserWarning, stacklevel=2)


WAITS_LONG = """
import time
from pipeline.stages.side_by_side import helpers
print(helpers().submit(__import__("os").getpid).result(), flush=True)
time.sleep(600)
"""


def test_a_helper_ends_when_the_process_it_helps_is_killed():
    if module.spare_cores() < 1:
        pytest.skip("no helper is started where there is no spare core")
    with subprocess.Popen([sys.executable, "-c", WAITS_LONG], stdout=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None
        helper = int(run.stdout.readline())
        assert psutil.pid_exists(helper)
        run.send_signal(signal.SIGKILL)
    until = time.monotonic() + 30
    while still_runs(helper) and time.monotonic() < until:
        time.sleep(0.2)
    assert not still_runs(helper)


def still_runs(process: int) -> bool:
    """Whether the process still runs (one that ended and that nobody waited for does not)."""
    return psutil.pid_exists(process) and psutil.Process(process).status() != psutil.STATUS_ZOMBIE


@dataclass(frozen=True)
class Keyed:
    """A piece that takes some time, of a key."""

    key: int
    seconds: float = 0.1


def where_done(piece: Keyed) -> int:
    time.sleep(piece.seconds)
    return os.getpid()


def test_pieces_go_back_to_who_knows_them():
    pieces = [Keyed(k) for k in range(10)]
    side_by_side(where_done, [Keyed(k) for k in range(100, 104)])  # helpers are at hand from here on
    here = [where == HOME for where in side_by_side(where_done, pieces)]
    assert 0 < sum(here) < len(pieces)
    for order in (pieces[::-1], pieces, pieces[::-1]):
        found = dict(zip((piece.key for piece in order), side_by_side(where_done, order), strict=True))
        again = [found[piece.key] == HOME for piece in pieces]
        assert sum(a != b for a, b in zip(again, here, strict=True)) <= 2  # but where one lags behind
        here = again


def test_of_pieces_that_others_know_one_is_taken_over_where_many_are_left(monkeypatch):
    pieces = [Keyed(k, 0.2) for k in range(8)]
    side_by_side(where_done, [Keyed(100), Keyed(101)])
    monkeypatch.setattr(module, "done_here", {piece.key: True for piece in pieces})
    assert 2 <= side_by_side(where_done, pieces).count(HOME) < len(pieces)
    monkeypatch.setattr(module, "done_here", {piece.key: True for piece in pieces[:2]})
    assert side_by_side(where_done, pieces[:2]) == [HOME] * 2


def test_whoever_ends_the_helpers_leaves_nothing_to_clear_up():
    """A program that ended while a thread still let go of semaphores was told of leaked ones, in loky's words."""
    if module.spare_cores() < 1:
        pytest.skip("no core for helpers")
    side_by_side(math.factorial, range(4))
    module.end_helpers()
    assert not [thread.name for thread in threading.enumerate() if "ExecutorManager" in thread.name]
    module.end_helpers()  # none is started in order to be ended
    assert not [child for child in psutil.Process().children() if "popen_loky" in " ".join(child.cmdline())]


def test_the_next_one_is_made_while_one_is_worked_on():
    second = threading.Event()

    def numbers():
        yield 1
        second.set()
        yield 2

    with ahead(numbers()) as made:
        assert next(made) == 1
        assert second.wait(10)
        assert list(made) == [2]


def test_an_error_in_what_is_made_ahead_is_raised_where_it_is_awaited():
    def numbers():
        yield 1
        raise KeyError("of the second")

    with ahead(numbers()) as made:
        assert next(made) == 1
        with pytest.raises(KeyError, match="of the second"):
            next(made)


FIRST_HELPER = """
import signal
from pipeline.stages.side_by_side import end_helpers, helpers
held = helpers().submit(signal.pthread_sigmask, signal.SIG_BLOCK, ()).result()
print(signal.SIGINT in held, signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ()))
end_helpers()
"""


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="no masks of signals here")
def test_the_first_helper_takes_no_interrupts_from_its_first_moment_on():
    """Ctrl-C goes to all processes of a terminal: one that was still importing told of it in lines of code."""
    if module.spare_cores() < 1:
        pytest.skip("one processor only")
    told = subprocess.run([sys.executable, "-c", FIRST_HELPER], capture_output=True, text=True, check=True)
    assert told.stdout.split() == ["True", "False"]


def test_results_are_taken_behind_in_their_order_and_errors_are_raised():
    """The next is worked out while one is taken: the second can only be taken once the third is there."""
    taken, third = [], Event()

    def take(number: int) -> None:
        if number == 2:
            assert third.wait(10)
        taken.append(number)

    with behind() as beside:
        for number in (1, 2):
            beside(partial(take, number))
        third.set()
        beside(partial(take, 3))
    assert taken == [1, 2, 3]
    with pytest.raises(ZeroDivisionError), behind() as beside:
        beside(lambda: 1 // 0)
    with suppress(ZeroDivisionError), behind() as beside:
        beside(lambda: 1 // 0)
        beside(partial(take, 4))
    assert taken == [1, 2, 3]
