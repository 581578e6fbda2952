"""Rows set aside and findings: declared in columns.csv and sql/20_checks, gathered here by row."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from pipeline.intake.cells import BLANKS, KEY_LENGTH, RAGGED, SHORT
from pipeline.schema import Column, columns_of, keys_of
from pipeline.store import Store, literal, quoted, sql_text

RULE = re.compile(r"-- (\w+): (.+)")
DOES = re.compile(r"does: (set aside|finding|mend)")


@dataclass(frozen=True)
class Check:
    """One file of sql/20_checks: its rule, and whether it sets rows aside or tells of them."""

    kind: str
    rule: str
    does: str
    sql: str


@cache
def checks() -> tuple[Check, ...]:
    """The declared checks by file name; the name begins with the kind of rows they look at."""
    return tuple(_read_checks())


def _read_checks() -> Iterator[Check]:
    for name in sorted(p.name for p in (files("sql") / "20_checks").iterdir() if p.name.endswith(".sql")):
        text = sql_text(f"20_checks/{name}")
        rule, does = RULE.match(text), DOES.search(text)
        if rule is None or does is None:
            raise ValueError(f"sql/20_checks/{name}: its header names no rule or not what it does")
        yield Check(name.split("_")[0], rule.group(1), does.group(1), text)


def begin(store: Store) -> None:
    """Empty lists: set_aside_rows and finding_rows, by kind and row."""
    columns = "kind varchar, row bigint, rule varchar, cell varchar, written varchar, told varchar"
    store.run(f"create or replace temp table set_aside_rows ({columns})")
    store.run(f"create or replace temp table finding_rows ({columns}, misleads boolean)")


def set_aside(store: Store, kind: str) -> None:
    """Run the checks that set rows of a kind aside, in one statement. The first rule a row breaks is the one told."""
    queries = [*_needed(kind), *_declared(kind, "set aside")]
    found = " union all by name ".join(f"(select {n} as place, * from ({query}))" for n, query in enumerate(queries))
    store.run(
        f"insert into set_aside_rows select {literal(kind)}, row, rule, cell, written, told from ({found}) "
        "qualify row_number() over (partition by row order by place) = 1"
    )


def find(store: Store, kind: str) -> None:
    """Run the checks that tell of rows of a kind that were taken, in one statement."""
    queries = [*_odd(store, kind), *_impossible(store, kind), *_unlikely(kind), *_declared(kind, "finding")]
    if not queries:
        return
    found = " union all by name ".join(f"({query})" for query in queries)
    store.run(
        f"insert into finding_rows select {literal(kind)}, row, rule, cell, written, told, misleads from ({found}) "
        f"where row not in (select row from set_aside_rows where kind = {literal(kind)})"
    )


def _declared(kind: str, does: str) -> Iterator[str]:
    for check in checks():
        if check.kind == kind.split("_")[0] and check.does == does:
            yield f"select {literal(check.rule)} as rule, * from (\n{check.sql}\n)"


def _needed(kind: str) -> Iterator[str]:
    """A record that does not fit the header, and cells that must be there: keys, dates, the install."""
    yield (
        "select row, 'cells' as rule, '' as cell, odd[1].written as written, "
        "'the line does not have as many cells as the header, or its quotes do not close' as told "
        f"from seen_{kind} where odd is not null and list_contains(list_transform(odd, lambda o: o.cell), '{RAGGED}')"
    )
    cells = [c for c in columns_of(kind).values() if c.need]
    nothing = " and ".join(f"{quoted(c)} is null" for c in columns_of(kind))
    yield (
        f"select row, 'empty' as rule, '' as cell, null as written, 'nothing is written in this row' as told "
        f"from seen_{kind} where {' and '.join(quoted(k) + ' is null' for k in keys_of(kind))} and odd is "
        f"null and {nothing}"
    )
    for column in cells:
        name = quoted(column.column)
        odd = f"list_filter(s.odd, lambda o: o.cell = '{column.column}')[1].written"
        written = f"coalesce({odd}, {_shown(column, 'r.' + name)})"
        empty, number = f"{written} is null", "false"
        if column.type == "text":
            empty += f" or trim({written}, {literal(BLANKS)}) = ''"
        if column.type == "number":
            number = f"r.{name} is not null or cell_number({written}, '', '') is not null"
        yield (
            f"select s.row, "
            f"case when {empty} then 'missing' when {number} then 'impossible' else 'unreadable' end as rule, "
            f"'{column.column}' as cell, {written} as written, "
            f"case when {empty} then 'the cell is empty and the row cannot be placed without it' "
            f"else {_not_taken(column, written)} end as told "
            f"from (select * from seen_{kind} where {name} is null) s join raw_{kind} r on r.row = s.row"
        )


def _not_taken(column: Column, written: str) -> str:
    """SQL of what is said of a cell that must be there and is not one of its column's."""
    if column.type in ("date", "week"):
        years = "{} to {}".format(*column.years)
        return (
            f"case when cell_is_two_dates({written}) then 'it can be read as day/month and as month/day' "
            f"when cell_is_like_date({written}, {column.years[0]}, {column.years[1]}) "
            f"then 'there is no such day in the calendar' else 'what is written is no date from {years}' end "
            "|| '; write it as 2024-01-31'"
        )
    if column.type == "number":
        return literal(f"possible are {_range(column.low, column.high, column.unit)}")
    if column.allowed:
        return literal(f"what is written is not allowed here; allowed are {', '.join(column.allowed)}")
    return literal(f"a name is at most {KEY_LENGTH} bytes long")


