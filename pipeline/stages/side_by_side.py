"""What runs beside what: pieces of work shared with helpers, and work ahead in a thread.

Pieces (`side_by_side`, `begun`): numpy on a few thousand rows holds the interpreter lock nearly all the time, so
threads would not help, and helpers are processes. Pieces are small to hand over: a small fleet's readings, or where a
shard of a large one is found.

Ahead (`ahead`): statements and large arrays let go of the lock. The store reads a large fleet's next series while one
is written into shards; it reads the next series of some installs while one is forecast, and stores the rows of the
installs before meanwhile.

Behind (`behind`): what is told of a large fleet's fits is put into rows and stored while the next ones are fitted.
"""

from __future__ import annotations

import logging
import multiprocessing
import multiprocessing.resource_tracker
import os
import signal
import time
import warnings
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from importlib import import_module
from threading import Lock, Thread
from typing import Any, Generic, TypeVar

from loky import get_reusable_executor, process_executor  # needs no guarded main module, unlike multiprocessing's spawn
from threadpoolctl import threadpool_limits

from models.mapper import Mapper
from pipeline.interpreter import collect_seldom, hold_freed_memory

T = TypeVar("T")
R = TypeVar("R")
log = logging.getLogger("foulcast")
# Small matrices and frames only: a processor for each process, and none that waits for its own threads.
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "POLARS_MAX_THREADS"), "1")
LOOKS_UP_S = 2.0  # how often a helper looks whether the process it helps is still there
LEARNING_S = 0.25  # it takes to learn what another knows of a piece: a shard is loaded, its steps are repeated
ASSUMED_S = 0.1  # each piece takes, until one is through
MOST_REMEMBERED = 4_000_000_000  # bytes a helper may grow by; loky would replace it, and what it knows, at a tenth


def ready() -> None:
    """What a helper does first: leaves interrupts to this process, ends with it, and keeps what it remembers, which is
    no leak."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    process_executor._MAX_MEMORY_LEAK_SIZE = MOST_REMEMBERED
    collect_seldom()
    hold_freed_memory()
    Thread(target=end_with, args=(os.getppid(),), daemon=True).start()


def end_with(parent: int) -> None:
    """End this process once `parent` is gone: a killed one tells nobody, and its helper would wait for ever."""
    while os.getppid() == parent:
        time.sleep(LOOKS_UP_S)
    os._exit(1)


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


def spare_cores() -> int:
    """How many helpers may work beside this process."""
    if multiprocessing.current_process().daemon:
        return 0
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores - 1, 3)


def helpers() -> Any | None:
    """The executor whose processes help this one, starting if need be; None where there is no spare core or none may
    be started."""
    global started
    if spare_cores() < 1:
        return None
    try:
        multiprocessing.resource_tracker.ensure_running()  # it lets interrupts in again once it has started
        with interrupts_held():  # a helper that still imports would tell of Ctrl-C in lines of code
            executor = get_reusable_executor(spare_cores(), timeout=60, initializer=ready, env=ONE_THREAD)
            if executor is not started:
                executor.submit(os.getpid)
    except OSError:
        return None
    started = executor
    return started


@contextmanager
def interrupts_held() -> Iterator[None]:
    """Within it this thread takes no interrupts, and a process that it starts takes none for good."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


started: Any | None = None
"""The executor that `helpers` gave last."""


def end_helpers() -> None:
    """End the helpers, with all that they remember and hold; the next pieces start new ones."""
    global started
    if started is not None:
        started.shutdown(kill_workers=True)  # waited for, which takes milliseconds: else a program that ends now is
        started = None  # told of semaphores that its threads were about to let go of
    done_here.clear()


def import_ahead(names: Sequence[str]) -> None:
    """Import modules: given to a helper that has nothing else to do yet, so that its first piece need not wait."""
    for name in names:
        import_module(name)


def side_by_side(function: Callable[[T], R], pieces: Sequence[T]) -> list[R]:
    """function of every piece, in their order; function must be importable by name from a module.

    Helpers take pieces from the front, this process from the back. An error of `function` is raised as it is; helpers
    that die leave their pieces to this process.
    """
    if len(pieces) <= 1:
        return Shared(function, pieces).results()
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
    executor = helpers() if pieces else None
    shared = Shared(function, pieces)
    try:
        if executor is not None:
            shared.begin(executor, spare_cores())
        yield shared.results
    except BaseException:
        if executor is not None:
            shared.left.clear()
            end_helpers()
        raise


