"""Physical lines of records: kept as the few places where the distance between record number and line changes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from pipeline.store import Store

CHUNK = 1 << 22
QUOTE, NEWLINE, RETURN = 34, 10, 13


class LineShifts:
    """Collects (record, line) pairs in order and keeps only where line - record changes."""

    def __init__(self) -> None:
        self.records: list[int] = []
        self.shifts: list[int] = []

    def add(self, record: int, line: int) -> None:
        self.extend(record, np.array([line]))

    def extend(self, first: int, lines: np.ndarray) -> None:
        """Lines of the records first, first + 1, …"""
        if not len(lines):
            return
        shifts = lines - (first + 2 + np.arange(len(lines)))
        before = self.shifts[-1] if self.shifts else 0
        changed = np.flatnonzero(np.diff(shifts, prepend=before))
        self.records += (first + changed).tolist()
        self.shifts += shifts[changed].tolist()

    def frame(self, file_id: int) -> pl.DataFrame:
        return pl.DataFrame(
            {"file_id": [file_id] * len(self.records), "record": self.records, "shift": self.shifts},
            schema={"file_id": pl.Int32, "record": pl.Int64, "shift": pl.Int64},
        )


def record_places(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """Physical line and first byte of each record under the header, for a file whose quotes come in pairs.

    A line break ends a record where the quotes before it are even in number; blank lines are no records.
    """
    lines, places = [], []
    line, inside, read, content = 0, 0, 0, 0
    start_line, start_byte = 1, 0
    with path.open("rb") as file:
        while chunk := file.read(CHUNK):
            data = np.frombuffer(chunk, np.uint8)
            within = (np.cumsum(data == QUOTE, dtype=np.int64) + inside) & 1
            breaks = np.flatnonzero(data == NEWLINE)
            ends = within[breaks] == 0
            solid = np.cumsum((data != NEWLINE) & (data != RETURN), dtype=np.int64) + content
            solid_at_end = solid[breaks[ends]]
            filled = np.diff(solid_at_end, prepend=0) > 0
            start_lines = np.concatenate(([start_line], line + 2 + np.flatnonzero(ends)))
            start_bytes = np.concatenate(([start_byte], read + breaks[ends] + 1))
            lines.append(start_lines[:-1][filled].astype(np.int32))
            places.append(start_bytes[:-1][filled])
            start_line, start_byte = int(start_lines[-1]), int(start_bytes[-1])
            line += len(breaks)
            read += len(data)
            inside = int(within[-1])
            content = int(solid[-1] - (solid_at_end[-1] if len(solid_at_end) else 0))
    if content:
        lines.append(np.array([start_line], np.int32))
        places.append(np.array([start_byte]))
    if not lines:
        return np.empty(0, np.int32), np.empty(0, np.int64)
    return np.concatenate(lines)[1:], np.concatenate(places)[1:]


def shifts_of_simple_file(rows: int, rejected_lines: np.ndarray) -> LineShifts:
    """Shifts of a file with one line per record, whose rejected records come after its other `rows`.

    rejected_lines: their physical lines, ascending.
    """
    shifts = LineShifts()
    count = np.arange(len(rejected_lines))
    before = (rejected_lines - 2) - count
    last = np.append(np.diff(before) > 0, True) if len(before) else np.empty(0, bool)
    shifts.records, shifts.shifts = before[last].tolist(), (count[last] + 1).tolist()
    shifts.extend(rows, rejected_lines)
    return shifts


def all_lines(store: Store, kind: str) -> np.ndarray:
    """The physical line of every row of landed_KIND, in the order of the rows; int32. 0 for rows of dead files."""
    files = store.rows(
        "select file_id, rows, true from input_files where kind = $1 and rows > 0 "
        "union all select file_id, rows, false from dead_files where kind = $1 order by file_id",
        [kind],
    )
    parts = [_file_lines(store, n, rows) if alive else np.zeros(rows, np.int32) for n, rows, alive in files]
    return np.concatenate(parts) if parts else np.empty(0, np.int32)


def _file_lines(store: Store, file_id: int, rows: int) -> np.ndarray:
    lines = np.arange(2, rows + 2, dtype=np.int32)
    shifts = store.rows("select record, shift from line_shifts where file_id = ? order by record", [file_id])
    if shifts:
        records, steps = np.array(shifts, np.int64).T
        lines += np.repeat(np.append(0, steps), np.diff(records, prepend=0, append=rows)).astype(np.int32)
    return lines


def row_lines(store: Store, kind: str, rows: np.ndarray) -> np.ndarray:
    """The physical lines of some rows of landed_KIND."""
    return all_lines(store, kind)[rows]
