"""Rows with the same key: the last one is taken, the others are `duplicate` (an exact repeat) or `replaced`."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.intake.lines import row_lines
from pipeline.schema import columns_of, keys_of
from pipeline.store import Store, quoted

SCHEMA = {
    "kind": pl.String, "row": pl.Int64, "rule": pl.String, "cell": pl.String, "written": pl.String, "told": pl.String,
}  # fmt: skip
LOW_BITS = np.uint64((1 << 20) - 1)


def repeats_by_key(store: Store, kind: str) -> pl.DataFrame:
    """(row, …) of all rows not set aside whose key occurs more than once, and of keys that hash as another does."""
    keys = ", ".join(quoted(k) for k in keys_of(kind))
    # To sort numbers takes a fraction of what a table of all keys does.
    found = store.db.sql(f"select row, hash({keys}) as hashed from seen_{kind}").fetchnumpy()
    row, hashed = np.asarray(found["row"]), np.asarray(found["hashed"])
    in_order = np.sort(hashed)
    again = np.unique(in_order[1:][in_order[1:] == in_order[:-1]])
    some = np.zeros(LOW_BITS + 1, bool)
    some[again & LOW_BITS] = True
    near = np.flatnonzero(some[hashed & LOW_BITS])
    lost = store.frame("select row from set_aside_rows where kind = ?", [kind])["row"].to_numpy()
    return rows_of(store, kind, np.setdiff1d(row[near[np.isin(hashed[near], again)]], lost))


def rows_of(store: Store, kind: str, row: np.ndarray) -> pl.DataFrame:
    """These rows of seen_KIND."""
    store.write("repeated_rows", pl.DataFrame({"row": row}))
    found = store.frame(f"select s.* from seen_{kind} s semi join repeated_rows using (row)")
    store.run("drop table repeated_rows")
    return found


def settle(store: Store, kind: str, rows: pl.DataFrame, all_lines: np.ndarray | None = None) -> None:
    """Set aside all but the last row of each key among `rows` (columns of seen_KIND).

    all_lines: those of all rows of landed_KIND, where they are known already.
    """
    if rows.is_empty():
        return
    keys, columns = list(keys_of(kind)), list(columns_of(kind))
    row = rows["row"].to_numpy()
    lines = row_lines(store, kind, row) if all_lines is None else all_lines[row]
    names = dict(store.rows("select file_id, name from input_files"))
    files = rows["file_id"].to_list()
    content = rows.select(pl.struct(columns).alias("content"))["content"]
    ordered = (
        rows.select(*(pl.col(k).cast(pl.String) for k in keys), "row", "file_id")
        .with_columns(
            pl.Series("line", lines),
            content.hash().alias("content"),
            pl.Series("file", [names[f] for f in files], pl.String),
        )
        .sort([*keys, "file", "line"])
    )
    before, after = pl.col("content").shift(1).over(keys), pl.int_range(pl.len()).over(keys)
    ordered = ordered.with_columns(
        (pl.col("content") == before).fill_null(False).alias("repeat"),
        pl.concat_str("file", pl.lit(" line "), pl.col("line").cast(pl.String)).alias("place"),
        after.alias("nth"),
    )
    repeats = ordered.filter("repeat").with_columns(
        pl.lit("duplicate").alias("rule"), pl.lit("the row stands twice with the same content").alias("told")
    )
    heads = ordered.filter(~pl.col("repeat"))
    replaced = heads.with_columns(
        pl.lit("replaced").alias("rule"),
        pl.concat_str(pl.lit("replaced by "), pl.col("place").last().over(keys)).alias("told"),
        (pl.int_range(pl.len()).over(keys) == pl.len().over(keys) - 1).alias("last"),
    ).filter(~pl.col("last"))
    for found in (repeats, replaced):
        told = found.select(
            pl.lit(kind).alias("kind"), "row", "rule", pl.lit(keys[0]).alias("cell"),
            pl.col(keys[0]).alias("written"), "told",
        )  # fmt: skip
        store.append("set_aside_rows", told.cast(pl.Schema(SCHEMA)))
