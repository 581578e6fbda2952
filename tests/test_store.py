"""The store, and text that is safe to open in a spreadsheet."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import FleetError
from pipeline.safe_text import safe_cell
from pipeline.store import Store, literal, quoted


@pytest.mark.parametrize("memory_gb", [2, None])
def test_a_store_that_was_held_to_less_memory_has_all_of_it_again(memory_gb: float | None) -> None:
    with Store.open(None, memory_gb=memory_gb) as store:
        told = "select current_setting('memory_limit')"
        before = store.scalar(told)
        for _ in range(3):
            with store.held_to(0.6):
                assert store.scalar(told) == "572.2 MiB"
                with store.held_to(memory_gb):
                    assert store.scalar(told) == before
                assert store.scalar(told) == "572.2 MiB"
        assert store.scalar(told) == before


def test_frames_go_in_and_come_out(tmp_path: Path) -> None:
    frame = pl.DataFrame({"a": [1, 2], "b": ["x", None], "c": [[1.0], None]})
    with Store.open(tmp_path / "s.duckdb") as store:
        assert store.write("t", frame) == 2
        assert store.append("t", frame.select("b", "a")) == 2
        assert store.rows("select count(*), count(c) from t") == [(4, 1)]
        store.set_fact("as_of", "2026-01-01")
        store.set_fact("as_of", "2026-01-02")
    with Store.open(tmp_path / "s.duckdb", read_only=True) as store:
        assert store.frame("select * from t where c is not null").equals(frame[:1])
        assert (store.fact("as_of"), store.fact("other")) == ("2026-01-02", None)
        assert (store.has("t"), store.has("u")) == (True, False)


def test_a_file_that_is_no_store_is_named(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    path.write_bytes(b"no store" * 1000)
    with pytest.raises(FleetError, match=r"s\.duckdb"):
        Store.open(path)


def test_nothing_is_fetched() -> None:
    with Store.open(None) as store, pytest.raises(Exception, match=r"(?i)spatial|extension|catalog"):
        store.rows("select st_point(1, 2)")


@settings(deadline=None, max_examples=50)
@given(st.text())
def test_any_text_is_a_literal_and_a_name(text: str) -> None:
    with Store.open(None) as store:
        bare = text.replace("\0", "")
        assert store.scalar(f"select {literal(bare)}") == bare
        assert store.frame(f"select 1 as {quoted('x' + bare)}").columns == ["x" + bare]


# The list of the OWASP page on CSV injection; the full-width forms from OWASP ASVS 5, 1.2.10.
@pytest.mark.parametrize(
    "start", ["=", "+", "-", "@", "\t", "\r", "\n", "\0", "＝", "＋", "－", "＠", " =", "\u00a0=", "\ufeff="]
)
def test_what_would_be_a_formula_gets_an_apostrophe(start: str) -> None:
    assert safe_cell(start + "1+1") == "'" + start + "1+1"


def test_beside_shares_tables_and_one_thread_is_given_back(tmp_path: Path) -> None:
    threads = "select current_setting('threads')::integer"
    with Store.open(tmp_path / "s.duckdb") as store:
        store.run("set threads = 3; create table t as select 1 as a; create temp macro one() as 1")
        with store.one_thread(), store.beside() as other:
            assert (other.scalar(threads), other.scalar("select a from t")) == (1, 1)
            other.run("insert into t values (2)")
        assert (store.scalar(threads), store.scalar("select sum(a)::integer from t"), store.scalar("select one()")) == (
            3,
            3,
            1,
        )
        with pytest.raises(ZeroDivisionError), store.one_thread():
            raise ZeroDivisionError
        assert store.scalar(threads) == 3


def test_joins_are_ordered_again_after_those_that_were_made_as_written() -> None:
    off = "select current_setting('disabled_optimizers')"
    with Store.open(None) as store:
        before = store.scalar(off)
        with store.joins_as_written():
            assert "join_order" in store.scalar(off)
        with pytest.raises(duckdb.Error), store.joins_as_written():
            store.run("from nowhere")
        assert store.scalar(off) == before
