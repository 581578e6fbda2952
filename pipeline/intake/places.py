"""visit_no, test_no and their places: which landed row is which visit or test, without copying the rows.

*_places has one row per landed row, in the same order: the line, install_no, and visit_no or test_no (-1: set aside,
replaced, in mended_*, or dead). test_no is visit_no times 4, plus 2 as left, plus 1 at low fire: one whole number where
three columns would be joined.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.intake import aside, repeats
from pipeline.intake.seen import trim_unmatched
from pipeline.store import Store

NOWHERE = -1
DAY_BITS = 20


def place_visits(store: Store, lines: np.ndarray) -> np.ndarray:
    """Check the visits and write visit_places and taken_mended_visits; returns the install_no of each visit_no.

    lines: of all rows of landed_visits.   Reads seen_visits.
    """
    found = store.db.sql(
        f"""
        select v.row, coalesce(i.install_no, {NOWHERE}) as install_no,
            (v.visited_on - date '1970-01-01')::integer as day, v.burner_hours
        from seen_visits v left join current_installs i on i.install_id = v.install_id
        """
    ).fetchnumpy()
    row, install = np.asarray(found["row"]), np.asarray(found["install_no"])
    _write_unmatched(store, "visits", row[install == NOWHERE])
    aside.set_aside(store, "visits")
    repeats.settle(store, "visits", repeats.repeats_by_key(store, "visits"), lines)
    lost = np.zeros(len(lines), bool)
    lost[_set_aside(store, "visits")] = True
    kept = ~lost[row]
    row, install, day = row[kept], install[kept], np.asarray(found["day"])[kept]
    burner_hours = np.ma.filled(np.ma.asarray(found["burner_hours"]), np.nan)[kept]
    packed = (install.astype(np.int64) << DAY_BITS) + (day + (1 << (DAY_BITS - 1)))
    order = np.argsort(packed, kind="stable")
    order = _settle_ties(store, order, packed, row)
    row, install = row[order], install[order]
    _tell_counters_back(store, row, install, burner_hours[order])
    visit_no, install_no = np.full(len(lines), NOWHERE, np.int32), np.full(len(lines), NOWHERE, np.int32)
    visit_no[row], install_no[row] = np.arange(len(row), dtype=np.int32), install
    mended = _take_mended(store, "visits", {"visit_no": visit_no, "install_no": install_no, "line": lines})
    visit_no[mended] = NOWHERE
    write_places(store, "visit", pl.DataFrame({"visit_no": visit_no, "install_no": install_no, "line": lines}))
    return install


def write_places(store: Store, what: str, places: pl.DataFrame) -> None:
    """visit_places or reading_places; the numbers fill most of their bits, and lie in no order."""
    store.write(f"{what}_places", places, [name for name in places.columns if name != "line"])


def _tell_counters_back(store: Store, row: np.ndarray, install: np.ndarray, hours: np.ndarray) -> None:
    """A finding for each counter below that of the install's visit before. They are taken: a control swap sets them
    back."""
    known = np.flatnonzero(np.isfinite(hours))
    row, install, hours = row[known], install[known], hours[known]
    back = 1 + np.flatnonzero((install[1:] == install[:-1]) & (hours[1:] < hours[:-1]))
    if not len(back):
        return
    told = pl.DataFrame({"row": row[back], "written": hours[back], "before": hours[back - 1]}).select(
        pl.lit("visits").alias("kind"),
        "row", pl.lit("counter_back").alias("rule"), pl.lit("burner_hours").alias("cell"),
        pl.format("{}", pl.col("written").round(1)).str.strip_suffix(".0").alias("written"),
        pl.format(
            "the visit before reads {}: a counter that was swapped or set back, or a typing error",
            pl.format("{}", pl.col("before").round(1)).str.strip_suffix(".0"),
        ).alias("told"),
        pl.lit(False).alias("misleads"),
    )  # fmt: skip
    store.append("finding_rows", told)


def _settle_ties(store: Store, order: np.ndarray, packed: np.ndarray, row: np.ndarray) -> np.ndarray:
    """Visits of one install on one day stand in order of visit_id."""
    in_order = packed[order]
    same = np.flatnonzero(in_order[1:] == in_order[:-1])
    if not len(same):
        return order
    at = np.unique(np.concatenate([same, same + 1]))
    tied = pl.DataFrame({"at": at, "row": row[order[at]], "packed": in_order[at], "index": order[at]})
    store.write("tied_rows", tied)
    settled = store.frame(
        'select t."index" from tied_rows t join seen_visits v on v.row = t.row order by t.packed, v.visit_id, t.row'
    )
    store.run("drop table tied_rows")
    order = order.copy()
    order[at] = settled["index"].to_numpy()
    return order


def _take_mended(store: Store, kind: str, numbers: dict[str, np.ndarray]) -> np.ndarray:
    """Write taken_mended_KIND: the mended rows that were taken, with their `numbers`; returns all mended rows.

    numbers: visit_no and others, of each landed row.
    """
    mended = store.frame(f"select row from mended_{kind} order by row")["row"].to_numpy()
    of_mended = {name: number[mended] for name, number in numbers.items()}
    store.write("mended_numbers", pl.DataFrame({"row": mended, **of_mended}))
    store.run(
        f"create or replace table taken_mended_{kind} as select * from mended_{kind} join mended_numbers using (row) "
        "where visit_no >= 0 order by row; drop table mended_numbers"
    )
    return mended


JOIN_VISITS = """
select r.row, v.visit_no, ((r.stage = 'as_left')::utinyint * 2 + (r.firing = 'low')::utinyint)::utinyint as code
from {joined} on v.visit_id = r.visit_id
"""
ALL_READINGS = "seen_readings r join taken_visits v"
TRIMMED_READINGS = """taken_visits v
join (select * from mended_readings where row in (select row from unmatched_readings)) r"""
"""What stands last is held in memory."""


def place_readings(store: Store, lines: np.ndarray, install_of_visit: np.ndarray) -> pl.DataFrame:
    """Check the readings and write taken_mended_readings; returns what is to be written as reading_places.

    lines: of all rows of landed_readings.   install_of_visit: install_no by visit_no.   Reads seen_readings.
    """
    store.run(
        """
        create or replace temp view taken_visits as
        select v.visit_id, p.visit_no from landed_visits v positional join visit_places p where p.visit_no >= 0
        union all select visit_id, visit_no from taken_mended_visits
        """
    )
    visit_no, code = np.full(len(lines), NOWHERE, np.int32), np.zeros(len(lines), np.uint8)
    _join_visits(store, ALL_READINGS, visit_no, code)
    _write_unmatched(store, "readings", np.flatnonzero(visit_no == NOWHERE))
    if (visit_no == NOWHERE).any():
        trim_unmatched(store)
        with store.joins_as_written():
            _join_visits(store, TRIMMED_READINGS, visit_no, code)
        _write_unmatched(store, "readings", np.flatnonzero(visit_no == NOWHERE))
    aside.set_aside(store, "readings")
    visit_no[_set_aside(store, "readings")] = NOWHERE
    _settle_repeats(store, visit_no, code, lines)
    test_no = np.where(visit_no >= 0, visit_no * 4 + code, NOWHERE).astype(np.int32)
    install_no = np.append(install_of_visit, NOWHERE).astype(np.int32)[visit_no]  # the last for what stands nowhere
    numbers = {"visit_no": visit_no, "test_no": test_no, "install_no": install_no, "line": lines}
    test_no[_take_mended(store, "readings", numbers)] = NOWHERE
    return pl.DataFrame({"test_no": test_no, "install_no": install_no, "line": lines})


def _join_visits(store: Store, joined: str, visit_no: np.ndarray, code: np.ndarray) -> None:
    found = store.db.sql(JOIN_VISITS.format(joined=joined)).fetchnumpy()
    row = np.asarray(found["row"])
    visit_no[row] = np.asarray(found["visit_no"])
    code[row] = np.ma.filled(found["code"], 0)


def _write_unmatched(store: Store, kind: str, row: np.ndarray) -> None:
    """unmatched_KIND: the rows whose install or visit was not found."""
    store.run(f"create or replace temp table unmatched_{kind} (row bigint)")
    if len(row):
        store.append(f"unmatched_{kind}", pl.DataFrame({"row": row}))


def _set_aside(store: Store, kind: str) -> np.ndarray:
    return store.frame("select row from set_aside_rows where kind = ?", [kind])["row"].to_numpy()


def _settle_repeats(store: Store, visit_no: np.ndarray, code: np.ndarray, lines: np.ndarray) -> None:
    """Of the tests of one visit, stage and firing the last is taken. No table of keys is built: a test finds another
    where it left its own row."""
    test_no = np.where(visit_no >= 0, visit_no * 4 + code, NOWHERE)
    row_of, row = np.zeros(test_no.max(initial=NOWHERE) + 2, np.int32), np.arange(len(test_no), dtype=np.int32)
    row_of[test_no] = row  # what stands nowhere shares the last place
    replaced = (row_of[test_no] != row) & (test_no >= 0)
    if replaced.any():
        again = np.zeros(len(row_of), bool)
        again[test_no[replaced]] = True
        repeats.settle(store, "readings", repeats.rows_of(store, "readings", np.flatnonzero(again[test_no])), lines)
        visit_no[_set_aside(store, "readings")] = NOWHERE
