"""read: the fleet folder's files into the raw tables, row for row; only what is new or changed is read again."""

from __future__ import annotations

import hashlib
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipeline.errors import FleetError
from pipeline.intake.cells import raw_table_sql
from pipeline.intake.dialect import Bytes, scan_bytes
from pipeline.intake.folder import InputFile, input_files
from pipeline.intake.load import load_file
from pipeline.intake.reuse import PreviousStore
from pipeline.schema import KINDS, all_columns, columns_of
from pipeline.settings import Settings
from pipeline.store import Store

RAW_FORMAT = 2  # raise it when the meaning of the raw tables changes: then nothing is taken from an older store
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


def read(store: Store, fleet: Path, settings: Settings, previous: Path | None = None) -> ReadReport:
    """Read a fleet folder into raw_*, input_files and line_shifts.

    previous: the store of an earlier run; rows of files that did not change are taken from it.
    Raises FleetError for a reference table that cannot be used. A bad visit or reading file stops that file only.
    """
    store.run_file("00_cells.sql")
    store.run_file("10_raw.sql")
    for kind in KINDS:
        store.run(raw_table_sql(kind, list(columns_of(kind).values())))
    found, warnings = input_files(fleet, settings)
    report = ReadReport(warnings=warnings)
    with ThreadPoolExecutor(2) as pool:
        scans = list(pool.map(_scan, found))
    listed = []
    with PreviousStore.open(store, previous) as old:
        for file_id, (file, scanned) in enumerate(zip(found, scans, strict=True)):
            read_as = _read_as(file.kind, settings)
            row = {
                "file_id": file_id,
                "kind": file.kind,
                "name": file.name,
                "message": None,
                "read_as": read_as,
                "rows": 0,
            }
            if isinstance(scanned, FleetError):
                row |= {"fingerprint": "", "bytes": 0, "status": "stopped", "message": str(scanned)}
            else:
                row |= {"fingerprint": scanned.fingerprint, "bytes": scanned.size}
                row |= _take(store, old, file, file_id, scanned, settings, read_as)
            if row["status"] == "stopped" and file.kind not in ("visits", "readings"):
                raise FleetError(str(row["message"]))
            listed.append(row)
            report.rows[file.kind] += int(str(row["rows"]))
            if row["message"]:
                prefix = "" if row["status"] == "stopped" else f"{file.name}: "
                report.warnings.append(f"{prefix}{row['message']}")
        report.files_removed = old.count_missing([file.name for file in found])
    store.append("input_files", pl.DataFrame(listed, schema=FILE_SCHEMA))
    for status in ("new", "changed", "unchanged", "stopped"):
        setattr(report, f"files_{status}", sum(1 for row in listed if row["status"] == status))
    return report


def _scan(file: InputFile) -> Bytes | FleetError:
    try:
        return scan_bytes(file.path)
    except OSError as error:
        return FleetError(f"{file.name}: cannot be read ({error.strerror}). Check the file and its permissions.")


def _take(
    store: Store, old: PreviousStore, file: InputFile, file_id: int, scanned: Bytes, settings: Settings, read_as: str
) -> dict[str, object]:
    known = old.file(file.name)
    if known and (known.fingerprint, known.read_as, known.kind) == (scanned.fingerprint, read_as, file.kind):
        if known.status == "stopped":
            return {"status": "stopped", "message": known.message}
        return {"status": "unchanged", "rows": old.copy_rows(known, file_id), "message": known.message}
    try:
        loaded = load_file(store, file.kind, file_id, file.path, file.name, scanned, settings)
    except FleetError as error:
        return {"status": "stopped", "message": str(error)}
    status = "changed" if known else "new"
    return {"status": status, "rows": loaded.rows, "message": "; ".join(loaded.notes) or None}


def _read_as(kind: str, settings: Settings) -> str:
    """What the reading of a file depends on besides its bytes."""
    declared = [repr(c) for c in all_columns() if c.kind == kind]
    said = json.dumps([RAW_FORMAT, declared, settings.columns.get(kind, {})], sort_keys=True)
    return hashlib.sha256(said.encode()).hexdigest()[:16]