def _odd(store: Store, kind: str) -> Iterator[str]:
    """Cells that the plain cast did not take: read after all, or left empty."""
    if not store.rows(f"select 1 from raw_{kind} where odd is not null limit 1"):
        return
    columns = [c for c in columns_of(kind).values() if c.type != "text"]
    value = " ".join(f"when {literal(c.column)} then {_shown(c, quoted(c.column))}" for c in columns)
    unread = " ".join(f"when {literal(c.column)} then {literal(_unread(c))}" for c in columns)
    possible = " ".join(f"when {literal(c.column)} then {literal(_possible(c))}" for c in columns if c.type == "number")
    possible = f"case cell {possible} end" if possible else "null::varchar"
    impossible = f"({possible} is not null and cell_number(written, '', '') is not null)"
    yield (
        f"select row, if(is_short, '', cell) as cell, written, false as misleads, "
        f"case when is_short then 'short_row' when value is not null then 'mended' "
        f"when cell_says_nothing(written) then 'not_recorded' when {impossible} then 'impossible' "
        f"else 'unreadable' end as rule, "
        f"case when is_short then 'the row ends before the header does; what is missing is taken as not recorded' "
        f"when value is not null then 'read as ' || value || coalesce(', and it is ' || cell_bound(written) || "
        f"' than that', '') when cell_says_nothing(written) then 'taken as not recorded' "
        f"when {impossible} then {possible} else case cell {unread} end end as told "
        f"from (select row, cell, cell = '{SHORT}' as is_short, written, case cell {value} end as value "
        f"from (select *, unnest(odd, recursive := true) from seen_{kind} where odd is not null)) "
        f"where cell <> '{RAGGED}'"
    )


def _impossible(store: Store, kind: str) -> Iterator[str]:
    """Numbers that cannot be physical; seen_KIND has them empty, raw_KIND as they were."""
    source = f"mended_{kind}" if store.has(f"mended_{kind}") else f"seen_{kind}"
    numbers = [column for column in columns_of(kind).values() if column.type == "number"]
    if not numbers or not store.scalar(f"select count(*) from {source}"):
        return
    cells = []
    for column in numbers:
        name = quoted(column.column)
        cells.append(
            f"case when s.{name} is null and r.{name} is not null then {{'cell': {literal(column.column)}, "
            f"'written': {_shown(column, 'r.' + name)}, 'no_number': isnan(r.{name}), "
            f"'possible': {literal(_possible(column))}}} end"
        )
    # One look at the few rows with all their cells: to plan a statement for each column takes longer.
    yield (
        "select row, cell, written, false as misleads, case when no_number then 'not_recorded' else 'impossible' end "
        "as rule, case when no_number then 'taken as not recorded' else possible end as told from ("
        f"select s.row, unnest(list_filter([{', '.join(cells)}], lambda x: x is not null), recursive := true) "
        f"from {source} s join raw_{kind} r on r.row = s.row)"
    )


def _unread(column: Column) -> str:
    what = {"number": "a number", "choice": "a word known here", "boolean": "true or false"}.get(column.type, "a date")
    allowed = f"; allowed are {', '.join(column.allowed)}" if column.allowed else ""
    return f"what is written is not {what}{allowed}; the cell is left empty"


def _possible(column: Column) -> str:
    return f"possible are {_range(column.low, column.high, column.unit)}; the cell is left empty"


def _shown(column: Column, name: str) -> str:
    """SQL of a value as text; 12.0 as 12."""
    return f"regexp_replace({name}::varchar, '\\.0$', '')" if column.type == "number" else f"{name}::varchar"


def _range(low: float | None, high: float | None, unit: str) -> str:
    if low is None or high is None:
        return "finite numbers"
    return f"{low:.10g} to {high:.10g} {unit}".strip()


def _unlikely(kind: str) -> Iterator[str]:
    for column in columns_of(kind).values():
        name = quoted(column.column)
        usual = literal(f"usual are {_range(column.likely_low, column.likely_high, column.unit)}; kept as written")
        for sign, bound in ((">", column.likely_high), ("<", column.likely_low)):
            if bound is not None:
                yield (
                    f"select row, 'unlikely' as rule, {literal(column.column)} as cell, "
                    f"{_shown(column, name)} as written, "
                    f"{usual} as told, true as misleads from seen_{kind} where {name} {sign} {bound!r}"
                )
