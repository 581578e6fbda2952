"""CSV files: the same bytes as DuckDB's own writer (the judge here), and cells that Python's csv module reads back."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.csv_rows import write_csv
from pipeline.safe_text import safe_cell
from pipeline.store import Store, literal

ANY_FOLDER = settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def both(folder: Path, frame: pl.DataFrame, **given_: list[str]) -> tuple[bytes, bytes]:
    """What write_csv and what DuckDB writes of a frame."""
    ours, theirs = folder / "ours.csv", folder / "theirs.csv"
    with Store.open(None) as store:
        store.write("cells", frame)
        assert write_csv(store, "cells", ours, **given_) == frame.height
        store.run(f"copy cells to {literal(theirs)} (format csv, header, delimiter ',')")
    return ours.read_bytes(), theirs.read_bytes()


@ANY_FOLDER
@given(numbers=st.lists(st.none() | st.floats(), min_size=1))
def test_floats_are_written_as_duckdb_writes_them(tmp_path: Path, numbers: list[float | None]) -> None:
    ours, theirs = both(tmp_path, pl.DataFrame({"a": pl.Series(numbers, dtype=pl.Float64), "b": 1}))
    assert ours == theirs


def test_rounded_floats_of_every_size_are_written_as_duckdb_writes_them(tmp_path: Path) -> None:
    numbers = [
        sign * float(f"{digits}e{power}") for sign in (1, -1) for power in range(-12, 22) for digits in (1, 9.4, 123.45)
    ]
    ours, theirs = both(tmp_path, pl.DataFrame({"a": [*numbers, 0.0, -0.0, None]}))
    assert ours == theirs


@ANY_FOLDER
@given(days=st.lists(st.none() | st.dates(), min_size=1))
def test_days_are_written_as_duckdb_writes_them(tmp_path: Path, days: list[date | None]) -> None:
    ours, theirs = both(tmp_path, pl.DataFrame({"a": pl.Series(days, dtype=pl.Date), "b": [*days[1:], None]}))
    assert ours == theirs


# Without a sign that begins a formula: what becomes of these is tested below.
@ANY_FOLDER
@pytest.mark.parametrize("words", [[], ["a"]])
@given(texts=st.lists(st.none() | st.text(st.sampled_from("aé1,;\"'# \\.\u2003"), max_size=5), min_size=1))
def test_texts_are_quoted_as_duckdb_quotes_them(tmp_path: Path, texts: list[str | None], words: list[str]) -> None:
    ours, theirs = both(tmp_path, pl.DataFrame({"a": pl.Series(texts, dtype=pl.String), "b": True}), words=words)
    assert ours == theirs


@pytest.mark.parametrize("words", [[], ["text"]])
def test_every_cell_is_safe_and_reads_back(tmp_path: Path, words: list[str]) -> None:
    signs = [*map(chr, range(0x250)), *"\u2003\ufeff＝＋－＠", "\U0001f525"]
    texts = [before + sign + after for before in ("", " ", "a") for sign in signs for after in ("", "1", '",\n')]
    with Store.open(None) as store:
        store.write("cells", pl.DataFrame({"text": texts, "no": range(len(texts))}))
        write_csv(store, "cells", tmp_path / "cells.csv", words=words)
    with (tmp_path / "cells.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    assert rows == [["text", "no"], *([safe_cell(text), str(no)] for no, text in enumerate(texts))]


def test_rows_are_sorted_where_an_order_is_given(tmp_path: Path) -> None:
    ours, _ = both(tmp_path, pl.DataFrame({"a": [2, 1, 1], "b": ["x", "z", "y"]}), order=["a", "b"], words=["b"])
    assert ours == b"a,b\n1,y\n1,z\n2,x\n"