@contextmanager
def ahead(made: Iterator[T]) -> Iterator[Iterator[T]]:
    """What an iterator makes, each in a thread beside while the one before is worked on: for what lets go of the
    interpreter lock, as statements and large arrays do. Two are there at once."""

    def one_by_one(thread: ThreadPoolExecutor) -> Iterator[T]:
        coming = thread.submit(next, made, None)
        while (one := coming.result()) is not None:
            coming = thread.submit(next, made, None)
            yield one

    with ThreadPoolExecutor(1) as thread:
        yield one_by_one(thread)


@contextmanager
def behind() -> Iterator[Callable[[Callable[[], object]], None]]:
    """Gives what does a piece of work in a thread beside, one after the other: for what is left to do with results
    while the next ones are worked out. One waits for its turn at most; the last is waited for."""
    with ThreadPoolExecutor(1) as thread:
        at_work: list[Future[object]] = []

        def begin(work: Callable[[], object]) -> None:
            if at_work:
                at_work.pop().result()
            at_work.append(thread.submit(work))

        yield begin
        for last in at_work:
            last.result()


class Shared(Generic[T, R]):
    """Pieces of which each helper takes one at a time from the front, and this process from the back.

    An executor would hold several ready for a helper that is still at work, and this process would find none. A piece
    with a `key` goes back to who did the last one of that key and remembers what it is about; another takes it only
    where all that is left takes longer than to learn that.
    """

    def __init__(self, function: Callable[[T], R], pieces: Sequence[T]) -> None:
        self.function, self.pieces = function, pieces
        keys = [getattr(piece, "key", None) for piece in pieces]
        self.known_here = [done_here.get(key) for key in keys]
        rank = {False: 0, None: 1, True: 2}
        self.left = deque(sorted(range(len(pieces)), key=lambda k: rank[self.known_here[k]]))
        self.lock = Lock()
        self.began = time.monotonic()
        self.keys = keys
        self.done: dict[int, R] = {}
        self.failed: BaseException | None = None
        self.threads: list[Thread] = []

    def begin(self, executor: Any, helpers: int) -> None:
        self.threads = [Thread(target=self.hand_over, args=(executor,), daemon=True) for _ in range(helpers)]
        for thread in self.threads:
            thread.start()

    def hand_over(self, executor: Any) -> None:
        """Piece after piece to a helper, until none is left."""
        while (k := self.taken(here=False)) is not None:
            try:
                self.done[k] = executor.submit(self.function, self.pieces[k]).result()
            except BrokenProcessPool:  # done here
                self.left.append(k)
                return
            except BaseException as error:
                self.failed = error
                self.left.clear()

    def results(self) -> list[R]:
        with threadpool_limits(1):
            self.work()
            for thread in self.threads:
                thread.join()
            self.threads = []
            self.work()  # what a helper was at when it died
        if self.failed is not None:
            raise self.failed
        note_done(self.keys, self.known_here)
        return [self.done[k] for k in range(len(self.pieces))]

    def work(self) -> None:
        while (k := self.taken(here=True)) is not None:
            self.done[k] = self.function(self.pieces[k])

    def taken(self, here: bool) -> int | None:
        """The next number for this process or a helper, None where none is left."""
        with self.lock:
            if not self.left:
                return None
            k = self.left[-1 if here else 0]
            foreign = self.threads and self.known_here[k] is not None and self.known_here[k] is not here
            if foreign and self.time_left() < LEARNING_S:
                return None
            self.known_here[k] = here
            return self.left.pop() if here else self.left.popleft()

    def time_left(self) -> float:
        """Until all is done, by what was done so far. [s]"""
        each = (time.monotonic() - self.began) / len(self.done) if self.done else ASSUMED_S
        return len(self.left) * each


done_here: dict[Any, bool] = {}
"""By key of the pieces done last: whether this process did them, or a helper."""


def note_done(keys: Sequence[Any], known_here: Sequence[bool | None]) -> None:
    told = {key: known for key, known in zip(keys, known_here, strict=True) if key is not None and known is not None}
    if told:
        done_here.clear()
        done_here.update(told)
