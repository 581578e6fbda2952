"""Values as text, a column at a time: what is written alike is written once."""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np
import polars as pl

from reports import theme

MOST = 400  # coordinates lie below it
TENTHS = pl.Series([f"{k / 10:.1f}" for k in range(10 * MOST + 1)])
TIE = 1e-6  # how near to the middle between two roundings Python is asked


def told(text: Callable[..., str], *columns: pl.Series) -> pl.Series:
    """text(*values) of each row; called once for every combination of values that occurs."""
    names = [f"given_{k}" for k in range(len(columns))]
    rows = pl.DataFrame([column.alias(name) for name, column in zip(names, columns, strict=True)])
    once = rows.unique()
    texts = pl.Series("text", [text(*row) for row in once.iter_rows()], dtype=pl.String)
    return rows.join(once.with_columns(texts), on=names, how="left", nulls_equal=True, maintain_order="left")["text"]


def quantities(values: pl.Series, units: pl.Series, digits: pl.Series | None = None) -> pl.Series:
    """theme.quantity of each value and unit. digits: behind the point; None for those of the unit."""
    if digits is None:
        digits = decimals(units)
    return told(theme.quantity, _near(values, digits), units, digits)


def telling(values: pl.Series, low: pl.Series, high: pl.Series, units: pl.Series) -> pl.Series:
    """Digits behind the point with which a value is seen to lie within its range or outside, as it does: those of its
    unit, or up to two more. 120.4 ppm would read 120, which "at most 120 ppm" allows; 0.75 µA would read 0.8."""
    digits = decimals(units)
    of_limit = lambda limit: told(lambda *end: str(theme.limit_digits(*end)), limit, units).cast(pl.Int64)
    low_shown, high_shown = (_as_read(end, of_limit(end)) for end in (low, high))
    for _ in range(theme.MORE_DIGITS):
        shown = _as_read(values, digits)
        misread = ((values > high) != (shown > high_shown)).fill_null(False)
        misread |= ((values < low) != (shown < low_shown)).fill_null(False)
        digits = digits + misread.cast(pl.Int64)
    return digits


def _as_read(values: pl.Series, digits: pl.Series) -> pl.Series:
    """The numbers that are read where values are written with so many digits."""
    written = lambda value, places: "nan" if value is None else f"{value:.{places}f}"
    return told(written, _near(values, digits), digits).cast(pl.Float64).fill_nan(None)


def last_values(series: pl.DataFrame) -> pl.Series:
    """The last value of each row as text, so that one outside its range is seen to be so.

    series: last_value, limit_low, limit_high, unit.
    """
    value, unit = series["last_value"], series["unit"]
    return quantities(value, unit, telling(value, series["limit_low"], series["limit_high"], unit))


def decimals(units: pl.Series) -> pl.Series:
    """Digits behind the point that go with each unit."""
    return units.replace_strict(theme.DECIMALS, default=1, return_dtype=pl.Int64)


def _near(values: pl.Series, digits: pl.Series) -> pl.Series:
    """Values rounded to so many digits, which are written alike and are far fewer; those near a tie as they are."""
    scale = pl.Series(10.0 ** digits.to_numpy())
    scaled = values * scale
    rounded = scaled.round()
    tie = ((scaled - rounded).abs() - 0.5).abs() < TIE
    return values.to_frame("v").select(pl.when(tie).then("v").otherwise(rounded / scale)).to_series()


def tenths(values: np.ndarray) -> pl.Series:
    """Numbers from 0 to MOST as text with one decimal, as Python's format has them."""
    rounded = np.rint(values * 10)
    texts = TENTHS.gather(rounded.astype(np.uint32))
    ties = np.flatnonzero(np.abs(np.abs(values * 10 - rounded) - 0.5) < TIE)
    return texts.scatter(ties, [f"{x:.1f}" for x in values[ties].tolist()]) if len(ties) else texts


def listed(texts: pl.Series, at: np.ndarray, count: int) -> list[list[str]]:
    """The texts of each of `count` rows, in their order. at: (n,) the row of each text."""
    lists: list[list[str]] = [[] for _ in range(count)]
    for k, text in zip(at.tolist(), texts.to_list(), strict=True):
        lists[k].append(text)
    return lists


def joined(texts: pl.Series, at: np.ndarray, count: int, between: str = "") -> pl.Series:
    """The texts of each of `count` rows one after the other; empty where a row has none.

    at: (n,) the row of each text, in their order.
    """
    lists = pl.DataFrame({"at": at, "text": texts}).group_by("at", maintain_order=True).agg("text")
    rows = lists["text"].list.join(between, ignore_nulls=True)
    return pl.repeat("", count, dtype=pl.String, eager=True).scatter(lists["at"], rows)


def formatted(pattern: str, *columns: pl.Series) -> pl.Series:
    """The pattern with its {} filled from columns, row by row."""
    return pl.select(pl.format(pattern, *columns)).to_series()


def json_rows(frame: pl.DataFrame, unsafe: str = "<") -> str:
    """The rows as a JSON array of arrays, in ASCII. unsafe: signs of texts that are escaped besides."""
    cells = [_json_texts(column, unsafe) if column.dtype == pl.String else column for column in frame]
    rows = formatted(f"[{','.join('{}' for _ in cells)}]", *cells)
    return f"[{','.join(rows.to_list())}]"


def _json_texts(texts: pl.Series, unsafe: str) -> pl.Series:
    signs = "".join(f"\\x{ord(sign):02x}" for sign in f'"\\{unsafe}')
    odd = texts.str.contains(f"[^ -~]|[{signs}]").arg_true()
    plain = formatted('"{}"', texts)

    def escaped(text: str) -> str:
        quoted = json.dumps(text)
        for sign in unsafe:
            quoted = quoted.replace(sign, f"\\u{ord(sign):04x}")
        return quoted

    return plain.scatter(odd, told(escaped, texts.gather(odd))) if len(odd) else plain
