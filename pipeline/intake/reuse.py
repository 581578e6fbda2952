"""Rows of files that did not change, taken from the store of an earlier run."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipeline.store import Store, literal


@dataclass(frozen=True)
class KnownFile:
    file_id: int
    kind: str
    name: str
    fingerprint: str
    status: str
    message: str | None
    read_as: str


class PreviousStore:
    """The earlier store, attached read-only; empty where there is none or it cannot be used."""

    def __init__(self, store: Store, files: dict[str, KnownFile]) -> None:
        self.store = store
        self.files = files

    @classmethod
    @contextmanager
    def open(cls, store: Store, path: Path | None) -> Iterator[PreviousStore]:
        """Attach the store at `path` as `before`. One that cannot be read is left aside: everything is read anew."""
        attached, files = False, {}
        if path is not None and path.exists():
            try:
                store.run(f"attach {literal(path)} as before (read_only)")
                attached = True
                rows = store.rows(
                    "select file_id, kind, name, fingerprint, status, message, read_as from before.input_files"
                )
                files = {row[2]: KnownFile(*row) for row in rows}
            except duckdb.Error:
                files = {}
        try:
            yield cls(store, files)
        finally:
            if attached:
                store.run("detach before")

    def file(self, name: str) -> KnownFile | None:
        return self.files.get(name)

    def count_missing(self, names: list[str]) -> int:
        """How many files the earlier run read that are not among `names`."""
        return len(set(self.files) - set(names))

    def copy_rows(self, known: KnownFile, file_id: int) -> int:
        """Append the rows of an unchanged file under its new number; returns how many."""
        rows = self.store.scalar(
            f"insert into raw_{known.kind} by name select * replace ({file_id}::integer as file_id) "
            f"from before.raw_{known.kind} where file_id = {known.file_id} order by rowid"
        )
        self.store.run(
            f"insert into line_shifts select {file_id}, record, shift from before.line_shifts where file_id "
            f"= {known.file_id}"
        )
        self.store.run(
            f'insert into file_units select {file_id}, cell, header, factor, "offset" '
            f"from before.file_units where file_id = {known.file_id}"
        )
        return rows
