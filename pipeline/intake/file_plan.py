"""How a file is read, decided from its head: its columns, its conventions, and which cells want care."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import duckdb

from pipeline.errors import FleetError
from pipeline.intake.cells import Reading, odd_number_sql
from pipeline.intake.dates import date_style_of
from pipeline.intake.dialect import SAMPLE_RECORDS, Bytes, Dialect, dialect_of, text_lines
from pipeline.intake.folder import path_sql
from pipeline.intake.headers import Mapped, map_headers
from pipeline.intake.records import bounded_lines, records_of
from pipeline.intake.workbook import other_sheets, workbook_records
from pipeline.settings import Settings
from pipeline.store import Store, literal

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


@dataclass(frozen=True)
class FilePlan:
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


def plan_of(file: Arrival, settings: Settings) -> FilePlan:
    columns = settings.columns.get(file.kind, {})
    if file.path.suffix.lower() == ".xlsx":
        rows = [record.cells for record in workbook_records(file.path, file.name)]
        if not rows:
            raise FleetError(f"{file.name}: its first sheet is empty. Write the column names into the first row.")
        header, under = rows[0], rows[1:]
        mapped, unknown = map_headers(file.name, file.kind, header, columns)
        reading = Reading(".", *date_style_of(file.name, under[:SAMPLE_RECORDS], lambda: under, mapped))
        return FilePlan(file, tuple(mapped), tuple(unknown), len(header), reading, None)
    dialect = dialect_of(file.name, file.scanned)
    mapped, unknown = map_headers(file.name, file.kind, dialect.header, columns)
    style = date_style_of(file.name, dialect.sample, lambda: _records(file.path, dialect), mapped)
    reading = Reading(dialect.decimal, *style)
    odd = _odd_columns(file, dialect, mapped) if dialect.plain and file.scanned.odd_numbers else ()
    careful = tuple(_careful_columns(dialect, mapped, reading, odd)) if dialect.plain else ()
    return FilePlan(file, tuple(mapped), tuple(unknown), len(dialect.header), reading, dialect, careful)


def _records(path: Path, dialect: Dialect) -> Iterator[list[str]]:
    with text_lines(path, dialect.encoding) as lines:
        yield from (record.cells for record in records_of(bounded_lines(lines), dialect.delimiter))


def notes_of(plan: FilePlan) -> list[str]:
    notes = []
    if plan.dialect is None:
        if sheets := other_sheets(plan.file.path):
            more = " …" if len(sheets) > 6 else ""
            notes.append(f"only its first sheet is read, not {', '.join(sheets[:6])}{more}")
    elif plan.reading.decimal == ",":
        notes.append("numbers were read with a decimal comma")
    if plan.reading.date_format:
        shown = plan.reading.date_format.replace("%d", "day").replace("%m", "month")
        shown = shown.replace("%Y", "year").replace("%y", "year")
        notes.append(f"dates were read as {shown}")
    if plan.unknown:
        more = " …" if len(plan.unknown) > 12 else ""
        notes.append(f"columns not known and left out: {', '.join(plan.unknown[:12])}{more}")
    return notes


def csv_source(paths: Sequence[Path], delimiter: str, types: Sequence[str], options: Mapping[str, str]) -> str:
    """SQL of what DuckDB reads from plain CSV files as columns c0, c1 … of these types."""
    columns = ", ".join(f"'c{n}': $${type_}$$" for n, type_ in enumerate(types))
    told = {
        "auto_detect": "false", "header": "true", "delim": literal(delimiter), "quote": "'\"'", "escape": "'\"'",
        "columns": f"{{{columns}}}", **options,
    }  # fmt: skip
    return f"read_csv([{', '.join(map(path_sql, paths))}], {', '.join(f'{k} = {v}' for k, v in told.items())})"


def _odd_columns(file: Arrival, dialect: Dialect, mapped: Iterable[Mapped]) -> Sequence[Mapped]:
    """The columns of numbers in which DuckDB would read what nobody writes as one; names may hold such marks, too."""
    numbers = [one for one in mapped if one.column.type == "number"]
    if not numbers:
        return numbers
    source = csv_source([file.path], dialect.delimiter, ["VARCHAR"] * len(dialect.header), {"ignore_errors": "true"})
    odd = ", ".join(f"bool_or({odd_number_sql(f'c{one.position}')})" for one in numbers)
    try:
        with Store.open(None) as store:
            told = store.rows(f"select {odd} from {source}")[0]
    except duckdb.Error:
        return numbers
    return [one for one, is_odd in zip(numbers, told, strict=True) if is_odd]


def _careful_columns(
    dialect: Dialect, mapped: Iterable[Mapped], reading: Reading, known: Sequence[Mapped]
) -> list[Mapped]:
    """Columns of which many sampled cells are not plain: these are read with care in one go, not record by record.

    known: columns that are to be in any case.
    """
    step = max(1, len(dialect.sample) // TRIED)
    sample = dialect.sample[::step]
    careful = []
    for one in mapped:
        if one in known:
            careful.append(one)
        elif one.column.type != "text":
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
