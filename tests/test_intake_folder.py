"""Which files of a fleet folder are read, and what is said of those that are not."""

from __future__ import annotations

import os
from datetime import date
from pathlib import Path

import pytest
from fleet_writer import TABLES, run_checks, write_fleet

from pipeline.errors import FleetError


def test_names_are_known_whatever_their_case(tmp_path: Path) -> None:
    """Systems that do not tell Visits from visits hand such names to those that do."""
    fleet = write_fleet(
        tmp_path,
        {
            "installs.csv": None,
            "INSTALLS.CSV": TABLES["installs.csv"],
            "visits/visits.csv": None,
            "Visits/Visits.Csv": TABLES["visits/visits.csv"],
        },
    )
    checked = run_checks(fleet)
    assert checked.check.accepted["installs"] == 3
    assert checked.check.accepted["visits"] == 3
    assert checked.rejected == []


def test_text_tables_in_deeper_folders_are_told(tmp_path: Path) -> None:
    deeper = "visit_id,install_id,visited_on\nV9,I1,2021-05-01\n"
    fleet = write_fleet(tmp_path, {"visits/2021/more.csv": deeper, "visits/2022/more.csv": deeper})
    checked = run_checks(fleet)
    assert checked.check.accepted["visits"] == 3
    (told,) = checked.read.warnings
    assert told.startswith("visits/2021/more.csv and 1 more: not read")
    (fleet / "fleet.toml").write_text('[files]\nvisits = "visits/**/*.csv"\n')  # as it says
    checked = run_checks(fleet)
    assert checked.check.accepted["visits"] == 4
    assert checked.read.warnings == []


def test_a_pattern_that_matches_nothing_is_named(tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path, {"fleet.toml": '[files]\nvisits = "jobs/*.csv"\n'})
    assert (
        "'jobs/*.csv' of fleet.toml: holds no files; there are no visits to go by." in run_checks(fleet).read.warnings
    )


@pytest.mark.parametrize("day", [date(1, 1, 1), date(1899, 12, 31), date(2200, 1, 1), date(9999, 12, 31)])
def test_a_day_in_no_year_of_dates_is_refused(day: date, tmp_path: Path) -> None:
    """Ten years of forecasts and the weeks of a plan come after it."""
    fleet = write_fleet(tmp_path)
    with pytest.raises(FleetError, match=f"--as-of {day}: give a day from 1900 to 2199"):
        run_checks(fleet, as_of=day)


@pytest.mark.parametrize("name", ["visits[1].csv", "visits?.csv", "v*.csv", "v's $$x$$.csv", "v\\1.csv", "é %20\n.csv"])
def test_a_file_is_itself_whatever_its_name(name: str, tmp_path: Path) -> None:
    """To DuckDB's readers visits[1].csv, as a browser names a second download, is a pattern that means visits1.csv."""
    head = "visit_id,install_id,visited_on\n"
    files = {"visits/visits.csv": None, "visits/visits1.csv": f"{head}V1,I1,2021-03-01\n"}
    checked = run_checks(write_fleet(tmp_path, {**files, f"visits/{name}": f"{head}V2,I2,2021-03-02\n"}))
    taken = "select v.visit_id, f.name from current_visits v join input_files f using (file_id) order by 1"
    assert checked.store.rows(taken) == [("V1", "visits/visits1.csv"), ("V2", f"visits/{name}")]


def test_a_file_whose_name_is_no_text_is_told(tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path)
    try:
        (fleet / "visits" / os.fsdecode(b"\xff.csv")).write_text("visit_id,install_id,visited_on\n")
    except OSError:
        pytest.skip("this file system takes names in UTF-8 only")
    assert run_checks(fleet).read.warnings == ["visits/?.csv: not read; its name is no UTF-8 text. Rename the file."]


def test_what_bears_a_table_s_name_and_is_none_is_told(tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path / "fleet")
    (fleet / "visits" / "gone.csv").symlink_to(tmp_path / "nowhere")
    (fleet / "visits.csv").write_text("visit_id,install_id,visited_on\n")
    assert run_checks(fleet).read.warnings == [
        "visits/gone.csv: not read; it is no file, or a link that leads to none. Put the file itself there.",
        "visits.csv: not read; visits are read from the folder visits/. Move the file there.",
    ]
    for wrong in (fleet / "visits", tmp_path):
        with pytest.raises(FleetError) as refused:
            run_checks(wrong)
        assert str(refused.value).endswith(f"Did you mean {fleet}?")
    (fleet / "installs.csv").unlink()
    (fleet / "installs.csv").mkdir()
    with pytest.raises(FleetError, match="What bears this name is a folder; put the table itself there"):
        run_checks(fleet)


def test_settings_under_another_name_are_told(tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path, {"Fleet.toml": "units = 'us'"})
    if not (fleet / "fleet.toml").exists():  # there are systems to which both names are one
        with pytest.raises(FleetError, match=r"Fleet\.toml: is not read; it must be a file named fleet\.toml"):
            run_checks(fleet)
