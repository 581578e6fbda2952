"""Rows of files that did not change, taken from the store of an earlier run.

The cheap way is to begin with a copy of the earlier store: its landed rows stay where they are, and those of files
that changed or went are dead from then on (`dead_files`). Where more than a quarter would be dead, or the store has no
file of its own, the rows are copied instead, which costs most of what reading them costs, and nothing is dead.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipeline.schema import KINDS, columns_of
from pipeline.store import Store, literal, quoted

MOST_DEAD = 0.25
KEPT_TABLES = (*(f"landed_{kind}" for kind in KINDS), "input_files", "dead_files", "line_shifts", "file_units")


@dataclass(frozen=True)
class KnownFile:
    """A file as an earlier run read it."""

    file_id: int
    kind: str
    name: str
    fingerprint: str
    rows: int
    status: str
    message: str | None
    read_as: str


@dataclass(frozen=True)
class EarlierRun:
    """What an earlier store holds; empty where there is none or it cannot be used.

    dead: rows of files that were already gone when it was written.
    """

    path: Path | None
    files: Mapping[str, KnownFile]
    dead: int = 0

    def count_missing(self, names: list[str]) -> int:
        """How many files the earlier run met that are not among `names`."""
        return len(set(self.files) - set(names))


def earlier_run(store: Store, path: Path | None) -> EarlierRun:
    """Look into the store of an earlier run. One that cannot be read is left aside: everything is read anew."""
    if path is None or not path.exists() or path.with_name(path.name + ".wal").exists():
        return EarlierRun(None, {})
    try:
        with _attached(store, path):
            rows = store.rows(
                "select file_id, kind, name, fingerprint, rows, status, message, read_as from before.input_files"
            )
            dead = dict(store.rows("select kind, sum(rows)::bigint from before.dead_files group by kind"))
            files = {row[2]: KnownFile(*row) for row in rows}
            whole = all(_holds(store, kind, files, dead.get(kind, 0)) for kind in KINDS)
    except duckdb.Error:
        return EarlierRun(None, {})
    return EarlierRun(path, files, sum(dead.values())) if whole else EarlierRun(None, {})


def _holds(store: Store, kind: str, files: Mapping[str, KnownFile], dead: int) -> bool:
    """Whether the earlier store has the columns and as many rows of a kind as it says. Raises duckdb.Error where
    something is not there at all."""
    columns = ", ".join(map(quoted, ("file_id", *columns_of(kind), "odd")))
    store.run(f"select {columns} from before.landed_{kind} limit 0")
    held = store.scalar(f"select count(*) from before.landed_{kind}")
    return bool(held == dead + sum(known.rows for known in files.values() if known.kind == kind))


def begin_with(store: Store, earlier: EarlierRun, unchanged: Mapping[str, KnownFile]) -> bool:
    """Make the store a copy of the earlier one with only the landed rows in it; False (and nothing done) where that
    does not pay.

    unchanged: the files whose rows stay; all others of the earlier run are dead afterwards.
    """
    gone = [known for name, known in earlier.files.items() if name not in unchanged and known.rows]
    dead = earlier.dead + sum(known.rows for known in gone)
    total = earlier.dead + sum(known.rows for known in earlier.files.values())
    if earlier.path is None or store.path is None or not unchanged or dead > MOST_DEAD * total:
        return False
    store.begin_with(earlier.path)
    made = "select table_type, table_name from information_schema.tables where table_schema = 'main'"
    for kind, name in store.rows(f"{made} order by table_type desc"):
        if name not in KEPT_TABLES:
            store.run(f"drop {'view' if kind == 'VIEW' else 'table'} {quoted(name)}")
    for known in gone:
        store.run("insert into dead_files values (?, ?, ?)", [known.file_id, known.kind, known.rows])
        store.run("delete from line_shifts where file_id = ?", [known.file_id])
        store.run("delete from file_units where file_id = ?", [known.file_id])
    store.run("delete from input_files")
    store.run("create table run_facts (key varchar, value varchar)")
    return True


def copy_rows(store: Store, earlier: EarlierRun, known: KnownFile, file_id: int) -> None:
    """Append the rows of an unchanged file under its new number."""
    if earlier.path is None:
        return
    with _attached(store, earlier.path):
        store.run(
            f"insert into landed_{known.kind} by name select * replace ({file_id}::integer as file_id) "
            f"from before.landed_{known.kind} where file_id = {known.file_id}"
        )
        for table in ("line_shifts", "file_units"):
            store.run(
                f"insert into {table} by name select * replace ({file_id}::integer as file_id) "
                f"from before.{table} where file_id = {known.file_id}"
            )


@contextmanager
def _attached(store: Store, path: Path) -> Iterator[None]:
    store.run(f"attach {literal(path)} as before (read_only)")
    try:
        yield
    finally:
        store.run("detach before")
