"""Dates as spreadsheets and databases write them. The formats are common practice, no source, unless one is named."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import openpyxl
import pytest
from fleet_writer import run_checks, write_fleet

from pipeline.intake.dates import date_style_of
from pipeline.intake.headers import map_headers

DAYS = [date(2021, 1, 5), date(2022, 12, 31), date(2023, 4, 14), date(2024, 2, 29), date(2025, 9, 10)]


def text_of(shown: Callable[[date], str]) -> str:
    rows = "".join(f'V{n},I1,"{shown(day)}"\n' for n, day in enumerate(DAYS))
    return f"visit_id,install_id,visited_on\n{rows}"


def taken(fleet: Path) -> list[date]:
    return [d for (d,) in run_checks(fleet).store.rows("select visited_on from current_visits order by visit_id")]


@pytest.mark.parametrize(
    "shown",
    [
        lambda d: f"{d:%d.%m.%Y} 14:05",
        lambda d: f"{d:%d.%m.%Y}, 14:05:33",
        lambda d: f"{d.day}. {d.month}. {d.year}",
        lambda d: f"{d:%d.%m.%Y}.",
        lambda d: f"{d:%d.%m.%y}",
        lambda d: f"{d:%d.%m.%y} 07:30",
        lambda d: f"{d.month}/{d.day}/{d.year} 9:05",
        lambda d: f"{d.month}/{d.day}/{d.year} 9:05:00 AM",
        lambda d: f"{d:%m/%d/%y}",
        lambda d: f"{d.day}/{d.month}/{d:%y} 23:59",
        lambda d: f"{d:%d-%m-%Y} 08:00",
        lambda d: f"{d:%d/%m/%Y}T08:00",
    ],
)
def test_a_file_of_dates_that_are_alike_is_read_without_a_finding(shown: Callable[[date], str], tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path, {"visits/visits.csv": text_of(shown)})
    checked = run_checks(fleet)
    assert taken(fleet) == DAYS
    assert [f for f in checked.findings if f[0] == "visits/visits.csv"] == []
    assert any("dates were read as" in w for w in checked.read.warnings)


@pytest.mark.parametrize(
    ("written", "day"),
    [
        ("2021.04.05", "2021-04-05"),
        ("2021. 4. 5.", "2021-04-05"),
        ("5-Apr-21", "2021-04-05"),
        ("05-APR-21", "2021-04-05"),  # a database's own short form
        ("Monday, April 5, 2021", "2021-04-05"),
        ("05.04.2021 10:30", "2021-04-05"),
        ("25/04/2021 10:30", "2021-04-25"),
        ("5-Apr-69", "1969-04-05"),  # POSIX strptime: 69 to 99 are of the last century
    ],
)
def test_one_date_that_can_be_read_one_way_only(written: str, day: str, tmp_path: Path) -> None:
    installs = "install_id,model_id,area_id,installed_on\nI1,M1,A1,2018-03-01\nI2,M1,A1,2018-03-01\n"
    checked = run_checks(write_fleet(tmp_path, {"installs.csv": f'{installs}I3,M1,A1,"{written}"\n'}))
    assert checked.store.scalar("select installed_on::varchar from current_installs where install_id = 'I3'") == day


@pytest.mark.parametrize(
    ("first", "second", "stopped"),
    [
        ("21.04.20", "22.05.19", 1),
        ("21.01.31", "22.05.01", 1),
        ("21.04.00", "22.05.19", 0),
        ("12.04.20", "22.05.19", 0),
    ],
)
def test_short_years_that_may_come_first_stop_the_file(first: str, second: str, stopped: int, tmp_path: Path) -> None:
    """21.04.20 is 21 April 2020, or 20 April 2021; no day is a nought, and 12 may be a month."""
    rows = f"V7,I1,{first}\nV8,I1,{second}\n"
    checked = run_checks(write_fleet(tmp_path, {"visits/more.csv": f"visit_id,install_id,visited_on\n{rows}"}))
    assert checked.read.files_stopped == stopped
    told = [w for w in checked.read.warnings if "visits/more.csv" in w and "year first" in w and "2024-01-31" in w]
    assert len(told) == stopped


def test_a_long_year_among_short_ones_is_read_too(tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path, {"visits/visits.csv": text_of(lambda d: f"{d:%m/%d/%y}") + "V9,I1,03/04/2022\n"})
    assert taken(fleet) == [*DAYS, date(2022, 3, 4)]


def test_text_dates_of_a_workbook_are_read_the_way_one_of_them_shows(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["visit_id", "install_id", "visited_on"])
    for n, day in enumerate(DAYS):
        book.active.append([f"V{n}", "I1", f"{day:%m/%d/%Y}"])
    fleet = write_fleet(tmp_path, {"visits/visits.csv": None})
    book.save(fleet / "visits" / "a.xlsx")
    assert taken(fleet) == DAYS


def test_dates_with_dots_and_long_years_are_told_by_the_head_of_a_file() -> None:
    """To look at all dates of a large file takes longer than to read it."""

    def all_records() -> list[list[str]]:
        raise AssertionError("the whole file was looked at")

    mapped, _ = map_headers("visits/a.csv", "visits", ["visit_id", "install_id", "visited_on"], {})
    assert date_style_of("visits/a.csv", [["V1", "I1", "5.3.2024"]], all_records, mapped) == ("%d.%m.%Y", False)
