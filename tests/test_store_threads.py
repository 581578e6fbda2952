"""Work on one store in several threads: results in order, rows as if one piece had been done after the other."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable, Iterator
from datetime import date
from itertools import pairwise
from pathlib import Path

import polars as pl
import pytest

from pipeline import store_threads
from pipeline.intake import load
from pipeline.settings import load_settings
from pipeline.stages.check import check
from pipeline.stages.cycles import cycles
from pipeline.stages.derive import derive
from pipeline.stages.read import read
from pipeline.store import Store
from pipeline.store_threads import LAST_ROW, Work, adding, in_threads, parts

SMALL_BLOCK, SMALL_PIECE = 50, 2_000


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


@pytest.mark.parametrize("rows", [0, 1, 491_520, 983_040, 1_900_000, 19_000_000])
@pytest.mark.parametrize("threads", [1, 2, 7])
def test_parts_hold_every_row_once_and_whole_blocks(store: Store, rows: int, threads: int) -> None:
    store.run(f"set threads = {threads}")
    cut = parts(store, rows)
    assert len(cut) == max(1, min(threads, rows // store_threads.FEW_ROWS, store_threads.MOST_THREADS))
    assert (cut[0][0], cut[-1][1]) == (0, LAST_ROW)
    assert all(beyond == first for (_, beyond), (first, _) in pairwise(cut))
    assert all(first % store_threads.BLOCK_ROWS == 0 for first, _ in cut)


def test_parts_of_the_readings_are_the_readings(small_store: Callable[..., Store]) -> None:
    store = small_store()
    landed = store.scalar("select count(*) from landed_readings")
    bounds = [0, 7, 7, landed // 3, landed - 1, LAST_ROW]
    pieces = [store.frame(f"from readings_between({a}, {b})") for a, b in pairwise(bounds)]
    assert store.scalar("select count(*) from taken_mended_readings") > 0
    together = pl.concat(pieces)
    assert together.drop("install_no").equals(store.frame("from current_readings"))
    of_visits = store.frame("select visit_no, install_no from current_visits")
    assert together.select("visit_no", "install_no").join(of_visits, on=["visit_no", "install_no"]).height == len(
        together
    )


@pytest.fixture
def small_store(small_fleet: Path, tmp_path: Path) -> Callable[..., Store]:
    """A store of small_fleet after the stages read to cycles, by how many threads it was made in."""

    fleet = tmp_path / "fleet"
    shutil.copytree(small_fleet, fleet)
    for path in sorted(fleet.glob("readings/*.csv")):
        header, *lines = path.read_text().splitlines()
        if "o2_pct" not in header.split(",") or len(lines) < 9:
            continue
        o2 = header.split(",").index("o2_pct")
        for line, written in ((3, "99"), (5, "four")):  # one is emptied by the checks, one keeps DuckDB from its record
            cells = lines[line].split(",")
            lines[line] = ",".join([*cells[:o2], written, *cells[o2 + 1 :]])
        path.write_text("\n".join([header, *lines, ""]))

    def made(threads: int = 2) -> Store:
        store = Store.open(tmp_path / f"{threads}.duckdb")
        store.run(f"set threads = {threads}")
        settings = load_settings(fleet)
        read(store, fleet, settings)
        check(store, settings, None, date(2100, 1, 1))
        derive(store, settings)
        cycles(store, settings)
        return store

    return made


def test_neither_pieces_nor_threads_change_what_is_written(
    small_store: Callable[..., Store], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = small_store(1)
    monkeypatch.setattr(store_threads, "BLOCK_ROWS", SMALL_BLOCK)
    monkeypatch.setattr(store_threads, "FEW_ROWS", SMALL_BLOCK)
    monkeypatch.setattr(load, "PIECE_BYTES", SMALL_PIECE)
    in_pieces = {threads: small_store(threads) for threads in (3, 4)}
    as_they_lie = ("derived_values", "observed_clock", "reading_places")
    for threads, store in in_pieces.items():
        assert len(parts(store, store.scalar("select count(*) from derived_values"))) == threads
        for table in as_they_lie:
            assert store.frame(f"from {table}").equals(in_pieces[3].frame(f"from {table}")), table
    # Records that are read one by one lie behind those of their piece: the rows are the same, in another order.
    for table in ("current_visits", "current_readings", "derived_values", "visit_marks", "install_clock", "findings",
                  "reading_findings", "rejected_rows", "observations", "analyser_lines", "limits"):  # fmt: skip
        query = f"from {table} order by all"
        assert whole.frame(query).equals(in_pieces[3].frame(query)), table
