"""A Parquet file into its landing table. Columns that are typed are taken as such; text is read with care, as a cell.

A file may lie in hive-style folders (visits/year=2024/…): a folder's value counts where its name is a column of ours
that the file does not hold. The line of a record is its row number, the first being 1.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from urllib.parse import unquote

import duckdb
import pyarrow as pa

from pipeline.errors import FleetError
from pipeline.intake.cells import Reading, absent_keys_sql, cell_sql, odd_sql, unit_sql
from pipeline.intake.folder import path_sql
from pipeline.intake.headers import Mapped, map_headers, plain_header
from pipeline.schema import headers_of
from pipeline.settings import Settings
from pipeline.store import Store, literal, quoted

NO_VALUE = "__HIVE_DEFAULT_PARTITION__"
NUMBERS = re.compile(r"(U?(TINY|SMALL|BIG|HUGE)INT|U?INTEGER|FLOAT|DOUBLE|DECIMAL.*)")
FRACTIONS = re.compile(r"FLOAT|DOUBLE|DECIMAL.*")
OFFSET = re.compile(r"([+-])(\d{2}):?(\d{2})")
TYPED = {
    "number": NUMBERS, "date": re.compile(r"DATE|TIMESTAMP.*"), "week": re.compile(r"DATE|TIMESTAMP.*"),
    "boolean": re.compile(r"BOOLEAN"),
}  # fmt: skip


def header_of(store: Store, kind: str, path: Path, name: str, settings: Settings) -> dict[str, tuple[str, str]]:
    """Header -> (SQL of the cell, its type), hive-style folders included."""
    try:
        told = store.rows(f"describe select * from {_source(path)}")
    except duckdb.Error as error:
        raise _unreadable(name, error) from error
    found = {header: (quoted(header), type_) for header, type_, *_ in told}
    ours = {plain_header(h) for h in (*headers_of(kind), *settings.columns.get(kind, {}))}
    held = {plain_header(header) for header in found}
    for key, value in _folders(name):
        if plain_header(key) in ours - held:
            found[key] = (f"{literal(value)}::varchar" if value is not None else "null::varchar", "VARCHAR")
    return found


def sample_of(path: Path, name: str, rows: int) -> tuple[list[str], list[list[str]]]:
    """The columns of a file and the first cells under them, as text."""
    with Store.open(None) as store:
        try:
            frame = store.frame(f"select columns(*)::varchar from {_source(path)} limit {rows}")
        except duckdb.Error as error:
            raise _unreadable(name, error) from error
    return frame.columns, [[cell or "" for cell in row] for row in frame.rows()]


def land_parquet(
    store: Store, kind: str, file_id: int, path: Path, name: str, settings: Settings
) -> tuple[int, list[str]]:
    """Append the rows of a file to landed_KIND; returns their number and what is to be told.

    Raises FleetError where the whole file cannot be taken.
    """
    header = header_of(store, kind, path, name, settings)
    mapped, unknown = map_headers(name, kind, list(header), settings.columns.get(kind, {}))
    cells, values, odd, zones = list(header.values()), [], [], _zones(path)
    for one in mapped:
        cell, type_ = cells[one.position]
        if type_ == "TIMESTAMP WITH TIME ZONE":  # else the day would be that of the machine that reads it
            cell = _in_zone(cell, zones.get(cell, "UTC"))
        value, odd_cell = _value(one, cell, type_)
        values.append(f"{value} as {quoted(one.column.column)}")
        if odd_cell:
            odd.append(odd_cell)
    absent = absent_keys_sql(mapped)
    selected = ", ".join([f"{file_id}::integer as file_id", *values, *absent, f"{odd_sql(odd)} as odd"])
    store.run("begin transaction")
    try:
        rows = int(store.scalar(f"insert into landed_{kind} by name select {selected} from {_source(path)}"))
        if rows:
            store.run("insert into line_shifts values (?, 0, -1)", [file_id])
        for one in mapped:
            if one.header_is_other_unit:
                unit = [file_id, one.column.column, one.header, one.unit.factor, one.unit.offset]
                store.run("insert into file_units values (?, ?, ?, ?, ?)", unit)
    except duckdb.Error as error:
        store.run("rollback")
        raise _unreadable(name, error) from error
    store.run("commit")
    more = " …" if len(unknown) > 12 else ""
    return rows, [f"columns not known and left out: {', '.join(unknown[:12])}{more}"] if unknown else []


def _zones(path: Path) -> dict[str, str]:
    """The time zone of each column that names one, by the SQL of its cell. The format itself keeps instants only; what
    Arrow writes beside them tells where they were days."""
    from pyarrow import parquet  # a run without such files need not wait for it

    told = parquet.read_schema(path)
    zones = {quoted(field.name): field.type.tz for field in told if pa.types.is_timestamp(field.type)}
    return {cell: zone for cell, zone in zones.items() if zone}


def _in_zone(cell: str, zone: str) -> str:
    """SQL of the day and time that an instant is in a zone: one by name, or hours and minutes from UTC."""
    if offset := OFFSET.fullmatch(zone):
        sign, hours, minutes = offset.groups()
        return f"(timezone('UTC', {cell}) {sign} interval '{60 * int(hours) + int(minutes)} minutes')"
    return f"timezone({literal(zone)}, {cell})"


def _text(cell: str, type_: str) -> str:
    """SQL of a cell as a spreadsheet would show it: text that was written as bytes, whole numbers without decimals."""
    if type_ == "BLOB":
        return f"coalesce(try(decode({cell})), try_cast({cell} as varchar))"
    text = f"try_cast({cell} as varchar)"
    return f"regexp_replace({text}, '\\.0+$', '')" if FRACTIONS.fullmatch(type_) else text


def _value(one: Mapped, cell: str, type_: str) -> tuple[str, tuple[str, str, str] | None]:
    """SQL of the value in SI; and of the test, the column and the text of a cell that may be odd."""
    column = one.column
    typed = TYPED.get(column.type)
    if typed is not None and typed.fullmatch(type_):
        if column.type == "number":
            # Limits are compared with the decimal number that a float of 32 bits was made from, not the nearest double.
            number = f"{cell}::varchar" if type_ == "FLOAT" else cell
            value = unit_sql(one, f"try_cast({number} as double)")
            return (f"coalesce({value}, {column.default})" if column.default else value), None
        if column.type in ("date", "week"):
            return f"try_cast({cell} as date)", None
        return (f"coalesce({cell}, {literal(column.default)}::boolean)" if column.default else cell), None
    text = _text(cell, type_)
    if column.type == "text":
        value = f"nullif({text}, '')"
        return (f"coalesce({value}, {literal(column.default)})" if column.default else value), None
    value, is_odd = cell_sql(one, text, Reading("."))
    return value, (is_odd, column.column, text)


def _source(path: Path) -> str:
    return f"read_parquet({path_sql(path)}, hive_partitioning = false)"


def _folders(name: str) -> Iterator[tuple[str, str | None]]:
    for part in PurePosixPath(name).parent.parts:
        key, equals, value = part.partition("=")
        if equals and key:
            yield unquote(key), None if value == NO_VALUE else unquote(value)


def _unreadable(name: str, error: duckdb.Error) -> FleetError:
    why = str(error).splitlines()[0][:200]
    return FleetError(f"{name}: cannot be read as Parquet ({why}). Write the file again, or take it away.")
