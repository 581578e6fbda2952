"""Visits as text of an iCalendar file (RFC 5545), one event each; made in any process, without the store."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path

import icalendar
import polars as pl

PRODUCT = "-//foulcast//planned visits//EN"
LAST_LINE = "END:VCALENDAR\r\n"
ESCAPED = re.compile(r"[\\;,\x00-\x1f\x7f]")  # RFC 5545, 3.3.11, and what is no text
LINE_OCTETS = 74  # RFC 5545, 3.1: at most 75 without the line break, the blank of a continued line among them
# The same lines of a text in ASCII; for readers' sake none ends inside an escape.
LINES = re.compile(rf".{{{LINE_OCTETS}}}(?=.)(?<![^\\]\\)|.{{{LINE_OCTETS - 1}}}(?=..)|.+", re.DOTALL)
NOT_TEXT = dict.fromkeys((*range(9), 11, 12, 13, *range(14, 32), 127))  # RFC 5545, 3.1: no controls in text
AS_VALUE = NOT_TEXT | {ord(sign): f"\\{sign}" for sign in "\\;,"} | {ord("\n"): "\\n"}  # RFC 5545, 3.3.11
CAUTION = "Local code, the maker's instructions and licensed practice come first."
COLUMNS = (
    "install_id", "uid", "site_label", "model", "planned_week", "due_on", "expected_minutes", "p_out_at_planned",
    "leading_indicator", "tasks", "take_along",
)  # fmt: skip


@dataclass(frozen=True)
class AreaCalendar:
    """One file: where it stands, the name of its area, and its visits.

    visits: COLUMNS, one row per visit, in the order of the file. uid: unique per install and week; due_on: as text.
    stamp: the data's date, as DTSTAMP has it. working_days: an event lasts from Monday over so many.
    """

    path: Path
    area: str
    visits: pl.DataFrame
    stamp: str
    working_days: int


def write_calendar(piece: AreaCalendar) -> Path:
    """Write one area's file; returns its path."""
    calendar = icalendar.Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("x-wr-calname", icalendar.vText(_clean(f"Boiler visits, {piece.area}")))
    head = calendar.to_ical().decode().removesuffix(LAST_LINE)
    rows = zip(*(piece.visits[name].to_list() for name in COLUMNS), strict=True)
    events = "".join(_event(row, piece.stamp, piece.working_days) for row in rows)
    piece.path.write_bytes(f"{head}{events}{LAST_LINE}".encode())
    return piece.path


def _event(row: Sequence, stamp: str, working_days: int) -> str:
    # The package's own components take a millisecond each, which is minutes for a large fleet.
    install, uid, site, model, week, due, minutes, chance, leading, tasks, take = row
    start, end = _days(week, working_days)
    said = [_phrase(f"Appliance: {model or 'unknown model'}"), f"Expected: {minutes:.0f} minutes"]
    if leading:
        said.append(_why(leading) + (f"\\, due {due}" if due else ""))
    if chance is not None:
        said.append(f"Chance of being out of range by then: {100 * chance:.0f} %")
    said += _work(tasks or "", take or "")
    place = _escaped(site) if site else ""
    summary = f"SUMMARY:Boiler visit {_escaped(install)}" + (f"\\, {place}" if site else "")
    return (
        f"BEGIN:VEVENT\r\nUID:{uid}@foulcast.invalid\r\nDTSTAMP:{stamp}\r\n"
        f"DTSTART;VALUE=DATE:{start}\r\nDTEND;VALUE=DATE:{end}\r\n{_folded(summary)}\r\n"
        + (f"{_folded(f'LOCATION:{place}')}\r\n" if site else "")
        + _folded("DESCRIPTION:" + "\\n".join(said))
        + "\r\nTRANSP:TRANSPARENT\r\nEND:VEVENT\r\n"
    )


@lru_cache(1000)
def _days(week: date, working_days: int) -> tuple[str, str]:
    """The first day and the day after the last one (RFC 5545, 3.6.1)."""
    return week.strftime("%Y%m%d"), (week + timedelta(days=working_days)).strftime("%Y%m%d")


def _folded(text: str) -> str:
    """A content line in lines of at most 75 octets (RFC 5545, 3.1)."""
    if text.isascii():
        return text if len(text) <= LINE_OCTETS else "\r\n ".join(LINES.findall(text))
    line = text.encode()
    parts, start = [], 0
    while len(line) - start > LINE_OCTETS:
        end = start + LINE_OCTETS
        while line[end] & 0xC0 == 0x80:  # not inside a character
            end -= 1
        if line[end - 1] == 0x5C and line[end - 2] != 0x5C:
            end -= 1
        parts.append(line[start:end])
        start = end
    return b"\r\n ".join([*parts, line[start:]]).decode()


def _clean(text: str) -> str:
    return text.translate(NOT_TEXT)


def _escaped(text: str) -> str:
    if ESCAPED.search(text) is None:
        return text
    return text.translate(AS_VALUE)


# The lines of a description are few, and come again and again.
_phrase = lru_cache(10_000)(_escaped)


@lru_cache(1000)
def _why(leading: str) -> str:
    return _escaped(f"Why now: {leading.replace('_', ' ')}")


@lru_cache(10_000)
def _work(tasks: str, take: str) -> list[str]:
    """What to do and to bring, and the caution below it, line by line."""
    lines = [f"- {part}" for part in tasks.split(";") if part]
    if take:
        lines.append("Bring: " + ", ".join(take.split(";")))
    return [_escaped(line) for line in (*lines, CAUTION)]
