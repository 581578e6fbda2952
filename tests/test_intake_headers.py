"""Headers: the user's own names, units by suffix, and proposals for what is not known."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from fleet_writer import TABLES, run_checks, write_fleet

from pipeline.errors import FleetError
from pipeline.intake.headers import map_headers, plain_header
from pipeline.intake.proposals import Proposal, match_headers, propose
from pipeline.schema import KINDS, headers_of
from pipeline.settings import load_settings

NEEDED = ["visit_id", "stage", "firing"]


def test_a_mapping_of_fleet_toml_names_the_users_columns(tmp_path: Path) -> None:
    readings = (
        TABLES["readings/readings.csv"]
        .replace("flue_temp_c", "Stack °F")
        .replace(",62,", ",140,")
        .replace("visit_id", "Job No.")
    )
    toml = '[columns.readings]\n"Stack °F" = "flue_temp_f"\n"job no" = "visit_id"\n"analyser_id" = ""\n'
    checked = run_checks(write_fleet(tmp_path, {"readings/readings.csv": readings, "fleet.toml": toml}))
    assert checked.store.rows(
        "select flue_temp_c, analyser_id from current_readings where stage = 'as_found' order by visit_no limit 1"
    ) == [(60.0, None)]
    assert checked.rejected == []


def test_headers_are_known_whatever_their_case_and_blanks() -> None:
    for kind in KINDS:
        for header in headers_of(kind):
            assert plain_header(f"  {header.upper().replace('_', ' ')} ") == header


@pytest.mark.parametrize(
    ("extra", "told"),
    [(["flue_temp_c", "flue_temp_f"], "both give flue_temp_c"), (["co_ppm", "co_air_free_ppm"], "both give co_ppm"),
     (["o2_pct", "O2 pct"], "both give o2_pct")],
)  # fmt: skip
def test_two_columns_of_one_quantity_are_refused(extra: list[str], told: str) -> None:
    with pytest.raises(FleetError, match=rf"x\.csv: .*{told}.*fleet\.toml"):
        map_headers("x.csv", "readings", NEEDED + extra, {})


def test_a_missing_column_is_named_with_the_headers_that_are_not_known() -> None:
    with pytest.raises(FleetError, match=r"the columns stage, firing are missing\. Not known in it: 'Zustand'"):
        map_headers("x.csv", "readings", ["visit_id", "Zustand"], {})


def test_a_mapping_to_nothing_leaves_the_column_out() -> None:
    mapped, unknown = map_headers("x.csv", "readings", [*NEEDED, "co_ppm", "co_air_free_ppm", "z"], {"co_ppm": ""})
    assert [m.column.column for m in mapped] == [*NEEDED, "co_air_free_ppm"]
    assert unknown == ["z"]


@pytest.mark.parametrize(
    ("header", "cells", "ours"),
    [
        ("Stack °F", ["140", "151.5"], "flue_temp_f"), ("Flue gas temperature (°C)", ["60"], "flue_temp_c"),
        ("Oxygen %", ["5.1"], "o2_pct"),
        ("CO2 [%]", ["9.0"], "co2_pct"), ("CO (ppm)", ["40"], "co_ppm"), ("CO air-free ppm", ["52"], "co_air_free_ppm"),
        ("Return temp °C", ["45"], "return_temp_c"), ("Flow temp °C", ["60"], "supply_temp_c"),
        ("Ambient temp F", ["70"], "air_temp_f"),
        ("Flame current µA", ["3.1"], "flame_current_ua"), ("Analyzer no", ["X1"], "analyser_id"),
        ("Rücklauftemperatur", ["x"], None),
        ("Weather", ["sunny"], None), ("Oxygen %", ["sunny"], None),
    ],
)  # fmt: skip
def test_proposals_for_readings(header: str, cells: list[str], ours: str | None) -> None:
    assert match_headers("readings", {header: cells}).get(header) == ours


@pytest.mark.parametrize(
    ("header", "cells", "ours"),
    [
        ("Job number", ["J1"], "visit_id"), ("Boiler ID", ["I1"], "install_id"), ("Date", ["2021-01-05"], "visited_on"),
        ("Engineer", ["T1"], "technician_id"), ("Comments", ["fine"], "notes"),
        ("Burner hours", ["5000"], "burner_hours"),
        ("Starts", ["9000"], "ignitions"), ("System pressure (psi)", ["14.5"], "system_pressure_psi"),
        ("Date", ["T1"], None),
    ],
)  # fmt: skip
def test_proposals_for_visits(header: str, cells: list[str], ours: str | None) -> None:
    assert match_headers("visits", {header: cells}).get(header) == ours


def test_a_proposal_once_added_reads_the_folder(tmp_path: Path) -> None:
    readings = (
        TABLES["readings/readings.csv"]
        .replace("flue_temp_c", "Stack temp °C")
        .replace(",o2_pct", ',Oxygen "dry" %')
        .replace("analyser_id", "Shoe size")
    )
    visits = TABLES["visits/visits.csv"].replace("technician_id", "Engineer")
    toml = 'title = "x"\n\n[columns.readings]\n"y" = ""\n[plan]\ntravel_minutes = 10\n'
    fleet = write_fleet(tmp_path, {"readings/readings.csv": readings, "visits/visits.csv": visits, "fleet.toml": toml})
    proposal = propose(fleet, load_settings(fleet))
    assert proposal.found == {
        "visits": {"Engineer": "technician_id"},
        "readings": {'Oxygen "dry" %': "o2_pct", "Stack temp °C": "flue_temp_c"},
    }
    assert proposal.open == {"readings": ["Shoe size"]}
    assert (fleet / "fleet.toml").read_text() == toml
    added = proposal.added_to(toml)
    assert tomllib.loads(added)["plan"] == {"travel_minutes": 10}
    (fleet / "fleet.toml").write_text(added, encoding="utf-8")
    checked = run_checks(fleet)
    assert (
        checked.store.scalar(
            "select count(*) from current_readings where o2_pct is not null and flue_temp_c is not null"
        )
        == 4
    )
    assert propose(fleet, load_settings(fleet)).found == {}


def test_hostile_headers_are_only_text(tmp_path: Path) -> None:
    evil = [
        "'; drop table raw_visits; --",
        "\"); attach 'x'",
        "<script>alert(1)</script>",
        "\u202egnp.exe",
        "=1+1",
        "$$",
        "{x}",
        "a\x00b",
    ]
    visits = "\n".join(
        ",".join([line, *['"' + e.replace('"', '""') + '"' for e in evil]])
        for line in TABLES["visits/visits.csv"].splitlines()
    )
    checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": visits}))
    assert checked.check.accepted["visits"] == 3
    assert "<script>" in str(propose(tmp_path, load_settings(tmp_path)).open)


@pytest.mark.parametrize("before", ["columns.visits = {}\n", '[columns]\nvisits = { "Day" = "visited_on" }\n'])
def test_a_table_that_takes_no_lines_is_left_as_it_is(before: str) -> None:
    """TOML 1.0: an inline table cannot be added to; a table may be defined once."""
    with pytest.raises(FleetError, match="Nothing was written"):
        Proposal(found={"visits": {"Worked": "minutes_on_site"}}).added_to(before)
