"""Files into their landing tables: DuckDB reads what is plain CSV, anything else is read record by record.

Every file comes in by one of two ways: `_land_plain`, one statement for all plain files that are read alike, and
`_land_records`, which takes the cells of any source as text.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from itertools import islice
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipeline.errors import FleetError
from pipeline.intake.cells import Reading, beyond_plain_query, careful_query, cell_sql, odd_sql, plain_sql, plain_type
from pipeline.intake.dates import date_format_of
from pipeline.intake.dialect import Bytes, Dialect, dialect_of, text_lines
from pipeline.intake.headers import Mapped, map_headers
from pipeline.intake.lines import LineShifts, record_places, shifts_of_simple_file
from pipeline.intake.parquet import land_parquet
from pipeline.intake.records import Record, records_of
from pipeline.intake.workbook import other_sheets, workbook_records
from pipeline.schema import FOLDER_KINDS
from pipeline.settings import Settings
from pipeline.store import Store, literal, quoted

BATCH = 20_000
BUFFER = 64_000_000  # pieces of a file that become rows at once; smaller ones leave more half-filled blocks behind
TRIED = 100  # sampled cells of a column that are tried
ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
BOOLEANS = {"true", "false", "t", "f", "1", "0"}


@dataclass(frozen=True)
class Arrival:
    """A file that is to be read: its number, where it is, its name in the fleet folder, and its bytes."""

    file_id: int
    kind: str
    path: Path
    name: str
    scanned: Bytes


@dataclass
class Loaded:
    """What became of one file."""

    rows: int = 0
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class _Plan:
    """How a file is read, decided from its head. dialect: None for a workbook."""

    file: Arrival
    mapped: tuple[Mapped, ...]
    unknown: tuple[str, ...]
    width: int
    reading: Reading
    dialect: Dialect | None
    careful: tuple[Mapped, ...] = ()

    @property
    def alike(self) -> tuple[object, ...]:
        """Files for which this is the same are scanned together."""
        assert self.dialect is not None
        return self.dialect.delimiter, self.width, self.reading, self.mapped, self.careful


def load_files(store: Store, arrivals: Sequence[Arrival], settings: Settings) -> dict[int, Loaded | FleetError]:
    """Append the rows of files to the landing tables; by file_id what became of each.

    A file that cannot be taken as a whole comes back as the error that says why.
    """
    done: dict[int, Loaded | FleetError] = {}
    plans: dict[int, _Plan] = {}
    for file in arrivals:
        try:
            if file.path.suffix.lower() == ".parquet":
                done[file.file_id] = Loaded(
                    *land_parquet(store, file.kind, file.file_id, file.path, file.name, settings)
                )
            else:
                plans[file.file_id] = _plan(file, settings)
        except FleetError as error:
            done[file.file_id] = error
    landed = _land_kinds(store, [plan for plan in plans.values() if plan.dialect and plan.dialect.plain])
    for n, plan in plans.items():
        try:
            loaded = Loaded(landed[n] if n in landed else _land_file(store, plan))
            loaded.notes += _notes(plan)
            done[n] = loaded
        except FleetError as error:
            done[n] = error
    _write_units(store, [plan for n, plan in plans.items() if isinstance(done[n], Loaded)])
    return done


def _land_kinds(store: Store, plans: list[_Plan]) -> dict[int, int]:
    """`_land_plain` for each kind, the two large ones side by side with a thread each.

    Several threads in one statement would cut a table into portions of their own, which DuckDB puts together and writes
    anew when it closes the store; one thread fills block after block.
    """
    by_kind: dict[str, list[_Plan]] = {}
    for plan in plans:
        by_kind.setdefault(plan.file.kind, []).append(plan)

    def landed(of_kind: list[_Plan]) -> dict[int, int]:
        with store.beside() as own:
            own.run_file("00_cells.sql")
            return _land_plain(own, of_kind)

    large = [of_kind for kind, of_kind in by_kind.items() if kind in FOLDER_KINDS]
    done = [_land_plain(store, of_kind) for kind, of_kind in by_kind.items() if kind not in FOLDER_KINDS]
    with store.one_thread(), ThreadPoolExecutor(2) as pool:
        done += pool.map(landed, large)
    return {n: rows for of_kind in done for n, rows in of_kind.items()}


def _plan(file: Arrival, settings: Settings) -> _Plan:
    columns = settings.columns.get(file.kind, {})
    if file.path.suffix.lower() == ".xlsx":
        header = next(workbook_records(file.path, file.name), None)
        if header is None:
            raise FleetError(f"{file.name}: its first sheet is empty. Write the column names into the first row.")
        mapped, unknown = map_headers(file.name, file.kind, header.cells, columns)
        return _Plan(file, tuple(mapped), tuple(unknown), len(header.cells), Reading("."), None)
    dialect = dialect_of(file.name, file.scanned)
    mapped, unknown = map_headers(file.name, file.kind, dialect.header, columns)
    reading = Reading(dialect.decimal, date_format_of(file.name, file.path, dialect, mapped))
    careful = tuple(_careful_columns(dialect, mapped, reading)) if dialect.plain else ()
    return _Plan(file, tuple(mapped), tuple(unknown), len(dialect.header), reading, dialect, careful)


def _notes(plan: _Plan) -> list[str]:
    notes = []
    if plan.dialect is None:
        if sheets := other_sheets(plan.file.path):
            more = " …" if len(sheets) > 6 else ""
            notes.append(f"only its first sheet is read, not {', '.join(sheets[:6])}{more}")
    elif plan.reading.decimal == ",":
        notes.append("numbers were read with a decimal comma")
    if plan.reading.date_format:
        shown = plan.reading.date_format.replace("%d", "day").replace("%m", "month").replace("%Y", "year")
        notes.append(f"dates were read as {shown}")
    if plan.unknown:
        more = " …" if len(plan.unknown) > 12 else ""
        notes.append(f"columns not known and left out: {', '.join(plan.unknown[:12])}{more}")
    return notes


def _write_units(store: Store, plans: Iterable[_Plan]) -> None:
    units = [
        (plan.file.file_id, one.column.column, one.header, one.unit.factor, one.unit.offset)
        for plan in plans
        for one in plan.mapped
        if one.header_is_other_unit
    ]
    if units:
        schema = {
            "file_id": pl.Int32, "cell": pl.String, "header": pl.String, "factor": pl.Float64, "offset": pl.Float64,
        }  # fmt: skip
        store.append("file_units", pl.DataFrame(units, schema=schema, orient="row"))


def _land_plain(store: Store, plans: list[_Plan]) -> dict[int, int]:
    """Let DuckDB read plain files of one kind with plain types; the records it rejects are then read with care.

    One statement for all that are alike, the most first: what comes in small portions is written to disk twice. Returns
    the rows by file_id; a file in which it does not see the records that are there is missing (and nothing of it is
    appended).
    """
    while plans:
        store.run("begin transaction")
        try:
            landed, unclear = _land_together(store, plans)
            if not unclear:
                store.run("commit")
                return landed
            store.run("rollback")
        except duckdb.Error as error:
            store.run("rollback")
            if isinstance(error, duckdb.BinderException | duckdb.CatalogException | duckdb.ParserException):
                raise  # the statement is wrong, not a file
            if len(plans) > 1:  # which of them it was is not told
                return {n: rows for plan in plans for n, rows in _land_plain(store, [plan]).items()}
            return {}
        plans = [plan for plan in plans if plan.file.file_id not in unclear]
    return {}


def _land_together(store: Store, plans: list[_Plan]) -> tuple[dict[int, int], set[int]]:
    groups: dict[object, list[_Plan]] = {}
    for plan in plans:
        groups.setdefault(plan.alike, []).append(plan)
    alike = sorted(groups.values(), key=lambda group: -sum(plan.file.scanned.size for plan in group))
    kind, numbers = plans[0].file.kind, [plan.file.file_id for plan in plans]
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
            _append_records(store, group[0], ((p.file.file_id, r) for p in group for _, r in rejected[p.file.file_id]))
    return {n: rows[n] + len(rejected[n]) for n in numbers if n not in unclear}, unclear


def _plain_select(group: list[_Plan], place: int) -> str:
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
    columns = ", ".join(f"'c{n}': $${type_}$$" for n, type_ in types.items())
    options = {
        "auto_detect": "false", "header": "true", "delim": literal(dialect.delimiter),
        "quote": "'\"'", "escape": "'\"'",
        "columns": f"{{{columns}}}", "buffer_size": str(BUFFER), "strict_mode": "true", "store_rejects": "true",
        "rejects_table": f"'rejects_{place}'", "rejects_scan": f"'rejects_scan_{place}'", "rejects_limit": "0",
    }  # fmt: skip
    if plan.reading.decimal == ",":
        options["decimal_separator"] = "','"
    if plan.reading.date_format:
        options["dateformat"] = literal(plan.reading.date_format)
    numbers = ", ".join(str(one.file.file_id) for one in group)
    paths = ", ".join(literal(one.file.path) for one in group)
    file_id = f"([{numbers}][file_index::bigint + 1])::integer as file_id"
    selected = ", ".join([file_id, *values, f"{odd_sql(odd)} as odd"])
    return f"select {selected} from read_csv([{paths}], {', '.join(f'{k} = {v}' for k, v in options.items())})"


def _rejected(store: Store, group: list[_Plan], place: int) -> dict[int, list[tuple[int, Record]]]:
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


def _read_again(plan: _Plan, places: list[tuple[int, int, str]]) -> list[tuple[int, Record]] | None:
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
            records.append((start, Record(line, record.cells, record.broken)))
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


def _land_file(store: Store, plan: _Plan) -> int:
    """Append the records of one file, read one by one; returns their number."""
    if plan.dialect is None:
        records = workbook_records(plan.file.path, plan.file.name)
        next(records, None)
        return _land_records(store, plan, records)
    with text_lines(plan.file.path, plan.dialect.encoding) as lines:
        records = records_of(lines, plan.dialect.delimiter)
        next(r for r in records if r.line >= plan.dialect.header_line)
        return _land_records(store, plan, records)


def _land_records(store: Store, plan: _Plan, records: Iterable[Record]) -> int:
    """Append records of text under the plan's header, whatever they come from; returns their number."""
    n = plan.file.file_id
    store.run("begin transaction")
    try:
        rows, shifts = _append_records(store, plan, ((n, record) for record in records))
        store.append("line_shifts", shifts.frame(n))
    except BaseException:
        store.run("rollback")
        raise
    store.run("commit")
    return rows


