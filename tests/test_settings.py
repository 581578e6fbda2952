"""fleet.toml: defaults, and errors that name the key, what was met and what is allowed."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import FleetError
from pipeline.settings import load_settings, settings_from

WRONG = {
    "a key that is nearly known": ('titel = "x"', "'titel' is not a known key; did you mean 'title'"),
    "a key in plan": (
        "[plan]\nhorizon_week = 3",
        "'plan.horizon_week' is not a known key; did you mean 'horizon_weeks'",
    ),
    "too much risk": ("risk_tolerance = 1.5", "risk_tolerance is '1.5'; .*less than 1"),
    "unknown units": ('units = "uk"', "units is 'uk'; .*'si' or 'us'"),
    "an unknown table": ('[columns.visit]\nx = "notes"', "'visit' is not known; did you mean 'visits'"),
    "an unknown column": (
        '[columns.readings]\n"Stack" = "flue_tmp_f"',
        "'Stack': column 'flue_tmp_f' is not known; did you mean 'flue_temp_f'",
    ),
    "no kind": (
        '[columns]\n"Stack" = "flue_temp_c"',
        r"'Stack' stands in \[columns\]; name the kind .*\[columns.readings\]",
    ),
    "no number": ('[fuels.a]\nmethane = "all"', r"\[fuels.a\] must be a table of numbers"),
    "no table": ("plan = 3", "plan is '3'; a table is wanted"),
    "no list": ('[plan]\nworking_days = "mon"', "plan.working_days is 'mon'; a list between brackets is wanted"),
    "an empty list": ("[plan]\nworking_days = []", "plan.working_days: at least one is wanted"),
    "no text": ("title = 5", "title is '5'; text between quotes is wanted"),
    "half a week": ("[plan]\nhorizon_weeks = 52.5", "plan.horizon_weeks is '52.5'; a whole number is wanted"),
    "an unknown country": ('[plan]\nholidays_country = "XX"', "holidays for 'XX' are not known; give ISO 3166"),
    "an unknown part of a country": (
        '[plan]\nholidays_country = "DE"\nholidays_subdivision = "ZZ"',
        "holidays for 'DE-ZZ' are not known",
    ),
    "a part of no country": ('[plan]\nholidays_subdivision = "BY"', "holidays for 'BY' are not known"),
    "no day": ('[plan]\nworking_days = ["monday"]', "plan.working_days.0 is 'monday'"),
    "not toml": ("title = ", "fleet.toml: Invalid value.*mend that line"),
    "twice": ("title = 'a'\ntitle = 'b'", "fleet.toml"),
    "a tolerance of 0": ("[plan]\nscenario_tolerances = [0.0]", "between 0 and 1"),
}
OUTSIDE = ["../visits/*.csv", "/etc/*.csv", "visits/../../x.csv", "C:\\x\\*.csv", "\\\\host\\x", "~/x.csv", "", "a\0b"]


@pytest.mark.parametrize("case", WRONG)
def test_a_mistake_is_named(case: str, tmp_path: Path) -> None:
    text, told = WRONG[case]
    (tmp_path / "fleet.toml").write_text(text)
    with pytest.raises(FleetError, match=told):
        load_settings(tmp_path)


@pytest.mark.parametrize("pattern", OUTSIDE)
def test_paths_cannot_leave_the_folder(pattern: str) -> None:
    with pytest.raises(FleetError, match="leaves the fleet folder"):
        settings_from({"files": {"visits": pattern}})


def test_a_link_inside_the_folder_to_a_file_outside_is_not_followed_for_a_pattern(tmp_path: Path) -> None:
    from fleet_writer import run_checks, write_fleet

    secret = tmp_path / "secret.csv"
    secret.write_text("visit_id,install_id,visited_on\nX,I1,2021-01-01\n")
    fleet = write_fleet(
        tmp_path / "fleet", {"fleet.toml": '[files]\nvisits = "jobs/*.csv"\n', "jobs/a.csv": secret.read_text()}
    )
    assert run_checks(fleet).check.accepted["visits"] == 1
    (fleet / "jobs" / "b.csv").symlink_to(secret)
    with pytest.raises(FleetError, match="leaves the fleet folder"):
        run_checks(fleet)


def test_defaults_and_frozen(tmp_path: Path) -> None:
    settings = load_settings(tmp_path)
    assert (settings.units, settings.risk_tolerance, settings.plan.longest_interval_factor) == ("si", 0.10, 1.0)
    with pytest.raises(ValueError, match="frozen"):
        settings.units = "us"  # type: ignore[misc]


def test_a_byte_order_mark_does_no_harm_and_other_encodings_are_named(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_bytes(b'\xef\xbb\xbftitle = "\xc3\xa9"')
    assert load_settings(tmp_path).title == "é"
    (tmp_path / "fleet.toml").write_bytes('title = "é"'.encode("cp1252"))
    with pytest.raises(FleetError, match="UTF-8"):
        load_settings(tmp_path)
