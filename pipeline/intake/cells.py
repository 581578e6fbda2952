"""From a cell's text to a typed value in SI, as SQL: one expression for the value and one that keeps what was odd.

Two steps per cell: the plain cast, which nearly every cell takes, and where it gives nothing the careful reading of
00_cells.sql. What the plain cast did not take is kept beside the row as written, and the checks say what became of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.intake.headers import Mapped
from pipeline.schema import FOLDER_KINDS, Column, columns_of
from pipeline.store import AS_BYTES, literal, quoted

KEY_LENGTH = 200
KEPT_TEXT = 1000
BLANKS = " \t\r\n\xa0\ufeff"
RAGGED, SHORT = "", "…"
"""In the place of a cell's name: the whole record does not fit the header; it lacks its last cells only."""
ODD_TYPE = "struct(cell varchar, written varchar)[]"
SQL_TYPES = {
    "text": "varchar", "choice": "varchar", "number": "double", "date": "date", "week": "date", "boolean": "boolean",
}  # fmt: skip
# How people repeat a column's unit behind the number; regular expressions on lower-cased text without blanks.
REPEATED_UNITS = {
    "°C": "°?c", "%": "%|vol%|%vol", "ppm": "ppm", "kPa": "kpa", "kW": "kw", "µA": "[µμu]a", "s": "s|sec|seconds",
    "h": "h|hrs|hours", "min": "min|mins|minutes", "m": "m", "mg/L": "mg/l", "kg": "kg", "pH": "ph",
    "months": "months", "share": "",
}  # fmt: skip
OTHER_UNITS = {"f": "°?f", "psi": "psi|psig", "bar": "bar", "kbtuh": "kbtu/?h", "ft": "ft", "gpg": "gpg", "lb": "lbs?"}


@dataclass(frozen=True)
class Reading:
    """File-wide conventions that decide what a cell's text means.

    dates_dressed: a time of day, blanks or a last dot stand about its dates.
    """

    decimal: str = "."
    date_format: str | None = None
    dates_dressed: bool = False


def cell_sql(mapped: Mapped, text: str, reading: Reading, digits: str | None = None) -> tuple[str, str]:
    """SQL of the value, and of whether the cell was odd, for the cell whose text is the SQL expression `text`.

    digits: a column that holds the cell_digits of a number already; worked out in place where there is none.
    """
    column = mapped.column
    if column.type == "text":
        return _text(column, text)
    if column.type == "choice":
        return _choice(column, text)
    if column.type == "boolean":
        value = f"coalesce(try_cast({text} as boolean), cell_boolean({text}))"
        return value, f"({text} is not null and {value} is null and not cell_is_blank({text}))"
    number = column.type == "number"
    plain, careful = _number(mapped, text, reading, digits) if number else _date(column, text, reading)
    return f"coalesce({plain}, {careful})", f"({text} is not null and ({plain}) is null and not cell_is_blank({text}))"


def absent_keys_sql(mapped: Sequence[Mapped]) -> list[str]:
    """The defaults of key columns that a file does not hold, as SQL columns. To leave one out says what an empty cell
    does."""
    there = {one.column.column for one in mapped}
    columns = columns_of(mapped[0].column.kind).values()
    return [
        f"{literal(c.default)} as {quoted(c.column)}" for c in columns if c.need and c.default and c.column not in there
    ]


def plain_part(mapped: Mapped, text: str, reading: Reading) -> str | None:
    """SQL of the plain half of `cell_sql`'s value; None where a column has no such half. Where it reads a cell, that is
    the value, and nothing was odd."""
    column = mapped.column
    if column.type == "boolean":
        return f"try_cast({text} as boolean)"
    if column.type == "number":
        return _number(mapped, text, reading, "''")[0]
    return _date(column, text, reading)[0] if column.type in ("date", "week") else None


def beyond_plain_query(mapped: list[Mapped], reading: Reading, source: str) -> str:
    """The query of one row that tells for each of `mapped` whether a source's cells want more than a plain cast."""
    told = []
    for one in mapped:
        text = f"c{one.position}"
        part = plain_part(one, text, reading)
        told.append(f"coalesce(bool_or({text} is not null and {part} is null), false)" if part else "true")
    return f"select {', '.join(told)} from {source}"


