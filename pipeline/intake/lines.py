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
    line, read, quotes, start, start_line, blank = 0, 0, 0, 0, 1, True
    with path.open("rb") as file:
        while chunk := file.read(CHUNK):
            data = np.frombuffer(chunk, np.uint8)
            breaks, marks = np.flatnonzero(data == NEWLINE), np.flatnonzero(data == QUOTE)
            ends = np.flatnonzero((quotes + np.searchsorted(marks, breaks)) % 2 == 0)
            first = np.concatenate(([start - read], breaks[ends] + 1))
            empty = _only_returns(data, first)
            empty[0] &= blank
            start_lines = np.concatenate(([start_line], line + 2 + ends))
            filled = ~empty[:-1]
            lines.append(start_lines[:-1][filled].astype(np.int32))
            places.append(read + first[:-1][filled])
            start, start_line, blank = int(read + first[-1]), int(start_lines[-1]), bool(empty[-1])
            line += len(breaks)
            quotes += len(marks)
            read += len(data)
    if not blank:
        lines.append(np.array([start_line], np.int32))
        places.append(np.array([start]))
    if not lines:
        return np.empty(0, np.int32), np.empty(0, np.int64)
    return np.concatenate(lines)[1:], np.concatenate(places)[1:]


def _only_returns(data: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Whether there is nothing but an end of line from each place of `first` to the next, and from the last on."""
    bounds = np.append(np.maximum(first, 0), len(data))
    length, begin = np.diff(bounds), np.minimum(bounds[:-1], len(data) - 1)
    returned, broken = data[begin] == RETURN, data[begin] == NEWLINE
    pair = returned & (data[np.minimum(begin + 1, len(data) - 1)] == NEWLINE)
    return (length == 0) | ((length == 1) & (returned | broken)) | ((length == 2) & pair)


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
    files = np.asarray(store.db.sql(f"select file_id from landed_{kind}").fetchnumpy()["file_id"])
    lines = np.zeros(len(files), np.int32)
    if not len(files):
        return lines
    begins = np.flatnonzero(np.append(True, files[1:] != files[:-1]))
    runs: dict[int, list[tuple[int, int]]] = {}
    for begin, end in zip(begins.tolist(), [*begins[1:].tolist(), len(files)], strict=True):
        runs.setdefault(int(files[begin]), []).append((begin, end))
    shifts = _all_shifts(store)
    for n in (n for (n,) in store.rows("select file_id from input_files where kind = ?", [kind])):
        pieces = runs.get(n, [])
        of_file = _file_lines(sum(end - begin for begin, end in pieces), shifts.get(n))
        for begin, end in pieces:
            lines[begin:end], of_file = of_file[: end - begin], of_file[end - begin :]
    return lines


def _all_shifts(store: Store) -> dict[int, np.ndarray]:
    found = store.db.sql("select file_id, record, shift from line_shifts order by file_id, record").fetchnumpy()
    files, pairs = np.asarray(found["file_id"]), np.column_stack([found["record"], found["shift"]])
    begins = np.flatnonzero(np.append(len(files) > 0, files[1:] != files[:-1]))
    return {int(files[n]): part for n, part in zip(begins, np.split(pairs, begins[1:]), strict=False)}


def _file_lines(rows: int, shifts: np.ndarray | None) -> np.ndarray:
    lines = np.arange(2, rows + 2, dtype=np.int32)
    if shifts is not None:
        records, steps = shifts.astype(np.int64).T
        lines += np.repeat(np.append(0, steps), np.diff(records, prepend=0, append=rows)).astype(np.int32)
    return lines


def row_lines(store: Store, kind: str, rows: np.ndarray) -> np.ndarray:
    """The physical lines of some rows of landed_KIND: as they were placed, if they were."""
    places = {"visits": "visit_places", "readings": "reading_places"}.get(kind)
    if places is not None and store.has(places):
        return np.asarray(store.db.sql(f"select line from {places}").fetchnumpy()["line"])[rows]
    return all_lines(store, kind)[rows]
