"""Files that are read record by record into their landing tables: whatever is no plain CSV."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice

import numpy as np
import polars as pl

from pipeline.intake.cells import beyond_plain_query, careful_query
from pipeline.intake.dialect import text_lines
from pipeline.intake.file_plan import FilePlan
from pipeline.intake.lines import LineShifts
from pipeline.intake.records import Record, bounded_lines, records_of
from pipeline.intake.workbook import workbook_records
from pipeline.store import Store

BATCH = 20_000


def land_file(store: Store, plan: FilePlan) -> int:
    """Append the records of one file, read one by one; returns their number."""
    if plan.dialect is None:
        records = workbook_records(plan.file.path, plan.file.name)
        next(records, None)
        return _land_records(store, plan, records)
    with text_lines(plan.file.path, plan.dialect.encoding) as lines:
        records = records_of(bounded_lines(lines), plan.dialect.delimiter)
        next(r for r in records if r.line >= plan.dialect.header_line)
        return _land_records(store, plan, records)


def _land_records(store: Store, plan: FilePlan, records: Iterable[Record]) -> int:
    """Append records of text under the plan's header, whatever they come from; returns their number."""
    n = plan.file.file_id
    store.run("begin transaction")
    try:
        rows, shifts = append_records(store, plan, ((n, record) for record in records))
        store.append("line_shifts", shifts.frame(n))
    except BaseException:
        store.run("rollback")
        raise
    store.run("commit")
    return rows


def append_records(store: Store, plan: FilePlan, records: Iterable[tuple[int, Record]]) -> tuple[int, LineShifts]:
    """Append (file_id, record) read as `plan` says; returns their number and lines, as if of one file."""
    schema = {f"c{n}": pl.String for n in range(plan.width)} | {"ragged": pl.String, "short": pl.Boolean}
    mapped = list(plan.mapped)
    known = next((one.position for one in plan.mapped if one.column.column == "visit_id"), None)
    least = 1 + max(one.position for one in plan.mapped if one.column.need and not one.column.default)
    rows, shifts, several = 0, LineShifts(), iter(records)
    while batch := list(islice(several, BATCH)):
        shifts.extend(rows, np.array([record.line for _, record in batch], np.int64))
        frame = pl.DataFrame([_fitted(r, plan.width, least, known) for _, r in batch], schema=schema, orient="row")
        store.db.register("batch_in", frame.with_columns(pl.Series("file_id", [n for n, _ in batch], pl.Int32)))
        try:
            beyond_plain = store.rows(beyond_plain_query(mapped, plan.reading, "batch_in"))[0]
            query = careful_query(mapped, plan.reading, "batch_in", beyond_plain, bool(frame["short"].any()))
            store.run(f"insert into landed_{plan.file.kind} by name {query}")
        finally:
            store.db.unregister("batch_in")
        rows += len(batch)
    return rows, shifts


def _fitted(record: Record, width: int, least: int, visit_id: int | None = None) -> list[str | bool | None]:
    """The record's cells at the header's width, the whole as one text where it does not fit, and whether it may only
    lack its last cells, as spreadsheets leave them out.

    least: so many cells hold all that a row must have.   visit_id: where that column stands; kept where nothing else
    is if it is the first, which no cell too many can have moved.
    """
    cells = [c.replace("\0", "\N{REPLACEMENT CHARACTER}") or None for c in record.cells]
    if not record.broken and len(cells) >= width and not any(c and c.strip() for c in cells[width:]):
        return [*cells[:width], None, False]
    short = not record.broken and not record.at_end and least <= len(cells) < width
    kept: list[str | None] = [None] * width
    if short:
        kept[: len(cells)] = cells
    elif visit_id == 0 and not record.broken and len(cells) > 1:
        kept[0] = cells[0]
    return [*kept, ",".join(c or "" for c in cells), short]
