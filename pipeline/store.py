"""The store: a DuckDB file, and the only module that knows how frames travel in and out of it."""

from __future__ import annotations

import itertools
import os
import shutil
import tempfile
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Any

import duckdb
import polars as pl
import pyarrow as pa

from pipeline.errors import FleetError

# Nothing is fetched or loaded behind the user's back; text in a store can start nothing.
OFFLINE = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}
# A stage closes its store, which writes all that is not written yet: until then what is written is written once.
WRITING = {"checkpoint_threshold": "1GB"}
# Runs of equal values are looked for in every column that is written, and save hardly any space. It is not heard at
# the opening of a store, only later.
NO_RUNS = "set disabled_compression_methods = 'rle'"
# Behind the type of a column that fills most of its bits: to pack them takes as long as all else that is done to write
# it, and saves little room.
AS_BYTES = " using compression uncompressed"


def quoted(name: str) -> str:
    """A name as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str | os.PathLike[str]) -> str:
    """A text as an SQL literal."""
    return "'" + str(text).replace("'", "''") + "'"


class Store:
    """A DuckDB store; a context manager.

    db: the connection, for what the methods do not cover.
    """

    def __init__(self, db: duckdb.DuckDBPyConnection, path: Path | None, memory_gb: float | None = None) -> None:
        self.db = db
        self.path = path
        self.memory_gb = memory_gb

    @classmethod
    def open(cls, path: Path | None, *, read_only: bool = False, memory_gb: float | None = None) -> Store:
        """Open the store at `path`, or one in memory where it is None.

        memory_gb: the most memory DuckDB may take before it spills to disk; None leaves its own default.
        Raises FleetError when the file is in use by another process or is no DuckDB store.
        """
        store = cls(_connected(path, read_only, memory_gb), path, memory_gb)
        if not read_only:
            store.run("create table if not exists run_facts (key varchar, value varchar)")
        return store

    def begin_with(self, path: Path) -> None:
        """Make this store, which has a file of its own, a copy of the one at `path`, which nobody has open."""
        if self.path is None:
            raise ValueError("a store in memory cannot begin as a copy of a file")
        self.close()
        shutil.copyfile(path, self.path)
        self.db = _connected(self.path, False, self.memory_gb)

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        self.db.close()

    @contextmanager
    def beside(self) -> Iterator[Store]:
        """The same store over a connection of its own, for another thread; what is temporary is not shared."""
        with self.db.cursor() as db:
            yield Store(db, self.path, self.memory_gb)

    @property
    def threads(self) -> int:
        """How many threads a statement may run in."""
        return int(self.scalar("select current_setting('threads')"))

    @contextmanager
    def one_thread(self) -> Iterator[None]:
        """Within it, a statement of any connection to this store runs in the thread that gave it."""
        threads = self.threads
        self.run("set threads = 1")
        try:
            yield
        finally:
            self.run(f"set threads = {threads}")

    @contextmanager
    def held_to(self, memory_gb: float | None) -> Iterator[None]:
        """Within it, statements take at most so much memory before they spill to disk; None: DuckDB's own default."""

        def hold(gb: float | None) -> None:
            self.memory_gb = gb
            self.run("reset memory_limit" if gb is None else f"set memory_limit = '{gb:g}GB'")

        before = self.memory_gb  # what DuckDB tells is rounded, and would shrink each time
        hold(memory_gb)
        try:
            yield
        finally:
            hold(before)

    @contextmanager
    def joins_as_written(self) -> Iterator[None]:
        """Within it, joins are made in the order written: what stands on the left streams past the rest.

        DuckDB takes a positional join for empty when it orders joins, and would hold the largest table in memory.
        """
        self.run("set disabled_optimizers = 'join_order,build_side_probe_side'")
        try:
            yield
        finally:
            self.run("reset disabled_optimizers")

    def frame(self, query: str, params: Sequence[Any] | dict[str, Any] | None = None) -> pl.DataFrame:
        """The result of a query as a frame. params: of its `?`, or by name of its `$name`."""
        return self.db.sql(query, params=params if params is None or isinstance(params, dict) else list(params)).pl()

    def rows(self, query: str, params: Sequence[Any] | None = None) -> list[tuple[Any, ...]]:
        """The result of a query as tuples. Always fetched whole: an unfinished result would block the connection."""
        return self.db.execute(query, list(params) if params is not None else None).fetchall()

    def scalar(self, query: str, params: Sequence[Any] | None = None) -> Any:
        """The first value of the first row, or None where there is no row."""
        rows = self.rows(query, params)
        return rows[0][0] if rows else None

    def run(self, query: str, params: Sequence[Any] | None = None) -> None:
        """Run one or more statements."""
        self.rows(query, params)

    def run_file(self, name: str) -> None:
        """Run a file of the sql package, as "40_visit_clock.sql" or "20_checks/visits_future.sql"."""
        self.run(sql_text(name))

    def write(self, table: str, frame: pl.DataFrame, as_bytes: Collection[str] = ()) -> int:
        """Create or replace a table with the rows of a frame; returns their number.

        as_bytes: columns that are not compressed, see `AS_BYTES`.
        """
        made = "as select * from frame_in"
        if as_bytes:
            columns = self._columns_sql(frame, as_bytes)
            made = f"({columns}); insert into {quoted(table)} select * from frame_in"
        return self._put(f"create or replace table {quoted(table)} {made}", frame)

    def _columns_sql(self, frame: pl.DataFrame, as_bytes: Collection[str]) -> str:
        """The columns of a table that takes the frame."""
        self.db.register("frame_in", frame.clear())
        try:
            types = self.rows("describe select * from frame_in")
        finally:
            self.db.unregister("frame_in")
        return ", ".join(f"{quoted(name)} {kind}{AS_BYTES * (name in as_bytes)}" for name, kind, *_ in types)

    def append(self, table: str, frame: pl.DataFrame) -> int:
        """Add the rows of a frame to a table by column name (the table is made if it is not there)."""
        if not self.has(table):
            return self.write(table, frame)
        return self._put(f"insert into {quoted(table)} by name select * from frame_in", frame)

    def append_stream(self, table: str, frames: Iterator[pl.DataFrame]) -> None:
        """Add the rows of frames that are made one by one, in their order, by column name; nothing where there is none.

        In one statement: rows that come in portions are written to disk twice.
        """
        first = next(frames, None)
        if first is None:
            return
        batches = (b for f in itertools.chain([first], frames) for b in f.to_arrow().to_batches())
        reader = pa.RecordBatchReader.from_batches(first.to_arrow().schema, batches)
        self.db.register("stream_in", reader)
        try:
            self.run(f"insert into {quoted(table)} by name select * from stream_in")
        finally:
            self.db.unregister("stream_in")

    def _put(self, statement: str, frame: pl.DataFrame) -> int:
        self.db.register("frame_in", frame)
        try:
            self.run(statement)
        finally:
            self.db.unregister("frame_in")
        return frame.height

    def has(self, table: str) -> bool:
        """Whether there is a table or view of that name."""
        found = (
            "select 1 from duckdb_tables() where table_name = $name and schema_name = 'main' union all "
            "select 1 from duckdb_views() where view_name = $name and schema_name = 'main' and not internal"
        )
        return bool(self.db.execute(found, {"name": table}).fetchall())

    def fact(self, key: str) -> str | None:
        """A fact of this run, as "as_of"; None where it is not set."""
        return self.scalar("select value from run_facts where key = ?", [key])

    def set_fact(self, key: str, value: str) -> None:
        self.run("delete from run_facts where key = ?", [key])
        self.run("insert into run_facts values (?, ?)", [key, value])


def _connected(path: Path | None, read_only: bool, memory_gb: float | None) -> duckdb.DuckDBPyConnection:
    config: dict[str, str | bool | int | float | list[str]] = {**OFFLINE, **WRITING}
    if memory_gb is not None:
        config["memory_limit"] = f"{memory_gb:g}GB"
    if path is None:
        config["temp_directory"] = str(Path(tempfile.gettempdir()) / f"foulcast-{os.getpid()}")
    try:
        db = duckdb.connect(str(path) if path else ":memory:", read_only=read_only, config=config)
        db.execute(NO_RUNS)
        return db
    except duckdb.IOException as error:
        busy = "lock" in str(error).lower()
        cure = "is in use by another process; wait for it to end." if busy else f"cannot be opened: {error}"
        raise FleetError(f"{path}: the store {cure}") from error
    except duckdb.Error as error:
        raise FleetError(f"{path}: this is not a store that can be read ({error}); remove it and run again.") from error


def sql_text(name: str) -> str:
    """The text of a file in the sql package."""
    where = files("sql")
    for part in name.split("/"):
        where = where / part
    return where.read_text(encoding="utf-8")
