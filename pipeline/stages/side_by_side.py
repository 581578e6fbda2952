"""Independent pieces of work on a small fleet, shared between this process and helpers beside it.

numpy on a few thousand rows holds the interpreter lock nearly all the time, so threads would not help. Large fleets are
worked through one after the other: there the pieces are too big to hand over, and memory counts.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Sequence
from concurrent.futures.process import BrokenProcessPool
from typing import Any, Protocol, TypeVar

from loky import get_reusable_executor  # needs no guarded main module, unlike multiprocessing's spawn
from threadpoolctl import threadpool_limits

T = TypeVar("T")
R = TypeVar("R")
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}  # small matrices only
MOST_ROWS = 300_000  # handed over in all, some 20 MB


class Mapper(Protocol):
    """Whoever gets pieces of work done: function of every piece, in their order.

    function is importable by name and pure, so that a piece may be done again elsewhere; pieces can be pickled.
    """

    def __call__(self, function: Callable[[T], R], pieces: Sequence[T]) -> list[R]: ...


def helpers() -> Any | None:
    """The executor whose processes help this one, starting if need be; None where there is no spare core or none may
    be started."""
    spare = len(os.sched_getaffinity(0)) - 1 if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1) - 1
    if spare < 1 or multiprocessing.current_process().daemon:
        return None
    try:
        return get_reusable_executor(min(spare, 3), timeout=60, initializer=signal.signal,
                                     initargs=(signal.SIGINT, signal.SIG_IGN), env=ONE_THREAD)  # fmt: skip
    except OSError:
        return None


def side_by_side(function: Callable[[T], R], pieces: Sequence[T]) -> list[R]:
    """function of every piece, in their order; function must be importable by name from a module.

    Helpers take pieces from the front, this process from the back. An error of `function` is raised as it is; helpers
    that die leave their pieces to this process.
    """
    with threadpool_limits(1):
        return _shared(function, pieces)


def _shared(function: Callable[[T], R], pieces: Sequence[T]) -> list[R]:
    executor = helpers() if len(pieces) > 1 else None
    if executor is None:
        return [function(piece) for piece in pieces]
    futures: list[Any] = []
    try:
        try:
            for piece in pieces:
                futures.append(executor.submit(function, piece))
        except BrokenProcessPool:
            pass  # what was not handed over is done here
        own = {k: function(pieces[k]) for k in reversed(range(len(pieces))) if k >= len(futures) or futures[k].cancel()}
        out = []
        for k, piece in enumerate(pieces):
            try:
                out.append(own[k] if k in own else futures[k].result())
            except BrokenProcessPool:
                out.append(function(piece))
        return out
    except BaseException:
        executor.shutdown(wait=False, kill_workers=True)
        raise
