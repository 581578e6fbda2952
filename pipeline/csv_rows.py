"""Rows of a query as a CSV file (RFC 4180), its texts safe for spreadsheets.

Polars writes them, faster than DuckDB. Days and texts that come again are looked up, not written anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import polars as pl

from pipeline.safe_text import safe_cell
from pipeline.store import Store, literal, quoted

ROWS_AT_ONCE = 122_880
ODD = r"^[^A-Za-z0-9]"  # no other text can begin a formula
MOST_DAYS = 100_000  # from the first to the last, up to which their texts are looked up


def write_csv(store: Store, source: str, path: Path, order: Sequence[str] = (), words: Sequence[str] = ()) -> int:
    """Write the rows of a table or view with its header; returns their number.

    source: its columns are texts, days, truth values and numbers. Texts are made safe for spreadsheets.
    order: the columns that order its rows; none where they lie in order.
    words: columns of few different texts. One that has many only costs more.
    """
    names = [name for (name,) in store.rows(f"select column_name from (describe {quoted(source)})")]
    found = {name: texts_of(store, source, name) for name in words}
    texts = {name: pl.Series(name, map(safe_cell, some), dtype=pl.String) for name, some in found.items()}
    columns = ", ".join(coded(name, found[name]) if name in found else quoted(name) for name in names)
    sort = f"order by {', '.join(map(quoted, order))}" if order else ""
    written = 0
    with path.open("wb") as file:
        pl.DataFrame(schema=dict.fromkeys(names, pl.String)).write_csv(file)
        for batch in store.db.sql(f"select {columns} from {quoted(source)} {sort}").to_arrow_reader(ROWS_AT_ONCE):
            rows = pl.DataFrame(batch)
            cells = [texts[c.name].gather(c) if c.name in texts else _cells(c) for c in rows]
            pl.DataFrame(cells).write_csv(file, include_header=False)
            written += rows.height
    return written


def texts_of(store: Store, source: str, name: str) -> list[str]:
    """The different texts of a column, in order."""
    column = quoted(name)
    found = store.rows(f"select distinct {column} from {quoted(source)} where {column} is not null order by all")
    return [text for (text,) in found]


def coded(name: str, texts: Sequence[str]) -> str:
    """SQL of a column as the places of its texts among `texts`: numbers travel faster than texts."""
    listed = ", ".join(literal(text) for text in texts)
    return f"list_position([{listed}]::varchar[], {quoted(name)}) - 1 as {quoted(name)}"


def _cells(column: pl.Series) -> pl.Series:
    """A column as it is to be written."""
    if column.dtype == pl.String:
        return _texts(column)
    return _days(column) if column.dtype == pl.Date else column


def _texts(column: pl.Series) -> pl.Series:
    odd = column.str.contains(ODD).arg_true()
    return column.scatter(odd, [safe_cell(text) for text in column.gather(odd)]) if len(odd) else column


def _days(column: pl.Series) -> pl.Series:
    if column.null_count() == len(column):
        return column
    number = column.to_physical()
    first, last = int(str(number.min())), int(str(number.max()))
    if last - first > MOST_DAYS:
        return column
    texts = pl.int_range(first, last + 1, dtype=pl.Int32, eager=True).cast(pl.Date).dt.to_string()
    return texts.gather(number - first).alias(column.name)
