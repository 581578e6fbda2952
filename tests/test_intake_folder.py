"""Which files of a fleet folder are read, and what is said of those that are not."""

from __future__ import annotations

from pathlib import Path

from fleet_writer import TABLES, run_checks, write_fleet


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
