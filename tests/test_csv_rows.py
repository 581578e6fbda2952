"""CSV files: cells that Python's csv module reads back."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline.csv_rows import write_csv
from pipeline.safe_text import safe_cell
from pipeline.store import Store

ANY_FOLDER = settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def written(folder: Path, frame: pl.DataFrame, **given_: list[str]) -> list[list[str]]:
    """What is read of a frame that was written."""
    with Store.open(None) as store:
        store.write("cells", frame)
        assert write_csv(store, "cells", folder / "cells.csv", **given_) == frame.height
    with (folder / "cells.csv").open(newline="", encoding="utf-8") as file:
        header, *rows = csv.reader(file)
    assert header == frame.columns
    return rows


@ANY_FOLDER
@example(numbers=[-0.0, float("nan"), -float("nan"), float("-inf"), 5e-324])
@given(numbers=st.lists(st.none() | st.floats(), min_size=1))
def test_floats_read_back_to_the_last_digit(tmp_path: Path, numbers: list[float | None]) -> None:
    rows = written(tmp_path, pl.DataFrame({"a": pl.Series(numbers, dtype=pl.Float64), "b": 1}))
    found = [float(cell) if cell else None for cell, _ in rows]
    assert list(map(repr, found)) == list(map(repr, numbers))


@ANY_FOLDER
@given(days=st.lists(st.none() | st.dates(), min_size=1))
def test_days_are_written_as_iso_8601(tmp_path: Path, days: list[date | None]) -> None:
    frame = pl.DataFrame({"a": pl.Series(days, dtype=pl.Date), "b": [*days[1:], None]})
    rows = written(tmp_path, frame)
    assert rows == [["" if day is None else day.isoformat() for day in row] for row in frame.rows()]


# Without a sign that begins a formula: what becomes of these is tested below.
@ANY_FOLDER
@pytest.mark.parametrize("words", [[], ["a"]])
@given(texts=st.lists(st.none() | st.text(st.sampled_from("aé1,;\"'# \\.\u2003\n"), max_size=5), min_size=1))
def test_texts_read_back_whatever_stands_in_them(tmp_path: Path, texts: list[str | None], words: list[str]) -> None:
    rows = written(tmp_path, pl.DataFrame({"a": pl.Series(texts, dtype=pl.String), "b": True}), words=words)
    assert rows == [[safe_cell(text or ""), "true"] for text in texts]


@pytest.mark.parametrize("words", [[], ["text"]])
def test_every_cell_is_safe_and_reads_back(tmp_path: Path, words: list[str]) -> None:
    signs = [*map(chr, range(0x250)), *"\u2003\ufeff＝＋－＠", "\U0001f525"]
    texts = [before + sign + after for before in ("", " ", "a") for sign in signs for after in ("", "1", '",\n')]
    rows = written(tmp_path, pl.DataFrame({"text": texts, "no": range(len(texts))}), words=words)
    assert rows == [[safe_cell(text), str(no)] for no, text in enumerate(texts)]


def test_rows_are_sorted_where_an_order_is_given(tmp_path: Path) -> None:
    frame = pl.DataFrame({"a": [2, 1, 1], "b": ["x", "z", "y"]})
    assert written(tmp_path, frame, order=["a", "b"], words=["b"]) == [["1", "y"], ["1", "z"], ["2", "x"]]