def plain_type(column: Column) -> str:
    """The type DuckDB reads a plain cell as; a cell that is not of it is rejected and read with care."""
    if column.type == "choice":
        return "ENUM(" + ", ".join(literal(word) for word in column.allowed) + ")"
    return SQL_TYPES[column.type].upper()


def plain_sql(mapped: Mapped, name: str) -> str:
    """SQL of the value in SI of a cell that DuckDB read with its plain type. Ranges are left to the checks."""
    if mapped.column.default:
        return (
            f"coalesce({name}::varchar, {literal(mapped.column.default)})"
            if mapped.column.type != "number"
            else (f"coalesce({unit_sql(mapped, name)}, {mapped.column.default})")
        )
    return unit_sql(mapped, name) if mapped.column.type == "number" else name


def _digits(mapped: Mapped, text: str) -> str:
    other = mapped.header_is_other_unit
    repeated = OTHER_UNITS.get(mapped.unit.name) if other else REPEATED_UNITS.get(mapped.column.unit, "")
    return f"cell_digits({text}, {literal(repeated or '')})"


def odd_number_sql(text: str) -> str:
    """SQL of whether a cell holds what DuckDB takes within a number and nobody writes there, as 5_0 or +-5."""
    return f"contains({text}, '_') or contains({text}, '+-')"


def _plain_number(text: str, reading: Reading) -> str:
    odd = odd_number_sql(text)
    if reading.decimal == ",":
        return f"try_cast(case when not ({odd} or contains({text}, '.')) then replace({text}, ',', '.') end as double)"
    return f"try_cast(case when not ({odd}) then {text} end as double)"


def _number(mapped: Mapped, text: str, reading: Reading, digits: str | None) -> tuple[str, str]:
    column, cast = mapped.column, _plain_number(text, reading)
    careful = f"digits_number({digits or _digits(mapped, text)}, {literal(reading.decimal)})"
    return _in_range(column, unit_sql(mapped, cast)), _in_range(column, unit_sql(mapped, careful))


def unit_sql(mapped: Mapped, number: str) -> str:
    factor, offset = mapped.unit.factor, mapped.unit.offset
    if (factor, offset) == (1.0, 0.0):
        return number
    # Rounded so that 122 °F is 50 °C and not 49.99999999999999: limits are compared with it.
    return f"round(({number}) * {factor!r} + {offset!r}, 6)"


def _in_range(column: Column, number: str) -> str:
    if column.low is None or column.high is None:
        return f"(case when isfinite({number}) then {number} end)"
    return f"(case when {number} between {column.low!r} and {column.high!r} then {number} end)"


def _date(column: Column, text: str, reading: Reading) -> tuple[str, str]:
    iso = f"try_cast({text} as date)"
    cast, careful = iso, f"coalesce({iso}, cell_date({text}))"
    if written := reading.date_format:
        short, long = written.replace("%Y", "%y"), written.replace("%y", "%Y")
        day = f"cell_day({text})"
        cast = f"try_strptime({day if reading.dates_dressed else text}, {literal(written)})::date"
        # The short one first: the long one takes 24 for the year 24.
        careful = f"coalesce({iso}, try_strptime({day}, [{literal(short)}, {literal(long)}])::date, cell_date({text}))"
    first, last = column.years
    low, high = f"{first}-01-01", f"{last}-12-31"

    def bounded(date: str) -> str:
        return f"(case when {date} between date '{low}' and date '{high}' then {date} end)"

    if column.type == "week":
        return (
            f"(case when date_trunc('week', {cast}) = {cast} then {bounded(cast)} end)",
            f"date_trunc('week', {bounded(careful)})::date",
        )
    return bounded(cast), bounded(careful)


def _choice(column: Column, text: str) -> tuple[str, str]:
    words = ", ".join(literal(w) for w in column.allowed)
    value = (
        f"(case when {text} in ({words}) then {text} when cell_word({text}) in ({words}) then cell_word({text}) end)"
    )
    odd = f"({text} is not null and {value} is null and trim({text}) <> '')"
    return _with_default(column, value, text), odd


