"""seen_KIND: what was read, impossible cells emptied, keys and names trimmed; the ground of all checks.

The big tables are not copied: only rows that hold such a cell are, into mended_KIND; `seen_KIND` is a view over both.
"""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.intake.cells import BLANKS, KEY_LENGTH
from pipeline.schema import FOLDER_KINDS, Column, columns_of
from pipeline.store import Store, literal, quoted

LARGE_KINDS = (*FOLDER_KINDS, "installs")
# A test whose temperatures are all in °F although the columns say °C. Certain only together: heating water cannot be
# that
# hot, combustion air is not either, and every one of them is usual once converted.
TEMPERATURES = ("flue_temp_c", "air_temp_c", "supply_temp_c", "return_temp_c")
IN_FAHRENHEIT = """
(return_temp_c > 100 or supply_temp_c > 110) and air_temp_c between 46 and 140
and flue_temp_c between return_temp_c - 9 and 400
and coalesce(supply_temp_c, 140) between 41 and 230 and coalesce(return_temp_c, 120) between 36 and 212
"""


def make_seen(store: Store, kind: str) -> None:
    """Create seen_KIND (row, file_id, columns, odd) and, for large kinds, mended_KIND beneath it."""
    if kind in LARGE_KINDS:
        mend(store, kind)
        view_seen(store, kind)
    else:
        cleaned = _cleaned(kind)
        store.run(f"create or replace temp table seen_{kind} as select row, file_id, {cleaned}, odd from raw_{kind}")


def mend(store: Store, kind: str) -> None:
    """Write mended_KIND of a large kind."""
    columns = list(columns_of(kind).values())
    tests = [*unclean_tests(columns), *([f"({IN_FAHRENHEIT})"] if kind == "readings" else [])]
    unclean = " union all ".join(f"select row from raw_{kind} where {test}" for test in tests)
    store.run(f"create or replace temp table unclean_rows as select distinct row from ({unclean})")
    store.run(
        f"create or replace table mended_{kind} as select row, file_id, {_cleaned(kind)}, odd from raw_{kind} "
        "where row in (select row from unclean_rows) order by row"
    )


def _cleaned(kind: str) -> str:
    return ", ".join(f"{clean_sql(c)} as {quoted(c.column)}" for c in columns_of(kind).values())


def trim_unmatched(store: Store) -> None:
    """Readings whose visit is not found, and whose key has blanks around it, join the mended rows with the key
    trimmed."""
    # A table of its own: a condition on a common table expression is tested where its rows are read, here on all keys.
    store.run(
        "create or replace temp table unmatched_keys as "
        "select row, visit_id from raw_readings where row in (select row from unmatched_readings)"
    )
    store.run(
        "create or replace temp table unclean_rows as "
        "select row from unmatched_keys where row not in (select row from mended_readings) "
        f"and (strlen(visit_id) > {KEY_LENGTH} or visit_id <> trim(visit_id, {literal(BLANKS)})); "
        "drop table unmatched_keys"
    )
    if not store.scalar("select count(*) from unclean_rows"):
        return
    store.run(
        f"insert into mended_readings by name select row, file_id, {_cleaned('readings')}, odd from raw_readings "
        "where row in (select row from unclean_rows) order by row"
    )
    view_seen(store, "readings")


def view_seen(store: Store, kind: str) -> None:
    """(Re)create the view seen_KIND of a big table; call it again when mended_KIND has gained rows."""
    names = ", ".join(quoted(c) for c in columns_of(kind))
    raw = f"select row, file_id, {names}, odd from raw_{kind}"
    if store.scalar(f"select count(*) from mended_{kind}"):
        raw += (
            f" where row not in (select row from mended_{kind}) "
            f"union all select row, file_id, {names}, odd from mended_{kind}"
        )
    store.run(f"create or replace temp view seen_{kind} as {raw}")


def clean_sql(column: Column) -> str:
    """SQL of a raw cell, empty where it cannot be physical."""
    name = quoted(column.column)
    if column.kind == "readings" and column.column in TEMPERATURES:
        celsius = f"(case when {IN_FAHRENHEIT} then round(({name} - 32) / 1.8, 2) else {name} end)"
        return f"case when {celsius} <= {_high(column)} and {celsius} >= {_low(column)} then {celsius} end"
    if column.type in ("number", "date", "week"):
        inside = " and ".join(
            f"{name} {sign} {bound}" for sign, bound in (("<=", _high(column)), (">=", _low(column))) if bound
        )
        value = f"date_trunc('week', {name})::date" if column.type == "week" else name
        return f"case when {inside or f'isfinite({name})'} then {value} end"
    bare = f"trim({name}, {literal(BLANKS)})"
    if column.column == "fuel":
        bare = f"cell_word({name})"
    elif column.type == "text" and not column.need and column.kind not in FOLDER_KINDS:
        return f"nullif({bare}, '')"  # a name of blanks is none, and an exchanger design is one with and without them
    elif not (column.type == "text" and column.need):
        return name
    return f"case when strlen({name}) <= {KEY_LENGTH} then nullif({bare}, '') end" if column.need else bare


def unclean_tests(columns: list[Column]) -> Iterator[str]:
    """Conditions under which a raw row needs cleaning, each on one column, so that block statistics answer most of
    them."""
    for column in columns:
        name = quoted(column.column)
        if column.type in ("number", "date", "week"):
            yield from (
                f"{name} {sign} {bound}" for sign, bound in ((">", _high(column)), ("<", _low(column))) if bound
            )
            if not (_low(column) and _high(column)):
                yield f"not isfinite({name})"
        elif column.type == "text" and column.need and column.kind != "readings":
            # Blanks sort before '!', no-break spaces and byte order marks after '~'.
            yield f"{name} < '!'"
            yield f"{name} > '~'"
            yield f"strlen({name}) > {KEY_LENGTH} or right({name}, 1) in ({', '.join(map(literal, BLANKS))})"
        elif column.column == "fuel":
            yield f"{name} <> {clean_sql(column)}"
        elif column.type == "text" and column.kind not in FOLDER_KINDS:
            yield f"{name} < '!' or right({name}, 1) in ({', '.join(map(literal, BLANKS))})"


def _low(column: Column) -> str | None:
    if column.type in ("date", "week"):
        return f"date '{column.years[0]}-01-01'"
    return None if column.low is None else repr(column.low)


def _high(column: Column) -> str | None:
    if column.type in ("date", "week"):
        return f"date '{column.years[1]}-12-31'"
    return None if column.high is None else repr(column.high)
