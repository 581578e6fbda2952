"""check: every row read is taken, replaced or set aside, and what was doubtful is told."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from functools import partial

import numpy as np

from pipeline.errors import FleetError
from pipeline.intake import aside
from pipeline.intake.lines import all_lines
from pipeline.intake.places import place_readings, place_visits, write_places
from pipeline.intake.reference import take_reference
from pipeline.intake.seen import mend, view_seen
from pipeline.intake.told import write_told
from pipeline.schema import FOLDER_KINDS, KINDS, columns_of
from pipeline.settings import Settings
from pipeline.stages.read import keep_warnings
from pipeline.store import Store
from pipeline.store_threads import Work, in_threads


@dataclass
class CheckReport:
    """What the check stage did, counted in rows.

    accepted, replaced, duplicate, set_aside: by kind. findings: by rule. warnings: sentences worth telling.
    """

    as_of: date
    accepted: dict[str, int] = field(default_factory=dict)
    replaced: dict[str, int] = field(default_factory=dict)
    duplicate: dict[str, int] = field(default_factory=dict)
    set_aside: dict[str, int] = field(default_factory=dict)
    findings: dict[str, int] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        return (
            f"{self.accepted['visits']:,} visits and {self.accepted['readings']:,} readings taken; "
            f"{sum(self.set_aside.values()):,} rows set aside, {sum(self.replaced.values()):,} replaced, "
            f"{sum(self.duplicate.values()):,} duplicates; {sum(self.findings.values()):,} findings"
        )


def check(store: Store, settings: Settings, as_of: date | None, today: date) -> CheckReport:
    """Write current_*, rejected_rows, findings and the fact as_of.

    as_of: the day the forecast is made for; None: the newest visit that is taken. today: nothing after it is taken.
    Raises FleetError where a reference table leaves nothing to work with, and for an as_of in no year of dates here.
    """
    first, last = columns_of("visits")["visited_on"].years
    if as_of is not None and not first <= as_of.year <= last:
        raise FleetError(f"--as-of {as_of}: give a day from {first} to {last}, as 2024-01-31.")
    warnings: list[str] = []
    store.run_file("00_cells.sql")
    aside.begin(store)
    store.run(f"set variable last_day = '{as_of or today}'")
    lines = _prepare(store, settings, warnings)
    places = place_readings(store, lines["readings"], place_visits(store, lines["visits"]))
    in_threads(store, [Work(lambda own: write_places(own, "reading", places)), Work(lambda _: _find(store))])
    store.run_file("30_current.sql")
    newest = store.scalar("select max(visited_on) from current_visits")
    if newest is None:
        warnings.append("no visit was taken; there is nothing to forecast from, and visits fall due by their interval.")
    else:
        warnings += unrecorded_work(store)
    report = CheckReport(as_of=as_of or newest or today, warnings=warnings)
    store.set_fact("as_of", report.as_of.isoformat())
    write_told(store)
    keep_warnings(store, "check", warnings)
    _count(store, report)
    return report


def _prepare(store: Store, settings: Settings, warnings: list[str]) -> dict[str, np.ndarray]:
    """Take the reference tables, and beside that look what is to be mended of the others and in which lines these lie;
    returns the lines. The lists of rows are of the store's own connection, as what is temporary is."""

    def look_at(kind: str, own: Store) -> np.ndarray:
        mend(own, kind)
        return all_lines(own, kind)

    looks = [Work(partial(look_at, kind)) for kind in FOLDER_KINDS]
    _, *lines = in_threads(store, [Work(lambda _: take_reference(store, settings, warnings)), *looks])
    for kind in FOLDER_KINDS:
        view_seen(store, kind)
    return dict(zip(FOLDER_KINDS, lines, strict=True))


def _find(store: Store) -> None:
    for kind in FOLDER_KINDS:
        aside.find(store, kind)


WORK = {
    "exchanger_cleaning": ("flue over return and CO", "current_readings", ("flue_temp_c", "co_ppm", "co_air_free_ppm")),
    "electrodes_cleaned": ("the flame current", "current_readings", ("flame_current_ua",)),
    "trap_cleaned": ("the trap's drain time", "current_visits", ("trap_drain_found_s", "trap_drain_left_s")),
    "media_renewed": ("the condensate's pH", "current_visits", ("condensate_ph_found", "condensate_ph_left")),
}
"""What work sets back, and where that is read."""


def unrecorded_work(store: Store) -> list[str]:
    """What is to be said of work that no visit writes down, though its readings are."""
    recorded = store.rows(f"select {', '.join(f'count({column})' for column in WORK)} from current_visits")[0]
    told = []
    for (column, (what, table, read)), rows in zip(WORK.items(), recorded, strict=True):
        if not rows and store.scalar(f"select greatest({', '.join(f'count({c})' for c in read)}) from {table}"):
            told.append(
                f"visits: {column} is empty in every row. Work sets {what} back, and without it drift is told "
                "too low. Record it, or name your own column under [columns.visits] in fleet.toml."
            )
    return told


def _count(store: Store, report: CheckReport) -> None:
    read = dict(store.rows("select kind, sum(rows)::bigint from input_files group by kind"))
    lost: dict[tuple[str, str], int] = {}
    for kind, rule, count in store.rows("select kind, rule, count(*) from set_aside_rows group by all"):
        what = rule if rule in ("replaced", "duplicate") else "set_aside"
        lost[kind, what] = lost.get((kind, what), 0) + count
    for kind in KINDS:
        for what in ("replaced", "duplicate", "set_aside"):
            getattr(report, what)[kind] = lost.get((kind, what), 0)
        report.accepted[kind] = read.get(kind, 0) - sum(n for (k, _), n in lost.items() if k == kind)
    report.findings = dict(store.rows("select rule, count(*) from findings group by rule order by rule"))
