"""The calendar files: RFC 5545 as read back by another reader's rules, the same bytes each time, safe for any text."""

from __future__ import annotations

import re
from datetime import date, timedelta
from pathlib import Path

import icalendar
import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from plan_store import plan_store

from pipeline.calendar_events import folded, write_calendar
from pipeline.calendar_files import area_calendars
from pipeline.schema import SERIES
from pipeline.settings import PlanSettings, Settings, Weekday
from pipeline.stages.plan import plan
from pipeline.stages.side_by_side import side_by_side
from pipeline.store import Store

HOSTILE = "Yard; gate, \\n\r\nBEGIN:VEVENT\r\nSUMMARY:x\x00\x07" + "ü" * 90 + "\\" * 200 + ";" * 99


@pytest.fixture(scope="module")
def store() -> Store:
    made = plan_store(90, areas=3, seed=3)
    made.run("update current_installs set site_label = ? where install_no = 5", [HOSTILE])
    made.run("update current_areas set name = ? where area_no = 1", ['North, east; "x"\r\nEND:VCALENDAR'])
    plan(made, Settings())
    return made


def events(path: Path) -> list[icalendar.Event]:
    return list(icalendar.Calendar.from_ical(path.read_bytes()).walk("VEVENT"))


def write_calendars(store: Store, folder: Path, worked: tuple[int, int] = (0, 4)) -> list[Path]:
    return [write_calendar(piece) for piece in area_calendars(store, folder, worked)]


def test_each_planned_visit_is_one_event_over_the_working_days_of_its_week(store: Store, tmp_path: Path) -> None:
    paths = write_calendars(store, tmp_path)
    assert [p.name for p in paths] == ["visits-001.ics", "visits-002.ics", "visits-003.ics"]
    found = sorted((e.decoded("dtstart"), e.decoded("dtend")) for p in paths for e in events(p))
    weeks = store.frame("select planned_week from visit_plan where planned_week is not null order by 1")["planned_week"]
    assert found == [(w, w + timedelta(days=5)) for w in weeks]
    assert all(type(start) is date and start.weekday() == 0 for start, _ in found)  # all-day: a date, not a time
    for path in paths:
        begins = [e.decoded("dtstart") for e in events(path)]
        assert begins == sorted(begins)


@pytest.mark.parametrize(
    ("days", "first", "after"),
    [(("sat",), 5, 6), (("tue", "wed"), 1, 3), (("wed", "mon"), 0, 3), (("fri", "sat", "sun"), 4, 7)],
)
def test_an_event_lies_on_days_that_are_worked(
    store: Store, tmp_path: Path, days: tuple[Weekday, ...], first: int, after: int
) -> None:
    """It lasted from Monday over as many days as are worked, also where these were a Saturday."""
    paths = write_calendars(store, tmp_path, PlanSettings(working_days=days).worked)
    found = sorted((e.decoded("dtstart"), e.decoded("dtend")) for p in paths for e in events(p))
    weeks = store.frame("select planned_week from visit_plan where planned_week is not null order by 1")["planned_week"]
    assert found == [(w + timedelta(days=first), w + timedelta(days=after)) for w in weeks]


def test_a_visit_says_why_in_the_words_of_the_pages(store: Store, tmp_path: Path) -> None:
    said = "".join(e["description"] for path in write_calendars(store, tmp_path) for e in events(path))
    leading = {name for (name,) in store.rows("select distinct leading_indicator from visit_plan") if name}
    titles = {series.indicator: series.title for series in SERIES}
    assert leading
    assert all(f"Why now: {titles[name]}, due " in said for name in leading)
    assert not re.search("|".join(titles), said)


