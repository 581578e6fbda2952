"""One file into its raw table: DuckDB reads what is a plain CSV, anything else is read record by record."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipeline.errors import FleetError
from pipeline.intake.cells import Reading, careful_select, cell_sql, odd_sql, plain_sql, plain_type
from pipeline.intake.dates import date_format_of
from pipeline.intake.dialect import Bytes, Dialect, dialect_of, text_lines
from pipeline.intake.headers import Mapped, map_headers
from pipeline.intake.lines import LineShifts, record_places, shifts_of_simple_file
from pipeline.intake.parquet import land_parquet
from pipeline.intake.records import Record, records_of
from pipeline.intake.workbook import workbook_records
from pipeline.settings import Settings
from pipeline.store import Store, literal, quoted

BATCH = 20_000
# With pieces of this size rows go to disk once, compressed; with DuckDB's smaller default they are written a second
# time
# when the store is closed (measured: half as much processor time again).
BUFFER = 64_000_000


@dataclass
class Loaded:
    """What became of one file."""

    rows: int
    notes: list[str] = field(default_factory=list)


def load_file(
    store: Store, kind: str, file_id: int, path: Path, name: str, scanned: Bytes, settings: Settings
) -> Loaded:
    """Append the rows of one file to landed_KIND. Raises FleetError where the whole file cannot be taken."""
    if path.suffix.lower() == ".parquet":
        return Loaded(*land_parquet(store, kind, file_id, path, name, settings))
    if path.suffix.lower() == ".xlsx":
        records = workbook_records(path, name)
        header = next(records, None)
        if header is None:
            raise FleetError(f"{name}: its first sheet is empty. Write the column names into the first row.")
        mapped, unknown = map_headers(name, kind, header.cells, settings.columns.get(kind, {}))
        loaded = _load_records(store, kind, file_id, mapped, len(header.cells), records, Reading("."))
    else:
        dialect = dialect_of(name, scanned)
        mapped, unknown = map_headers(name, kind, dialect.header, settings.columns.get(kind, {}))
        reading = Reading(dialect.decimal, date_format_of(name, path, dialect, mapped))
        plain = _load_plain(store, kind, file_id, path, scanned, dialect, mapped, reading) if dialect.plain else None
        if plain is not None:
            loaded = plain
        else:
            with text_lines(path, dialect.encoding) as lines:
                records = records_of(lines, dialect.delimiter)
                header_cells = next(r for r in records if r.line >= dialect.header_line).cells
                loaded = _load_records(store, kind, file_id, mapped, len(header_cells), records, reading)
        if reading.decimal == ",":
            loaded.notes.append("numbers were read with a decimal comma")
        if reading.date_format:
            shown = reading.date_format.replace("%d", "day").replace("%m", "month").replace("%Y", "year")
            loaded.notes.append(f"dates were read as {shown}")
    for one in mapped:
        if one.header_is_other_unit:
            unit = [file_id, one.column.column, one.header, one.unit.factor, one.unit.offset]
            store.run("insert into file_units values (?, ?, ?, ?, ?)", unit)
    if unknown:
        loaded.notes.append(
            "columns not known and left out: " + ", ".join(unknown[:12]) + (" …" if len(unknown) > 12 else "")
        )
    return loaded


def _load_plain(
    store: Store,
    kind: str,
    file_id: int,
    path: Path,
    scanned: Bytes,
    dialect: Dialect,
    mapped: list[Mapped],
    reading: Reading,
) -> Loaded | None:
    """Let DuckDB read the file with plain types and hand back the records it rejects, which are then read with care.

    None (and nothing appended) where it does not see the records that are there.
    """
    careful = _careful_columns(store, dialect, mapped, reading)
    types = dict.fromkeys(range(len(dialect.header)), "VARCHAR")
    values, odd = [], []
    for one in mapped:
        name = f"c{one.position}"
        if one in careful:
            value, is_odd = cell_sql(one, name, reading)
            odd.append((is_odd, one.column.column, name))
        else:
            types[one.position] = plain_type(one.column)
            value = plain_sql(one, name)
        values.append(f"{value} as {quoted(one.column.column)}")
    columns = ", ".join(f"'c{n}': $${type_}$$" for n, type_ in types.items())
    options = {
        "auto_detect": "false", "header": "true", "delim": literal(dialect.delimiter),
        "quote": "'\"'", "escape": "'\"'",
        "columns": f"{{{columns}}}", "buffer_size": str(BUFFER), "strict_mode": "true", "store_rejects": "true",
        "rejects_table": "'rejects_in'", "rejects_scan": "'rejects_scan_in'", "rejects_limit": "0",
    }  # fmt: skip
    if reading.decimal == ",":
        options["decimal_separator"] = "','"
    if reading.date_format:
        options["dateformat"] = literal(reading.date_format)
    source = f"read_csv({literal(path)}, {', '.join(f'{k} = {v}' for k, v in options.items())})"
    selected = ", ".join([f"{file_id}::integer as file_id", *values, f"{odd_sql(odd)} as odd"])
    store.run("drop table if exists rejects_in; drop table if exists rejects_scan_in")
    store.run("begin transaction")
    try:
        rows = store.scalar(f"insert into landed_{kind} by name select {selected} from {source}")
        rejected = _rejected(store, path, dialect.delimiter)
        shifts = None if rejected is None else _shifts(path, scanned, rows, rejected)
        if rejected is None or shifts is None:
            store.run("rollback")
            return None
        store.append("line_shifts", shifts.frame(file_id))
        _append_records(store, kind, file_id, mapped, len(dialect.header), (r for _, r in rejected), reading)
        store.run("commit")
    except duckdb.Error:
        store.run("rollback")
        return None
    return Loaded(rows + len(rejected))


def _load_records(
    store: Store, kind: str, file_id: int, mapped: list[Mapped], width: int, records: Iterable[Record], reading: Reading
) -> Loaded:
    store.run("begin transaction")
    try:
        rows, shifts = _append_records(store, kind, file_id, mapped, width, records, reading)
        store.append("line_shifts", shifts.frame(file_id))
    except BaseException:
        store.run("rollback")
        raise
    store.run("commit")
    return Loaded(rows)


def _rejected(store: Store, path: Path, delimiter: str) -> list[tuple[int, Record]] | None:
    """The first byte and the cells of each record that DuckDB rejected; None where it lost its way between records.

    The cells are read from the file once more: the line that DuckDB hands back is cut when it is long.
    """
    kinds = "'CAST', 'MISSING COLUMNS', 'TOO MANY COLUMNS'"
    if store.scalar(f"select count(*) from rejects_in where error_type::varchar not in ({kinds})"):
        return None
    found = store.rows(
        "select line_byte_position, min(line), left(any_value(csv_line), 8) from rejects_in group by "
        "line_byte_position order by 1"
    )
    rejected = []
    with path.open("rb") as file:
        for place, line, text in found:
            # DuckDB counts from 1 and may begin at the line break before.
            start = place - 1 + len(text) - len(text.lstrip("\r\n"))
            file.seek(start - 1)
            if file.read(1) != b"\n":
                return None
            record = next(records_of((one.decode("utf-8") for one in iter(file.readline, b"")), delimiter), None)
            if record is None:
                return None
            rejected.append((start, Record(line, record.cells, record.broken)))
    return rejected


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


def _careful_columns(store: Store, dialect: Dialect, mapped: list[Mapped], reading: Reading) -> list[Mapped]:
    """Columns of which many sampled cells are not plain: these are read with care in one go, not record by record."""
    tested = [m for m in mapped if m.column.type != "text"]
    width = len(dialect.header)
    sample = [_fitted(Record(0, cells), width)[:width] for cells in dialect.sample]
    if not tested or not sample:
        return []
    store.db.register(
        "sample_in", pl.DataFrame(sample, schema={f"c{n}": pl.String for n in range(width)}, orient="row")
    )
    decimal = f"replace({{0}}, {literal(reading.decimal or '.')}, '.')"
    tests = []
    for one in tested:
        text = f"c{one.position}"
        if one.column.type == "number":
            text = decimal.format(text)
        cast = f"try_cast({text} as {plain_type(one.column)})"
        if one.column.type in ("date", "week") and reading.date_format:
            cast = f"try_strptime({text}, {literal(reading.date_format)})"
        tests.append(f"count({text}) filter (where {cast} is null) > 0.02 * count(*) + 1")
    try:
        many = store.rows(f"select {', '.join(tests)} from sample_in")[0]
    finally:
        store.db.unregister("sample_in")
    return [one for one, is_many in zip(tested, many, strict=True) if is_many]


def _append_records(
    store: Store, kind: str, file_id: int, mapped: list[Mapped], width: int, records: Iterable[Record], reading: Reading
) -> tuple[int, LineShifts]:
    schema = {f"c{n}": pl.String for n in range(width)} | {"ragged": pl.String}
    selected = f"{file_id}::integer as file_id, {careful_select(mapped, reading)}"
    insert = f"insert into landed_{kind} by name select {selected} from batch_in"
    rows, shifts, several = 0, LineShifts(), iter(records)
    while batch := list(islice(several, BATCH)):
        shifts.extend(rows, np.array([record.line for record in batch], np.int64))
        frame = pl.DataFrame([_fitted(r, width) for r in batch], schema=schema, orient="row")
        store.db.register("batch_in", frame)
        try:
            store.run(insert)
        finally:
            store.db.unregister("batch_in")
        rows += len(batch)
    return rows, shifts


def _fitted(record: Record, width: int) -> list[str | None]:
    """The record's cells at the header's width; a record that does not fit is kept as one text."""
    cells = [c.replace("\0", "\N{REPLACEMENT CHARACTER}") or None for c in record.cells]
    if record.broken or len(cells) < width or any(c and c.strip() for c in cells[width:]):
        return [None] * width + [",".join(c or "" for c in cells)]
    return [*cells[:width], None]
