"""read: the fleet folder's files into the landing tables, row for row; only what is new or changed is read again."""

from __future__ import annotations

import hashlib
import itertools
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipeline.errors import FleetError
from pipeline.intake.cells import landed_table_sql
from pipeline.intake.dialect import Bytes, scan_bytes
from pipeline.intake.file_plan import Arrival
from pipeline.intake.folder import InputFile, input_files
from pipeline.intake.load import Loaded, load_files
from pipeline.intake.reuse import EarlierRun, KnownFile, begin_with, copy_rows, earlier_run
from pipeline.schema import FOLDER_KINDS, KINDS, all_columns, columns_of
from pipeline.settings import Settings
from pipeline.store import Store

RAW_FORMAT = 7  # raise it when the meaning of the landing tables changes: then nothing is taken from an older store
FILE_SCHEMA = {
    "file_id": pl.Int32, "kind": pl.String, "name": pl.String, "fingerprint": pl.String, "bytes": pl.Int64,
    "rows": pl.Int64, "status": pl.String, "message": pl.String, "read_as": pl.String,
}  # fmt: skip


@dataclass
class ReadReport:
    """What the read stage did: rows by kind, files by what became of them, and sentences worth telling."""

    rows: dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))
    files_new: int = 0
    files_changed: int = 0
    files_unchanged: int = 0
    files_removed: int = 0
    files_stopped: int = 0
    warnings: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        counts = {
            "new": self.files_new, "changed": self.files_changed, "unchanged": self.files_unchanged,
            "removed": self.files_removed, "stopped": self.files_stopped,
        }  # fmt: skip
        told = ", ".join(f"{n:,} {word}" for word, n in counts.items() if n) or "none"
        return f"{self.rows['visits']:,} visit rows and {self.rows['readings']:,} reading rows; files: {told}"


@dataclass(frozen=True)
class _Met:
    """A file of the folder: its bytes, what its reading depends on besides them, and how an earlier run knew it."""

    file: InputFile
    scanned: Bytes
    read_as: str
    known: KnownFile | None

    @property
    def unchanged(self) -> bool:
        return self.known is not None and (self.known.fingerprint, self.known.read_as, self.known.kind) == (
            self.scanned.fingerprint, self.read_as, self.file.kind,
        )  # fmt: skip


def read(store: Store, fleet: Path, settings: Settings, previous: Path | None = None) -> ReadReport:
    """Read a fleet folder into landed_*, input_files, line_shifts and file_units, with views raw_* of what counts.

    previous: the store of an earlier run; rows of files that did not change are taken from it.
    Raises FleetError for a reference table that cannot be used. A bad visit or reading file stops that file only.
    """
    found, warnings = input_files(fleet, settings)
    report = ReadReport(warnings=warnings)
    with ThreadPoolExecutor(2) as pool:
        scans = list(pool.map(_scan, found))
    earlier = earlier_run(store, previous)
    met = [
        _Met(file, scanned, _read_as(file.kind, settings), earlier.files.get(file.name))
        for file, scanned in zip(found, scans, strict=True)
    ]
    unchanged = {m.file.name: m.known for m in met if m.known and m.unchanged and m.known.status != "stopped"}
    in_place = begin_with(store, earlier, unchanged)
    store.run_file("00_cells.sql")
    if not in_place:
        store.run_file("10_raw.sql")
        for kind in KINDS:
            store.run(landed_table_sql(kind, list(columns_of(kind).values())))
    used = [known.file_id for known in earlier.files.values()] if in_place else []
    used += [n for (n,) in store.rows("select file_id from dead_files")]
    numbers = itertools.count(max(used, default=-1) + 1)
    rows, arrivals = [], []
    for one in met:
        stays = in_place and one.file.name in unchanged
        file_id = one.known.file_id if stays and one.known else next(numbers)
        row: dict[str, object] = {
            "file_id": file_id, "kind": one.file.kind, "name": one.file.name, "fingerprint": one.scanned.fingerprint,
            "bytes": one.scanned.size, "rows": 0, "message": None, "read_as": one.read_as,
        }  # fmt: skip
        rows.append(row)
        taken = _without_reading(store, earlier, one, file_id, stays)
        if taken is None:
            arrivals.append(Arrival(file_id, one.file.kind, one.file.path, one.file.name, one.scanned))
        row |= taken or {"status": "changed" if one.known else "new"}
    loaded = load_files(store, arrivals, settings)
    for row in rows:
        row |= _outcome(loaded.get(int(str(row["file_id"]))))
        if row["status"] == "stopped" and row["kind"] not in FOLDER_KINDS:
            raise FleetError(str(row["message"]))
        report.rows[str(row["kind"])] += int(str(row["rows"]))
        if row["message"]:
            prefix = "" if row["status"] == "stopped" else f"{row['name']}: "
            report.warnings.append(f"{prefix}{row['message']}")
    store.append("input_files", pl.DataFrame(rows, schema=FILE_SCHEMA))
    _view_raw(store)
    report.files_removed = earlier.count_missing([file.name for file in found])
    for status in ("new", "changed", "unchanged", "stopped"):
        setattr(report, f"files_{status}", sum(1 for row in rows if row["status"] == status))
    store.run("create or replace table run_warnings (stage varchar, message varchar)")
    keep_warnings(store, "read", report.warnings)
    return report


def keep_warnings(store: Store, stage: str, warnings: list[str]) -> None:
    """Keep what a stage has to say to whoever runs it, for the closing summary and run.json."""
    store.run("delete from run_warnings where stage = ?", [stage])
    for message in warnings:
        store.run("insert into run_warnings values (?, ?)", [stage, message])


def _scan(file: InputFile) -> Bytes:
    try:
        return scan_bytes(file.path)
    except OSError as error:
        told = f"{file.name}: cannot be read ({error.strerror}). Check the file and its permissions."
        return Bytes.unread(told)


def _without_reading(
    store: Store, earlier: EarlierRun, one: _Met, file_id: int, stays: bool
) -> dict[str, object] | None:
    """What became of a file that need not be read, or cannot be; None where it is to be read."""
    if one.scanned.trouble:
        return {"status": "stopped", "message": one.scanned.trouble}
    if not one.known or not one.unchanged:
        return None
    if one.known.status == "stopped":
        return {"status": "stopped", "message": one.known.message}
    if not stays:
        copy_rows(store, earlier, one.known, file_id)
    return {"status": "unchanged", "rows": one.known.rows, "message": one.known.message}


def _outcome(loaded: Loaded | FleetError | None) -> dict[str, object]:
    if loaded is None:
        return {}
    if isinstance(loaded, FleetError):
        return {"status": "stopped", "message": str(loaded)}
    return {"rows": loaded.rows, "message": "; ".join(loaded.notes) or None}


def _read_as(kind: str, settings: Settings) -> str:
    """What the reading of a file depends on besides its bytes."""
    declared = [repr(c) for c in all_columns() if c.kind == kind]
    said = json.dumps([RAW_FORMAT, declared, settings.columns.get(kind, {})], sort_keys=True)
    return hashlib.sha256(said.encode()).hexdigest()[:16]


def _view_raw(store: Store) -> None:
    """raw_KIND: the landed rows of the files that are there, with their place as the column `row`."""
    for kind in KINDS:
        dead = [str(n) for (n,) in store.rows("select file_id from dead_files where kind = ? order by 1", [kind])]
        where = f" where file_id not in ({', '.join(dead)})" if dead else ""
        store.run(f"create or replace view raw_{kind} as select rowid as row, * from landed_{kind}{where}")
