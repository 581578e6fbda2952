"""The planned visits as iCalendar files, one per area, for the calendars technicians use (RFC 5545).

Each visit is an event over the days of its planned week, not a time: the day is the technician's to choose. Names of
files are running numbers, since an area's id may hold anything.
"""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import icalendar

from pipeline.store import Store

PRODUCT = "-//foulcast//planned visits//EN"
LAST_LINE = b"END:VCALENDAR\r\n"
LINE_OCTETS = 74  # RFC 5545, 3.1: at most 75 without the line break, the blank of a continued line among them
NOT_TEXT = dict.fromkeys((*range(9), 11, 12, 13, *range(14, 32), 127))  # RFC 5545, 3.1: no controls in text

AREAS = """
    select coalesce(a.area_no, 0) as area_no, v.area_id, coalesce(nullif(any_value(a.name), ''), v.area_id) as name
    from visit_plan v left join current_areas a using (area_id) where v.planned_week is not null
    group by a.area_no, v.area_id order by a.area_no, v.area_id
"""
VISITS = """
    select v.install_id, i.site_label, m.name, v.planned_week, v.due_on, v.expected_minutes, v.p_out_at_planned,
        v.leading_indicator, v.tasks, v.take_along
    from visit_plan v join current_installs i using (install_id) left join current_models m on m.model_id = v.model_id
    where v.area_id = ? and v.planned_week is not null
    order by v.planned_week, v.install_id
"""


def write_calendars(store: Store, folder: Path, working_days: int = 5) -> list[Path]:
    """Write visits-001.ics … into `folder`: one per area with planned visits, in the areas' order; returns the paths.

    working_days: an event lasts from Monday over this many days.
    Equal plans give equal bytes: identifiers come from install and week, time stamps from the data's date.
    """
    stamp = datetime.combine(date.fromisoformat(str(store.fact("as_of"))), time(), UTC)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for number, (_, area_id, name) in enumerate(store.rows(AREAS), start=1):
        calendar = icalendar.Calendar()
        calendar.add("prodid", PRODUCT)
        calendar.add("version", "2.0")
        calendar.add("calscale", "GREGORIAN")
        calendar.add("x-wr-calname", icalendar.vText(_clean(f"Boiler visits, {name}")))
        head = calendar.to_ical().removesuffix(LAST_LINE)
        path = folder / f"visits-{number:03}.ics"
        with path.open("wb") as file:
            file.write(head)
            for row in store.rows(VISITS, [area_id]):
                file.write(_event(row, stamp, working_days))
            file.write(LAST_LINE)
        paths.append(path)
    return paths


def _event(row: tuple, stamp: datetime, working_days: int) -> bytes:
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
    end = week + timedelta(days=working_days)  # the first day after it: RFC 5545, 3.6.1
    content = [
        "BEGIN:VEVENT",
        f"UID:{hashlib.sha256(f'{install}|{week}'.encode()).hexdigest()[:32]}@foulcast.invalid",
        f"DTSTAMP:{stamp:%Y%m%dT%H%M%SZ}",
        f"DTSTART;VALUE=DATE:{week:%Y%m%d}",
        f"DTEND;VALUE=DATE:{end:%Y%m%d}",
        "SUMMARY:" + _escaped(f"Boiler visit {install}" + (f", {site}" if site else "")),
        *(["LOCATION:" + _escaped(site)] if site else []),
        "DESCRIPTION:" + _escaped("\n".join(lines)),
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
    ]
    return b"".join(_folded(line.encode()) + b"\r\n" for line in content)


def _folded(line: bytes) -> bytes:
    parts, start = [], 0
    while len(line) - start > LINE_OCTETS:
        end = start + LINE_OCTETS
        while line[end] & 0xC0 == 0x80:  # not inside a character
            end -= 1
        if line[end - 1] == 0x5C and line[end - 2] != 0x5C:  # nor, for readers' sake, inside an escape
            end -= 1
        parts.append(line[start:end])
        start = end
    return b"\r\n ".join([*parts, line[start:]])


def _clean(text: str) -> str:
    return text.translate(NOT_TEXT)


def _escaped(text: str) -> str:
    return icalendar.vText(_clean(text)).to_ical().decode()
