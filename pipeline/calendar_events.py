"""Visits as text of an iCalendar file (RFC 5545), one event each; made in any process, without the store."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import icalendar
import numpy as np
import polars as pl

from pipeline.schema import SERIES
from reports import theme
from reports.told import told

PRODUCT = "-//foulcast//planned visits//EN"
LAST_LINE = b"END:VCALENDAR\r\n"
CONTROL = r"[\x00-\x1f\x7f]"
CONTINUED = np.frombuffer(b"\r\n ", np.uint8)
LINE_OCTETS = 74  # RFC 5545, 3.1: at most 75 without the line break, the blank of a continued line among them
NOT_TEXT = dict.fromkeys((*range(9), 11, 12, 13, *range(14, 32), 127))  # RFC 5545, 3.1: no controls in text
TITLES = {series.indicator: series.title for series in SERIES}
CAUTION = "Local code, the maker's instructions and licensed practice come first."
COLUMNS = (
    "install_id", "uid", "site_label", "model", "planned_week", "due_on", "expected_minutes", "p_out_at_planned",
    "leading_indicator", "tasks", "take_along",
)  # fmt: skip


@dataclass(frozen=True)
class AreaCalendar:
    """One file: where it stands, the name of its area, and its visits.

    visits: COLUMNS, one row per visit, in the order of the file. uid: unique per install and week; due_on: as text.
    stamp: the data's date, as DTSTAMP has it. worked: the weekdays that are worked, in their order, Monday being 0; an
    event lasts from the first to the last.
    """

    path: Path
    area: str
    visits: pl.DataFrame
    stamp: str
    worked: Sequence[int]


def write_calendar(piece: AreaCalendar) -> Path:
    """Write one area's file; returns its path."""
    calendar = icalendar.Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("x-wr-calname", icalendar.vText(_clean(f"Boiler visits, {piece.area}")))
    head = calendar.to_ical().removesuffix(LAST_LINE)
    with piece.path.open("wb") as file:
        file.write(head)
        file.write(folded(_events(piece.visits, piece.stamp, piece.worked)).data)
        file.write(LAST_LINE)
    return piece.path


def _events(visits: pl.DataFrame, stamp: str, worked: Sequence[int]) -> pl.Series:
    """The events as text, their lines not yet folded. The package's own components take a millisecond each."""
    columns = {name: visits[name] for name in COLUMNS}
    install, site = _each_escaped(columns["install_id"]), _each_escaped(columns["site_label"].fill_null(""))
    week = columns["planned_week"]
    place = pl.when(site.alias("site") != "")
    leading = columns["leading_indicator"].cast(pl.String).fill_null("")
    due = pl.format("\\, due {}", columns["due_on"]).fill_null("")
    chance = told(_chance, columns["p_out_at_planned"])
    return pl.select(
        pl.format(
            "BEGIN:VEVENT\r\nUID:{}@foulcast.invalid\r\n"
            f"DTSTAMP:{stamp}\r\n"
            "DTSTART;VALUE=DATE:{}\r\nDTEND;VALUE=DATE:{}\r\nSUMMARY:Boiler visit {}{}\r\n{}"
            "DESCRIPTION:Appliance: {}\\nExpected: {} minutes{}{}{}\\n{}\r\nTRANSP:TRANSPARENT\r\nEND:VEVENT\r\n",
            columns["uid"],
            told(_day, week + timedelta(days=worked[0])),
            told(_day, week + timedelta(days=worked[-1] + 1)),  # the day after the last one (RFC 5545, 3.6.1)
            install,
            place.then(pl.format("\\, {}", site)).otherwise(pl.lit("")),
            place.then(pl.format("LOCATION:{}\r\n", site)).otherwise(pl.lit("")),
            told(_model, columns["model"]),
            pl.Series(np.rint(columns["expected_minutes"].to_numpy())).cast(pl.Int64),
            told(_why, leading),
            pl.when(leading != "").then(due).otherwise(pl.lit("")),
            pl.when(columns["p_out_at_planned"].is_null())
            .then(pl.lit(""))
            .otherwise(pl.format("\\nChance of being out of range by then: {}", chance)),
            told(_work, columns["tasks"], columns["take_along"]),
        )
    ).to_series()


def folded(lines: pl.Series) -> np.ndarray:
    """Content lines with their CRLFs, each in lines of at most 75 octets (RFC 5545, 3.1): (octets,) uint8."""
    octets = np.frombuffer(lines.to_arrow().buffers()[2], np.uint8)  # Arrow lays texts end to end
    ends = np.flatnonzero(octets == 0x0A) - 1
    starts = np.append(0, ends[:-1] + 2)[: len(ends)]
    cut_here = np.zeros(len(octets), bool)
    while len(starts := starts[(long := ends - starts > LINE_OCTETS)]):
        ends = ends[long]
        cut = starts + LINE_OCTETS
        for _ in range(3):  # not inside a character
            cut = cut - ((octets[cut] & 0xC0) == 0x80)
        cut = cut - ((octets[cut - 1] == 0x5C) & (octets[cut - 2] != 0x5C))  # for readers' sake, nor inside an escape
        cut_here[cut] = True
        starts = cut
    cuts = np.flatnonzero(cut_here)
    return np.insert(octets, np.repeat(cuts, len(CONTINUED)), np.tile(CONTINUED, len(cuts)))


def _day(on: date) -> str:
    return on.strftime("%Y%m%d")


def _clean(text: str) -> str:
    return text.translate(NOT_TEXT)


def _escaped(text: str) -> str:
    """RFC 5545, 3.3.11. One look for each sign is faster than one for all."""
    for sign in "\\;,":
        text = text.replace(sign, f"\\{sign}")
    return _clean(text).replace("\n", "\\n")


def _each_escaped(texts: pl.Series) -> pl.Series:
    given, odd = texts, texts.str.contains(CONTROL).arg_true()
    for sign in "\\;,":
        texts = texts.str.replace_all(sign, f"\\{sign}", literal=True)
    return texts.scatter(odd, [_escaped(text) for text in given.gather(odd)]) if len(odd) else texts


def _chance(p: float | None) -> str:
    return theme.chance(p).replace(theme.NBSP, " ")


def _model(model: str | None) -> str:
    return _escaped(model or "unknown model")


def _why(leading: str) -> str:
    return "\\n" + _escaped(f"Why now: {TITLES.get(leading, leading)}") if leading else ""


def _work(tasks: str | None, take: str | None) -> str:
    """What to do and to bring, and the caution below it, line by line."""
    lines = [f"- {part}" for part in (tasks or "").split(";") if part]
    if take:
        lines.append("Bring: " + ", ".join(take.split(";")))
    return _escaped("\n".join([*lines, CAUTION]))
