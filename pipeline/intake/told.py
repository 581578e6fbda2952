"""rejected_rows and findings: what became of rows and cells, with file, line, column and the value as written."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.intake.cells import BLANKS
from pipeline.intake.lines import row_lines
from pipeline.schema import KINDS
from pipeline.store import Store, literal

LONGEST_VALUE = 500
# What the rules see is in our unit; what is told is in the unit the file is written in.
WRITTEN = """case when u.factor is null or s.rule not in ('impossible', 'unlikely') then s.written
    else coalesce(regexp_replace(round((try_cast(s.written as double) - u."offset") / u.factor, 4)::varchar,
                                 '\\.0$', ''), s.written) end"""


def write_told(store: Store) -> None:
    """Write rejected_rows and findings from set_aside_rows and finding_rows."""
    _with_lines(store)
    _write_rejected(store)
    _write_findings(store)
    store.run("drop table told_rows")


def _write_rejected(store: Store) -> None:
    """rejected_rows(file, line, column, value, reason, visit_id): every row that was not taken, and every file
    stopped."""
    store.run(
        f"""
        create or replace table rejected_rows as
        select f.name as file, s.line, nullif(s.cell, '') as "column", {_shortened("s.written")} as value,
            s.rule || ': ' || s.told as reason, {_shortened("s.visit_id")} as visit_id
        from told_rows s join input_files f using (file_id)
        where s.lost
        union all
        select name, 1, null, null, 'file_stopped: ' || message, null from input_files where status = 'stopped'
        order by all
        """
    )


def _write_findings(store: Store) -> None:
    """findings: doubtful, emptied and mended cells of rows that were taken."""
    with store.joins_as_written():
        store.run(
            f"""
            create or replace table findings as
            select f.name as file, s.line, nullif(s.cell, '') as "column", {_shortened(WRITTEN)} as value, s.rule,
                s.told || coalesce(' (written in ' || u.header || ')', '') as message, s.visit_id, s.stage, s.firing,
                coalesce(s.install_id, v.install_id) as install_id,
                v.technician_id, s.analyser_id, s.misleads
            from (from told_rows where not lost) s join input_files f using (file_id)
            left join file_units u on u.file_id = s.file_id and u.cell = s.cell
            left join (
                    select visit_id, install_id, technician_id
                    from current_visits semi join (from told_rows where not lost) using (visit_id)
                ) v
                on v.visit_id = s.visit_id
            order by all
            """
        )


def _shortened(text: str) -> str:
    return f"case when length({text}) > {LONGEST_VALUE} then left({text}, {LONGEST_VALUE}) || ' …' else {text} end"


def _with_lines(store: Store) -> None:
    """told_rows: the rows of both lists (those set aside are `lost`), with file_id, line and the keys that stand in the
    row."""
    both = (
        "select *, null::boolean as misleads, true as lost from set_aside_rows "
        "union all by name select *, false as lost from finding_rows"
    )
    parts = []
    for kind in KINDS:
        keys = ", ".join(
            f"trim(r.{k}::varchar, {literal(BLANKS)}) as {k}" if k in _own(kind) else f"null::varchar as {k}"
            for k in ("visit_id", "stage", "firing", "install_id", "analyser_id")
        )
        part = store.frame(
            f"select t.*, r.file_id, {keys} from (select * from ({both}) where kind = '{kind}') t "
            f"join raw_{kind} r on r.row = t.row"
        )
        if part.height:
            lines = row_lines(store, kind, part["row"].to_numpy())
            parts.append(part.with_columns(pl.Series("line", lines.astype(np.int32))))
    if parts:
        store.write("told_rows", pl.concat(parts))
    else:
        keys = "visit_id varchar, stage varchar, firing varchar, install_id varchar, analyser_id varchar"
        store.run(
            f"create or replace table told_rows as select *, null::integer as line, null::integer as "
            f"file_id from ({both}) limit 0"
        )
        store.run("".join(f"alter table told_rows add column {k};" for k in keys.split(", ")))


def _own(kind: str) -> set[str]:
    return {
        "visits": {"visit_id", "install_id"}, "readings": {"visit_id", "stage", "firing", "analyser_id"},
        "installs": {"install_id"},
    }.get(kind, set())  # fmt: skip
