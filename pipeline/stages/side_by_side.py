"""Independent pieces of work, shared between this process and helpers beside it.

numpy on a few thousand rows holds the interpreter lock nearly all the time, so threads would not help. Pieces are small
to hand over: a small fleet's readings, or where a shard of a large one is found.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from functools import partial
from importlib import import_module
from typing import Any, Protocol, TypeVar

from loky import get_reusable_executor, process_executor  # needs no guarded main module, unlike multiprocessing's spawn
from threadpoolctl import threadpool_limits

from pipeline.interpreter import collect_seldom

T = TypeVar("T")
R = TypeVar("R")
log = logging.getLogger("foulcast")
# Small matrices and frames only: a processor for each process, and none that waits for its own threads.
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "POLARS_MAX_THREADS"), "1")
MOST_REMEMBERED = 4_000_000_000  # bytes a helper may grow by; loky would replace it, and what it knows, at a tenth


def ready() -> None:
    """What a helper does first: leaves interrupts to this process, and keeps what it remembers, which is no leak."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    process_executor._MAX_MEMORY_LEAK_SIZE = MOST_REMEMBERED
    collect_seldom()


class Quiet:
    """Python's warnings for loky, without its word that a helper ended or was replaced: its pieces are done all the
    same. A filter would not do: whoever sets filters after us would undo it."""

    def __getattr__(self, name: str) -> Any:
        return getattr(warnings, name)

    def warn(self, message: Any, *rest: Any, **more: Any) -> None:
        if str(message).startswith("A worker "):
            log.debug("%s", message)
        else:
            more["stacklevel"] = more.get("stacklevel", 1) + 1
            warnings.warn(message, *rest, **more)


setattr(process_executor, "warnings", Quiet())  # noqa: B010 (to a type checker a module's import is no attribute)


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
        return get_reusable_executor(min(spare, 3), timeout=60, initializer=ready, env=ONE_THREAD)
    except OSError:
        return None


def import_ahead(names: Sequence[str]) -> None:
    """Import modules: given to a helper that has nothing else to do yet, so that its first piece need not wait."""
    for name in names:
        import_module(name)


def side_by_side(function: Callable[[T], R], pieces: Sequence[T]) -> list[R]:
    """function of every piece, in their order; function must be importable by name from a module.

    Helpers take pieces from the front, this process from the back. An error of `function` is raised as it is; helpers
    that die leave their pieces to this process.
    """
    with begun(side_by_side, function, pieces) as results:
        return results()


@contextmanager
def begun(mapper: Mapper, function: Callable[[T], R], pieces: Sequence[T]) -> Iterator[Callable[[], list[R]]]:
    """`mapper(function, pieces)` in two steps, for whoever has other work between them.

    Yields what gives the results, to be called once. Helpers of this machine begin at once; any other mapper does all
    of it when it is called.
    """
    if mapper is not side_by_side:
        yield partial(mapper, function, pieces)
        return
    executor = helpers() if len(pieces) > 1 else None
    futures: list[Any] = []
    try:
        if executor is not None:
            with suppress(BrokenProcessPool):  # what is not handed over is done here
                for piece in pieces:
                    futures.append(executor.submit(function, piece))
        yield partial(_results, function, pieces, futures)
    except BaseException:
        if executor is not None:
            executor.shutdown(wait=False, kill_workers=True)
        raise


def _results(function: Callable[[T], R], pieces: Sequence[T], futures: Sequence[Any]) -> list[R]:
    """What helpers have not come to is done here, from the back."""
    with threadpool_limits(1):
        own = {k: function(pieces[k]) for k in reversed(range(len(pieces))) if k >= len(futures) or futures[k].cancel()}
        out = []
        for k, piece in enumerate(pieces):
            try:
                out.append(own[k] if k in own else futures[k].result())
            except BrokenProcessPool:
                out.append(function(piece))
        return out