def _append_records(store: Store, plan: _Plan, records: Iterable[tuple[int, Record]]) -> tuple[int, LineShifts]:
    """Append (file_id, record) read as `plan` says; returns their number and lines, as if of one file."""
    schema = {f"c{n}": pl.String for n in range(plan.width)} | {"ragged": pl.String}
    mapped = list(plan.mapped)
    known = next((one.position for one in plan.mapped if one.column.column == "visit_id"), None)
    rows, shifts, several = 0, LineShifts(), iter(records)
    while batch := list(islice(several, BATCH)):
        shifts.extend(rows, np.array([record.line for _, record in batch], np.int64))
        frame = pl.DataFrame([_fitted(r, plan.width, known) for _, r in batch], schema=schema, orient="row")
        store.db.register("batch_in", frame.with_columns(pl.Series("file_id", [n for n, _ in batch], pl.Int32)))
        try:
            beyond_plain = store.rows(beyond_plain_query(mapped, plan.reading, "batch_in"))[0]
            query = careful_query(mapped, plan.reading, "batch_in", beyond_plain)
            store.run(f"insert into landed_{plan.file.kind} by name {query}")
        finally:
            store.db.unregister("batch_in")
        rows += len(batch)
    return rows, shifts


def _fitted(record: Record, width: int, visit_id: int | None = None) -> list[str | None]:
    """The record's cells at the header's width; a record that does not fit is kept as one text.

    visit_id: where that column stands; kept even then if it is the first, which no cell too many can have moved.
    """
    cells = [c.replace("\0", "\N{REPLACEMENT CHARACTER}") or None for c in record.cells]
    if record.broken or len(cells) < width or any(c and c.strip() for c in cells[width:]):
        kept: list[str | None] = [None] * width
        if visit_id == 0 and not record.broken and len(cells) > 1:
            kept[0] = cells[0]
        return [*kept, ",".join(c or "" for c in cells)]
    return [*cells[:width], None]


def _careful_columns(dialect: Dialect, mapped: Iterable[Mapped], reading: Reading) -> list[Mapped]:
    """Columns of which many sampled cells are not plain: these are read with care in one go, not record by record."""
    step = max(1, len(dialect.sample) // TRIED)
    sample = dialect.sample[::step]
    careful = []
    for one in mapped:
        if one.column.type != "text":
            cells = Counter(cells[one.position] for cells in sample if one.position < len(cells))
            odd = sum(n for cell, n in cells.items() if cell and not _is_plain(one, cell, reading))
            if odd > 0.02 * len(sample) + 1:
                careful.append(one)
    return careful


def _is_plain(one: Mapped, cell: str, reading: Reading) -> bool:
    """Whether DuckDB will probably read a cell with its plain type."""
    kind = one.column.type
    try:
        if kind == "number":
            float(cell.replace(reading.decimal or ".", "."))
        elif kind in ("date", "week") and reading.date_format:
            datetime.strptime(cell.strip(), reading.date_format)
        elif kind in ("date", "week"):
            return ISO_DATE.fullmatch(cell) is not None
        else:
            return cell in one.column.allowed if kind == "choice" else cell.lower() in BOOLEANS
    except ValueError:
        return False
    return True
