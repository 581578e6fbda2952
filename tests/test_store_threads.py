"""Work on one store in several threads: results in order, rows as if one piece had been done after the other."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from pipeline import store_threads
from pipeline.store import Store
from pipeline.store_threads import LAST_ROW, Work, adding, in_threads, parts


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "s.duckdb") as store:
        store.run("set threads = 3; create table t (a integer)")
        yield store


def numbers(first: int, beyond: int) -> str:
    return f"select range::integer as a from range({first}, {beyond})"


def test_results_come_in_the_order_of_the_works(store: Store) -> None:
    works = [Work(lambda own, n=n: own.scalar(f"select {n}")) for n in range(20)]
    assert in_threads(store, works) == list(range(20))
    assert in_threads(store, []) == []


def test_rows_lie_in_the_order_of_the_works_whoever_ends_first(store: Store) -> None:
    store.run("set threads = 2; create table t2 (a integer)")
    second_ended = threading.Event()

    def last(own: Store) -> None:
        assert second_ended.wait(60)
        own.run(f"begin transaction; insert into t {numbers(0, 300_000)}")

    def first(own: Store) -> None:
        own.run(f"begin transaction; insert into t {numbers(300_000, 500_000)}")
        second_ended.set()

    more = [adding(numbers(500_000, 500_007), "t"), adding(numbers(0, 3), "t2")]
    in_threads(store, [Work(last, "t"), Work(first, "t"), *more])
    assert store.scalar("select count(*) from t where a <> rowid") == 0
    assert (store.scalar("select count(*) from t"), store.scalar("select count(*) from t2")) == (500_007, 3)


def test_an_error_is_raised_and_nothing_lies_behind_the_gap(store: Store) -> None:
    def fails(own: Store) -> None:
        own.run(f"begin transaction; insert into t {numbers(10, 20)}")
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        in_threads(store, [adding(numbers(0, 10), "t"), Work(fails, "t"), adding(numbers(20, 30), "t")])
    assert store.rows("from t") == [(n,) for n in range(10)]
    assert store.threads == 3


@pytest.mark.parametrize("rows", [0, 1, 491_520, 491_521, 1_900_000, 19_000_000])
@pytest.mark.parametrize("threads", [1, 2, 7])
def test_parts_hold_every_row_once_and_whole_blocks(store: Store, rows: int, threads: int) -> None:
    store.run(f"set threads = {threads}")
    cut = parts(store, rows)
    assert len(cut) == (threads if rows > store_threads.FEW_ROWS else 1)
    assert (cut[0][0], cut[-1][1]) == (0, LAST_ROW)
    assert all(beyond == first for (_, beyond), (first, _) in pairwise(cut))
    assert all(first % store_threads.BLOCK_ROWS == 0 for first, _ in cut)
