"""Work on one store in several threads; the one place that says how.

Each piece of work has a connection of its own, and its statements run in the thread that does it. One statement in
several threads would cut the rows that it adds into portions of its own, which DuckDB puts together and writes anew
when it closes the store. Rows of a large table come in by several statements instead, each of which fills block after
block; they lie in the table as if one piece had been done after the other, however many threads there are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from threading import Lock
from typing import Any

from pipeline.store import Store

BLOCK_ROWS = 122_880
"""Rows of a block in which DuckDB writes a table."""
FEW_ROWS = 4 * BLOCK_ROWS
"""So few rows are worked on in one piece: a block that is left half filled would count."""
LAST_ROW = 2**63 - 1
MOST_THREADS = 4
"""More would hold more in memory than a store is given: each reads a file in buffers of its own."""


@dataclass(frozen=True)
class Work:
    """A piece of work.

    does: given the store over a connection of its own.
    adds_to: a table to which it adds rows, in a transaction that it leaves open; "" where there is none.
    """

    does: Callable[[Store], Any]
    adds_to: str = ""


def in_threads(store: Store, works: Sequence[Work]) -> list[Any]:
    """What each piece of work returns. They begin in the order given, and what they add to one table is committed in
    that order. An error is raised once all have ended, and what lies behind the gap is not committed."""
    tables = {work.adds_to for work in works if work.adds_to}
    order = {table: _InOrder(n for n, work in enumerate(works) if work.adds_to == table) for table in tables}
    results: list[Any] = [None] * len(works)
    left, taking = iter(range(len(works))), Lock()

    def following() -> int | None:
        with taking:
            return next(left, None)

    def take(n: int | None) -> None:
        while n is not None:
            own = stack.enter_context(store.beside())
            results[n] = works[n].does(own)
            if works[n].adds_to:
                order[works[n].adds_to].commit(n, own)
            n = following()

    helpers = min(store.threads, MOST_THREADS, len(works)) - 1
    with store.one_thread(), ExitStack() as stack, ThreadPoolExecutor(max(helpers, 1)) as pool:
        first = following()  # done by this thread, which has memory left of arrays before
        others = [pool.submit(take, following()) for _ in range(helpers)]
        take(first)
        for one in others:
            one.result()
    return results


class _InOrder:
    """The transactions of those that add to one table."""

    def __init__(self, numbers: Iterator[int]) -> None:
        self._left = list(numbers)[::-1]
        self._ended: dict[int, Store] = {}
        self._lock = Lock()

    def commit(self, number: int, own: Store) -> None:
        """Commit what has ended with nothing before it left; who adds rows later waits for nobody."""
        with self._lock:
            self._ended[number] = own
            while self._left and self._left[-1] in self._ended:
                self._ended.pop(self._left.pop()).run("commit")


def adding(query: str, table: str) -> Work:
    """The work of adding the rows of a query to a table."""
    return Work(lambda own: own.run(f"begin transaction; insert into {table} {query}"), table)


def parts(store: Store, rows: int) -> list[tuple[int, int]]:
    """(first, beyond) of the parts in which so many rows are worked on side by side: one for each thread, but of
    FEW_ROWS at least, blocks whole. The last is open: its end is LAST_ROW."""
    number = max(1, min(store.threads, MOST_THREADS, rows // FEW_ROWS))
    first = [rows * n // number // BLOCK_ROWS * BLOCK_ROWS for n in range(number)]
    return list(zip(first, [*first[1:], LAST_ROW], strict=True))
