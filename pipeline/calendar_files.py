"""The planned visits as iCalendar files, one per area, for the calendars technicians use (RFC 5545).

Each visit is an event over the working days of its planned week, not a time: the day is the technician's to choose.
Names of files are running numbers, since an area's id may hold anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, time
from pathlib import Path

import polars as pl

from pipeline.calendar_events import COLUMNS, AreaCalendar
from pipeline.csv_rows import coded, texts_of
from pipeline.store import Store
from pipeline.units import masses_shown

PLANNED = """
    select a.area_no, v.area_id, coalesce(nullif(a.name, ''), v.area_id) as area, v.install_no, v.install_id,
        left(sha256(v.install_id || '|' || v.planned_week::varchar), 32) as uid,
        nullif(trim(i.site_label), '') as site_label, m.name as model, v.planned_week, v.due_on::varchar as due_on,
        v.expected_minutes, v.p_out_at_planned, v.leading_indicator, v.tasks, v.take_along
    from (select * replace ({coded}) from visit_plan) v
    join current_installs i using (install_no)
    left join current_models m on m.model_id = v.model_id
    left join current_areas a on a.area_id = v.area_id
    where v.planned_week is not null
"""
WORDS = ("leading_indicator", "tasks", "take_along")  # of the plan: few texts, each on thousands of visits
NAMES = ("area_id", "area", "model")


def area_calendars(store: Store, folder: Path, worked: Sequence[int]) -> list[AreaCalendar]:
    """visits-001.ics … as pieces of work: one per area with planned visits, in the areas' order.

    worked: the weekdays that are worked, in their order, Monday being 0; an event lasts from the first to the last.
    Equal plans give equal bytes: identifiers come from install and week, time stamps from the data's date.
    """
    stamp = datetime.combine(date.fromisoformat(str(store.fact("as_of"))), time(), UTC).strftime("%Y%m%dT%H%M%SZ")
    folder.mkdir(parents=True, exist_ok=True)
    texts = {name: texts_of(store, "visit_plan", name) for name in WORDS}
    codes = ", ".join(coded(name, some) for name, some in texts.items())
    texts["take_along"] = [masses_shown(text, store.fact("units") or "si") for text in texts["take_along"]]
    planned = store.frame(PLANNED.format(coded=codes)).cast(dict.fromkeys(NAMES, pl.Categorical))
    planned = planned.with_columns(
        pl.Series(name, some, dtype=pl.Categorical).gather(planned[name]) for name, some in texts.items()
    )
    parts = planned.partition_by("area_no", "area_id", as_dict=True)
    known_first = sorted(parts, key=lambda area: (area[0] is None, *area))
    return [
        AreaCalendar(
            folder / f"visits-{number:03}.ics",
            parts[area]["area"][0],
            parts[area].select(*COLUMNS, "install_no").sort("planned_week", "install_no"),
            stamp,
            worked,
        )
        for number, area in enumerate(known_first, start=1)
    ]
