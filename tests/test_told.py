"""Columns as text: the same as Python's format and theme's words, value by value (these are the judges)."""

from __future__ import annotations

import json

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from jinja2.utils import htmlsafe_json_dumps

from reports import theme
from reports.told import MOST, formatted, joined, json_rows, last_values, listed, quantities, telling, tenths, told

NUMBERS = st.one_of(st.floats(-1e6, 1e6), st.integers(-10_000, 10_000).map(lambda k: k / 100))
UNITS = st.sampled_from([*theme.DECIMALS, "of its own"])


@given(st.lists(st.one_of(st.floats(0, MOST), st.integers(0, 100 * MOST).map(lambda k: k / 100))))
def test_tenths_are_those_of_python(values: list[float]) -> None:
    assert tenths(np.array(values, float)).to_list() == [f"{x:.1f}" for x in values]


@given(st.lists(st.tuples(st.none() | NUMBERS, UNITS)))
def test_quantities_are_those_of_theme(pairs: list[tuple[float | None, str]]) -> None:
    values, units = ([pair[k] for pair in pairs] for k in (0, 1))
    shown = quantities(pl.Series(values, dtype=pl.Float64), pl.Series(units, dtype=pl.String))
    assert shown.to_list() == [theme.quantity(x, unit) for x, unit in pairs]


def test_a_value_outside_its_range_is_seen_to_be_so() -> None:
    rows = [  # value, low, high, unit, as shown
        (120.4, None, 120.0, "ppm", "120.4"),
        (119.98, 120.0, None, "ppm", "119.98"),
        (130.2, None, 120.0, "ppm", "130"),
        (119.6, None, 120.0, "ppm", "120"),  # in range
        (2.96, 3.0, 7.0, "%", "2.96"),
        (None, 3.0, 7.0, "%", theme.DASH),
        (5.04, None, None, "%", "5.0"),
    ]
    value, low, high = (pl.Series([row[k] for row in rows], dtype=pl.Float64) for k in range(3))
    unit = pl.Series([row[3] for row in rows])
    shown = quantities(value, unit, telling(value, low, high, unit))
    assert [text.split(theme.NBSP)[0] for text in shown] == [row[4] for row in rows]


@given(st.lists(st.tuples(st.none() | NUMBERS, st.none() | NUMBERS, UNITS)))
def test_told_asks_for_every_row_whatever_is_missing(rows: list[tuple[float | None, float | None, str]]) -> None:
    kinds = (pl.Float64, pl.Float64, pl.String)
    columns = [pl.Series([row[k] for row in rows], dtype=kind) for k, kind in enumerate(kinds)]
    assert told(theme.limits_text, *columns).to_list() == [theme.limits_text(*row) for row in rows]


@given(st.lists(st.tuples(st.integers(0, 4), st.text(max_size=3))))
def test_texts_are_put_together_by_row(pairs: list[tuple[int, str]]) -> None:
    at, texts = np.array([k for k, _ in pairs], np.int64), pl.Series([t for _, t in pairs], dtype=pl.String)
    own = [[text for k, text in pairs if k == row] for row in range(6)]
    assert listed(texts, at, 6) == own
    assert joined(texts, at, 6, "L").to_list() == ["L".join(some) for some in own]


def test_a_pattern_is_filled_row_by_row() -> None:
    assert formatted("{}<{}>", pl.Series(["a", "b"]), pl.Series([1, 2])).to_list() == ["a<1>", "b<2>"]
    assert formatted("{}", pl.Series([], dtype=pl.String)).to_list() == []


# jinja2's own filter is the judge of what may stand in a script element.
@given(st.lists(st.tuples(st.text(), st.integers(0, 9), st.sampled_from(["a", "<b>", "5\u00a0Jan", "\x7f'&\\"]))))
def test_rows_as_json_are_those_of_jinja(rows: list[tuple[str, int, str]]) -> None:
    frame = pl.DataFrame(rows, schema={"a": pl.String, "b": pl.Int64, "c": pl.String}, orient="row")
    judged = htmlsafe_json_dumps([list(row) for row in rows], separators=(",", ":"))
    assert json_rows(frame, unsafe="<>&'") == judged
    assert json.loads(json_rows(frame)) == [list(row) for row in rows]
    assert "<" not in json_rows(frame)


@pytest.mark.parametrize(
    ("value", "low", "high", "unit", "shown", "allowed"),
    [
        (0.74, 0.75, None, "µA", "0.7 µA", "at least 0.75 µA"),  # the maker's own figure, as it was entered
        (0.75, 0.75, None, "µA", "0.8 µA", "at least 0.75 µA"),
        (0.85, 0.85, None, "µA", "0.85 µA", "at least 0.85 µA"),  # 0.8 with one digit: out, by what is read
        (4.2, 4.25, 6.5, "%", "4.2 %", "4.25 to 6.5 %"),
        (4.25, 4.25, 6.5, "%", "4.25 %", "4.25 to 6.5 %"),
        (120.4, None, 120.0, "ppm", "120.4 ppm", "at most 120 ppm"),
        (120.5, None, 120.5, "ppm", "120 ppm", "at most 120.5 ppm"),
        (120.6, None, 120.5, "ppm", "121 ppm", "at most 120.5 ppm"),
        (6.54, 6.55, 9.0, "pH", "pH 6.5", "pH 6.55 to 9.0"),
        (54.0, None, 30.0 * 1.8, "°F", "54.0 °F", "at most 54.0 °F"),
        (39.9, None, 22.2 * 1.8, "°F", "39.9 °F", "at most 40.0 °F"),  # entered in K, as the next in kPa: rounded
        (21.9, 83 / 6.894757, 150 / 6.894757, "psi", "21.9 psi", "12.0 to 21.8 psi"),
        (12.1, 11.999, 24.9987, "psi", "12.1 psi", "12.0 to 25.0 psi"),
        (None, None, None, "K", "–", "no limit known"),
    ],
)
def test_the_end_of_a_range_is_told_as_entered_and_a_value_so_that_it_is_read_on_its_side(
    value: float | None, low: float | None, high: float | None, unit: str, shown: str, allowed: str
) -> None:
    row = {"last_value": value, "limit_low": low, "limit_high": high}
    frame = pl.DataFrame([row | {"unit": unit}], schema=dict.fromkeys(row, pl.Float64) | {"unit": pl.String})
    assert last_values(frame)[0].replace("\u00a0", " ") == shown
    assert theme.limits_text(low, high, unit).replace("\u00a0", " ") == allowed
    if high is not None:
        assert theme.limits_short(low, high, unit).endswith(theme.limit_text(high, unit).removeprefix("pH\u00a0"))
