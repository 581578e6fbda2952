"""The planned visits as iCalendar files, one per area, for the calendars technicians use (RFC 5545).

Each visit is an event over the days of its planned week, not a time: the day is the technician's to choose. Names of
files are running numbers, since an area's id may hold anything.
"""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from pathlib import Path

import icalendar

from pipeline.store import Store

PRODUCT = "-//foulcast//planned visits//EN"
LAST_LINE = b"END:VCALENDAR\r\n"
ESCAPED = re.compile(r"[\\;,\x00-\x1f\x7f]")  # RFC 5545, 3.3.11, and what is no text
LINE_OCTETS = 74  # RFC 5545, 3.1: at most 75 without the line break, the blank of a continued line among them
NOT_TEXT = dict.fromkeys((*range(9), 11, 12, 13, *range(14, 32), 127))  # RFC 5545, 3.1: no controls in text

# In the order of the files: one area after the other can then be read without looking at all.
PLANNED = """
    create or replace temp table planned_visits as
    select dense_rank() over (order by a.area_no, v.area_id) as number,
        coalesce(nullif(a.name, ''), v.area_id) as area, v.install_id, i.site_label, m.name as model, v.planned_week,
        v.due_on, v.expected_minutes, v.p_out_at_planned, v.leading_indicator, v.tasks, v.take_along
    from visit_plan v
    join current_installs i using (install_id)
    left join current_models m on m.model_id = v.model_id
    left join current_areas a on a.area_id = v.area_id
    where v.planned_week is not null
    order by number, v.planned_week, v.install_id
"""
AREAS = "select number, any_value(area) from planned_visits group by number order by number"
VISITS = "select * exclude (number, area) from planned_visits where number = ? order by planned_week, install_id"


def write_calendars(store: Store, folder: Path, working_days: int = 5) -> list[Path]:
    """Write visits-001.ics … into `folder`: one per area with planned visits, in the areas' order; returns the paths.

    working_days: an event lasts from Monday over this many days.
    Equal plans give equal bytes: identifiers come from install and week, time stamps from the data's date.
    """
    stamp = datetime.combine(date.fromisoformat(str(store.fact("as_of"))), time(), UTC).strftime("%Y%m%dT%H%M%SZ")
    folder.mkdir(parents=True, exist_ok=True)
    store.run(PLANNED)
    paths = []
    for number, name in store.rows(AREAS):
        calendar = icalendar.Calendar()
        calendar.add("prodid", PRODUCT)
        calendar.add("version", "2.0")
        calendar.add("calscale", "GREGORIAN")
        calendar.add("x-wr-calname", icalendar.vText(_clean(f"Boiler visits, {name}")))
        head = calendar.to_ical().removesuffix(LAST_LINE)
        path = folder / f"visits-{number:03}.ics"
        with path.open("wb") as file:
            file.write(head)
            for row in store.rows(VISITS, [number]):
                file.write(_event(row, stamp, working_days))
            file.write(LAST_LINE)
        paths.append(path)
    store.run("drop table planned_visits")
    return paths


def _event(row: tuple, stamp: str, working_days: int) -> bytes:
    # The package's own components take a millisecond each, which is minutes for a large fleet; its escaping does not.
    install, site, model, week, due, minutes, chance, leading, tasks, take = row
    lines = [f"Appliance: {model or 'unknown model'}", f"Expected: {minutes:.0f} minutes"]
    if leading:
        lines.append(f"Why now: {leading.replace('_', ' ')}" + (f", due {due.isoformat()}" if due else ""))
    if chance is not None:
        lines.append(f"Chance of being out of range by then: {100 * chance:.0f} %")
    lines += [f"- {part}" for part in (tasks or "").split(";") if part]
    if take:
        lines.append("Bring: " + ", ".join(take.split(";")))
    lines.append("Local code, the maker's instructions and licensed practice come first.")
    start, end = _days(week, working_days)
    place = _escaped(site) if site else ""
    content = [
        "BEGIN:VEVENT",
        f"UID:{hashlib.sha256(f'{install}|{week}'.encode()).hexdigest()[:32]}@foulcast.invalid",
        f"DTSTAMP:{stamp}",
        f"DTSTART;VALUE=DATE:{start}",
        f"DTEND;VALUE=DATE:{end}",
        _folded(f"SUMMARY:Boiler visit {_escaped(install)}" + (f"\\, {place}" if site else "")),
        *([_folded(f"LOCATION:{place}")] if site else []),
        _folded("DESCRIPTION:" + "\\n".join(_phrase(line) for line in lines)),
        "TRANSP:TRANSPARENT",
        "END:VEVENT\r\n",
    ]
    return "\r\n".join(content).encode()


@lru_cache(1000)
def _days(week: date, working_days: int) -> tuple[str, str]:
    """The first day and the day after the last one (RFC 5545, 3.6.1)."""
    return week.strftime("%Y%m%d"), (week + timedelta(days=working_days)).strftime("%Y%m%d")


def _folded(text: str) -> str:
    if len(text) <= LINE_OCTETS and text.isascii():
        return text
    line = text.encode()
    parts, start = [], 0
    while len(line) - start > LINE_OCTETS:
        end = start + LINE_OCTETS
        while line[end] & 0xC0 == 0x80:  # not inside a character
            end -= 1
        if line[end - 1] == 0x5C and line[end - 2] != 0x5C:  # nor, for readers' sake, inside an escape
            end -= 1
        parts.append(line[start:end])
        start = end
    return b"\r\n ".join([*parts, line[start:]]).decode()


def _clean(text: str) -> str:
    return text.translate(NOT_TEXT)


def _escaped(text: str) -> str:
    if ESCAPED.search(text) is None:
        return text
    return icalendar.vText(_clean(text)).to_ical().decode()


_phrase = lru_cache(10_000)(_escaped)  # the lines of a description are few, and come again and again