def _text(column: Column, text: str) -> tuple[str, str]:
    trimmed = f"nullif(trim({text}, {literal(BLANKS)}), '')" if column.need else f"nullif({text}, '')"
    if column.column == "fuel":
        trimmed = f"nullif(cell_word({text}), '')"
    if not column.need and column.column != "fuel":
        return trimmed, "false"
    value = f"(case when strlen({text}) <= {KEY_LENGTH} then {trimmed} end)"
    return _with_default(column, value, text), f"coalesce(strlen({text}) > {KEY_LENGTH}, false)"


def _with_default(column: Column, value: str, text: str) -> str:
    if not column.default:
        return value
    return f"(case when {text} is null or trim({text}) = '' then {literal(column.default)} else {value} end)"


def careful_query(
    mapped: list[Mapped], reading: Reading, source: str, beyond_plain: Sequence[bool], some_short: bool = False
) -> str:
    """The query that turns text columns c0, c1 … of a source into the columns of a raw table.

    source: also has file_id, `ragged`, the whole record where its cells do not fit the header, and `short`, whether it
    may be that its last cells were left out: it is, where all others are what they should be.   beyond_plain: what
    `beyond_plain_query` tells of it; to plan the careful reading costs more than to do it for a few records. The digits
    of numbers that are not plain are worked out beneath, once: written out wherever they are looked at, they would make
    this the largest statement of all.   some_short: whether any record is.
    """
    values, odd, digits = [], [], []
    for one, careful in zip(mapped, beyond_plain, strict=True):
        text, number = f"c{one.position}", f"digits_{one.position}"
        if not careful:
            values.append(f"{plain_part(one, text, reading)} as {quoted(one.column.column)}")
            continue
        if one.column.type == "number":
            unread = f"{_plain_number(text, reading)} is null"
            digits.append(f", case when {unread} then {_digits(one, text)} end as {number}")
        value, is_odd = cell_sql(one, text, reading, number)
        values.append(f"{value} as {quoted(one.column.column)}")
        if is_odd != "false":
            odd.append((is_odd, one.column.column, text))
    if some_short:
        fits = "short" + "".join(f" and not coalesce({is_odd}, false)" for is_odd, _, _ in odd)
        odd = [(f"(ragged is not null and not ({fits}))", RAGGED, "ragged"), (f"({fits})", SHORT, "ragged"), *odd]
    else:
        odd.insert(0, ("(ragged is not null)", RAGGED, "ragged"))
    selected = ",\n    ".join(["file_id", *values, *absent_keys_sql(mapped), f"{odd_sql(odd)} as odd"])
    return f"select {selected}\nfrom (select *{''.join(digits)} from {source})"


def odd_sql(odd: list[tuple[str, str, str]]) -> str:
    """SQL of the list of odd cells, null where there is none; odd: (test, column, text) for each cell."""
    if not odd:
        return f"null::{ODD_TYPE}"
    any_odd = " or ".join(test for test, _, _ in odd)
    cells = ", ".join(
        f"case when {test} then {{'cell': {literal(name)}, 'written': left({text}, {KEPT_TEXT})}} end"
        for test, name, text in odd
    )
    return f"case when {any_odd} then list_filter([{cells}], lambda x: x is not null)::{ODD_TYPE} end"


def landed_table_sql(kind: str, columns: list[Column]) -> str:
    """DDL of a landing table: one row per record, in the order of the file; the record number is the row's place."""
    typed = "".join(f", {quoted(c.column)} {raw_type(c)}{_stored(c)}" for c in columns)
    return f"create or replace table landed_{kind} (file_id integer{typed}, odd {ODD_TYPE})"


def _stored(column: Column) -> str:
    """How a column of the large tables is written. Names as they are: nearly every visit and install has its own; a
    dictionary of them saves two thirds of their space, and to make it takes a quarter of the time in which the whole
    table is written. Words and truth values as the bytes they are: to pack bits takes longer than to write them."""
    plain = column.type in ("choice", "boolean") or (column.type == "text" and column.need)
    if column.kind == "installs":
        plain = column.column in ("install_id", "site_label")
    elif column.kind not in FOLDER_KINDS:
        plain = False
    return AS_BYTES if plain else ""


def raw_type(column: Column) -> str:
    """A closed list of words is stored as such: a byte a cell."""
    return plain_type(column) if column.type == "choice" else SQL_TYPES[column.type]
