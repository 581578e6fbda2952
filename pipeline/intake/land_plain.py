"""Plain CSV files into their landing tables, read by DuckDB; the records it rejects are read with care."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipeline.intake.cells import absent_keys_sql, cell_sql, odd_sql, plain_sql, plain_type
from pipeline.intake.dialect import Bytes
from pipeline.intake.file_plan import FilePlan, csv_source
from pipeline.intake.land_records import append_records
from pipeline.intake.lines import LineShifts, record_places, shifts_of_simple_file
from pipeline.intake.records import Record, records_of
from pipeline.store import Store, literal, quoted

BUFFER = 64_000_000  # pieces of a file that become rows at once; smaller ones leave more half-filled blocks behind


def land_plain(store: Store, plans: list[FilePlan]) -> dict[int, int]:
    """Let DuckDB read plain files of one kind with plain types; the records it rejects are then read with care.

    One statement for all that are alike, the most first: what comes in small portions is written to disk twice. Returns
    the rows by file_id; a file in which it does not see the records that are there is missing (and nothing of it is
    appended). The transaction is left open.
    """
    while True:
        store.run("begin transaction")
        try:
            landed, unclear = _land_together(store, plans)
        except duckdb.Error as error:
            unclear = _unreadable(store, plans, error)
        if not unclear:
            return landed
        store.run("rollback")
        plans = [plan for plan in plans if plan.file.file_id not in unclear]


def _unreadable(store: Store, plans: list[FilePlan], error: duckdb.Error) -> set[int]:
    """Which files it was that could not be read together; leaves a transaction open as it was."""
    if isinstance(error, duckdb.BinderException | duckdb.CatalogException | duckdb.ParserException):
        raise error  # the statement is wrong, not a file
    unreadable = set()
    for plan in plans if len(plans) > 1 else []:
        store.run("rollback; begin transaction")
        try:
            _land_together(store, [plan])
        except duckdb.Error:
            unreadable.add(plan.file.file_id)
    return unreadable or {plan.file.file_id for plan in plans}


def groups_alike(plans: list[FilePlan]) -> list[list[FilePlan]]:
    """The plans that one statement reads, the most first."""
    groups: dict[object, list[FilePlan]] = {}
    for plan in plans:
        groups.setdefault(plan.alike, []).append(plan)
    return sorted(groups.values(), key=lambda group: -sum(plan.file.scanned.size for plan in group))


def _land_together(store: Store, plans: list[FilePlan]) -> tuple[dict[int, int], set[int]]:
    if not plans:
        return {}, set()
    alike, kind, numbers = groups_alike(plans), plans[0].file.kind, [plan.file.file_id for plan in plans]
    before = store.scalar(f"select count(*) from landed_{kind}")
    for place, group in enumerate(alike):
        store.run(f"drop table if exists rejects_{place}; drop table if exists rejects_scan_{place}")
        store.run(f"insert into landed_{kind} by name {_plain_select(group, place)}")
    rows = dict.fromkeys(numbers, 0) | dict(
        store.rows(f"select file_id, count(*) from landed_{kind} where rowid >= {before} group by file_id")
    )
    rejected: dict[int, list[tuple[int, Record]]] = {}
    unclear, shifts = set(), {}
    for place, group in enumerate(alike):
        rejected |= _rejected(store, group, place)
    for plan in plans:
        n = plan.file.file_id
        found = _shifts(plan.file.path, plan.file.scanned, rows[n], rejected[n]) if n in rejected else None
        if found is None:
            unclear.add(n)
        else:
            shifts[n] = found
    if not unclear:
        store.append("line_shifts", pl.concat([found.frame(n) for n, found in shifts.items()]))
        for group in alike:
            append_records(store, group[0], ((p.file.file_id, r) for p in group for _, r in rejected[p.file.file_id]))
    return {n: rows[n] + len(rejected[n]) for n in numbers if n not in unclear}, unclear


def _plain_select(group: list[FilePlan], place: int) -> str:
    plan, dialect = group[0], group[0].dialect
    assert dialect is not None
    types = dict.fromkeys(range(plan.width), "VARCHAR")
    values, odd = [], []
    for one in plan.mapped:
        name = f"c{one.position}"
        if one in plan.careful:
            value, is_odd = cell_sql(one, name, plan.reading)
            odd.append((is_odd, one.column.column, name))
        else:
            types[one.position] = plain_type(one.column)
            value = plain_sql(one, name)
        values.append(f"{value} as {quoted(one.column.column)}")
    options = {
        "buffer_size": str(BUFFER), "strict_mode": "true", "store_rejects": "true",
        "rejects_table": f"'rejects_{place}'", "rejects_scan": f"'rejects_scan_{place}'", "rejects_limit": "0",
    }  # fmt: skip
    if plan.reading.decimal == ",":
        options["decimal_separator"] = "','"
    if plan.reading.date_format:
        options["dateformat"] = literal(plan.reading.date_format)
    numbers = ", ".join(str(one.file.file_id) for one in group)
    file_id = f"([{numbers}][file_index::bigint + 1])::integer as file_id"
    selected = ", ".join([file_id, *values, *absent_keys_sql(plan.mapped), f"{odd_sql(odd)} as odd"])
    source = csv_source([one.file.path for one in group], dialect.delimiter, list(types.values()), options)
    return f"select {selected} from {source}"


def _rejected(store: Store, group: list[FilePlan], place: int) -> dict[int, list[tuple[int, Record]]]:
    """By file_id the first byte and the cells of each record that DuckDB rejected; without files where it lost its way.

    The cells are read from the file once more: the line that DuckDB hands back is cut when it is long.
    """
    kinds = "'CAST', 'MISSING COLUMNS', 'TOO MANY COLUMNS'"
    found = store.rows(
        f"select file_id, line_byte_position, min(line), left(any_value(csv_line), 8), "
        f"bool_or(error_type::varchar not in ({kinds})) from rejects_{place} "
        "group by file_id, line_byte_position order by 1, 2"
    )
    rejected = {}
    lost = {file for file, *_, is_lost in found if is_lost}
    for n, plan in enumerate(group):
        if n not in lost:
            records = _read_again(plan, [(start, line, text) for file, start, line, text, _ in found if file == n])
            if records is not None:
                rejected[plan.file.file_id] = records
    return rejected


def _read_again(plan: FilePlan, places: list[tuple[int, int, str]]) -> list[tuple[int, Record]] | None:
    """Records of a file by (first byte as DuckDB counts it, line, the text there); None where none begins there."""
    assert plan.dialect is not None
    records = []
    with plan.file.path.open("rb") as file:
        for place, line, text in places:
            # DuckDB counts from 1 and may begin at the line break before.
            start = place - 1 + len(text) - len(text.lstrip("\r\n"))
            file.seek(start - 1)
            if file.read(1) != b"\n":
                return None
            lines = (one.decode("utf-8") for one in iter(file.readline, b""))
            record = next(records_of(lines, plan.dialect.delimiter), None)
            if record is None:
                return None
            records.append((start, replace(record, line=line)))
    return records


def _shifts(path: Path, scanned: Bytes, rows: int, rejected: list[tuple[int, Record]]) -> LineShifts | None:
    """Where the lines of a file's records lie, the rejected ones last; None where the records do not add up."""
    total = rows + len(rejected)
    if total + 1 == scanned.newlines + (not scanned.ends_line):  # one line to a record, then
        return shifts_of_simple_file(rows, np.array([r.line for _, r in rejected], np.int64))
    lines, places = record_places(path)
    if len(lines) != total:
        return None
    starts = np.array([place for place, _ in rejected], np.int64)
    last = np.searchsorted(places, starts)
    if len(last) and (last[-1] >= total or (places[last] != starts).any()):
        return None
    shifts = LineShifts()
    shifts.extend(0, np.delete(lines, last))
    shifts.extend(rows, lines[last])
    return shifts