# RFC 5545: lines end in CRLF and hold at most 75 octets (3.1), text escapes comma, semicolon, backslash and line break
# (3.3.11), each event needs UID and DTSTAMP (3.6.1), UIDs do not repeat (3.8.4.7).
def test_the_files_keep_the_rules_of_the_standard(store: Store, tmp_path: Path) -> None:
    uids = []
    for path in write_calendars(store, tmp_path):
        raw = path.read_bytes()
        lines = raw.split(b"\r\n")
        assert lines[0] == b"BEGIN:VCALENDAR"
        assert lines[-2:] == [b"END:VCALENDAR", b""]
        assert b"\n" not in b"".join(lines)
        assert all(len(line) <= 75 for line in lines)
        assert not any(c < 32 and c != 9 for line in lines for c in line)
        assert raw.count(b"BEGIN:VCALENDAR") == raw.count(b"\r\nEND:VCALENDAR") == 1
        for event in events(path):
            uids.append(str(event["uid"]))
            assert event.decoded("dtstamp").isoformat() == "2026-03-18T00:00:00+00:00"
    assert len(uids) == len(set(uids)) > 50


def test_hostile_text_stays_text(store: Store, tmp_path: Path) -> None:
    planned = store.scalar("select count(*) from visit_plan where planned_week is not null")
    read = [e for p in write_calendars(store, tmp_path) for e in events(p)]
    assert len(read) == planned
    of_it = [e for e in read if "I0000005" in str(e["summary"])]
    assert len(of_it) == 1
    assert "BEGIN:VEVENT" in str(of_it[0]["location"])
    kept = HOSTILE.replace("\r\n", "\n").replace("\x00", "").replace("\x07", "")
    assert str(of_it[0]["location"]) == kept


def test_the_same_plan_gives_the_same_bytes(store: Store, tmp_path: Path) -> None:
    one = [p.read_bytes() for p in write_calendars(store, tmp_path / "a")]
    two = [p.read_bytes() for p in write_calendars(store, tmp_path / "b")]
    assert one == two


def test_helpers_write_the_same_bytes(store: Store, tmp_path: Path) -> None:
    one = [p.read_bytes() for p in write_calendars(store, tmp_path / "a")]
    two = [p.read_bytes() for p in side_by_side(write_calendar, area_calendars(store, tmp_path / "b", (0, 4)))]
    assert one == two


# RFC 5545, 3.1: a content line is unfolded by taking out each CRLF and the one blank after it.
LINE = st.lists(st.sampled_from(["a", "x;", "n", "\\\\", "\\n", "\\,", "é", "好", "🔥"]), max_size=160).map("".join)


@given(st.lists(LINE, max_size=5))
@example(["a" * shift + letter * 60 for letter in ("é", "好", "🔥", "\\n") for shift in range(5)])
def test_folded_lines_unfold_to_what_they_were(texts: list[str]) -> None:
    lines = pl.Series([f"{text}\r\n" for text in texts], dtype=pl.String)
    folded_ = folded(lines).tobytes().decode()
    assert folded_.replace("\r\n ", "") == "".join(lines)
    for line in folded_.split("\r\n")[:-1]:
        assert len(line.encode()) <= 75
    for part in folded_.split("\r\n ")[:-1]:
        assert len(part) - len(part.rstrip("\\")) != 1


def test_an_area_without_visits_has_no_file(tmp_path: Path) -> None:
    made = plan_store(30, areas=2, seed=1)
    plan(made, Settings())
    made.run("update visit_plan set planned_week = null where area_id = 'A00'")
    paths = write_calendars(made, tmp_path)
    assert len(paths) == 1
    kept = made.frame("select count(*) as n from visit_plan where planned_week is not null")
    assert pl.Series([len(events(paths[0]))]).to_list() == kept["n"].to_list()


def test_a_chance_is_never_a_certainty_and_a_mass_is_in_the_units_shown(tmp_path: Path) -> None:
    with plan_store(90, areas=3, seed=3) as store:
        plan(store, Settings())
        store.run("update visit_plan set p_out_at_planned = if(install_no % 2 = 0, 0.004, 0.997)")
        store.run("update visit_plan set take_along = 'test port plug;neutralising media 4.5 kg'")
        said = {}
        for units in ("si", "us"):
            store.set_fact("units", units)
            paths = write_calendars(store, tmp_path / units)
            said[units] = "".join(e["description"] for path in paths for e in events(path))
    chances = re.findall(r"Chance of being out of range by then: (.*)", said["si"])
    assert set(chances) == {"under 1 %", "over 99 %"}
    assert "neutralising media 4.5 kg\n" in said["si"]
    assert "neutralising media 9.9 lb\n" in said["us"]  # 4.5 / 0.45359237
