"""Capacity, limits, fuels and what is said of cells that must be there, against the agreement on the fleet folder."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from fleet_writer import TABLES, run_checks, write_fleet

from pipeline.errors import FleetError
from pipeline.schema import MONTHS

LIMITS = "model_id,{}indicator,low,high,source\nM1,{}co_air_free_ppm,,250,manual p. 4\n"


def test_hours_for_another_day_are_those_of_its_week(tmp_path: Path) -> None:
    """2024-07-24 is a Wednesday, 2024-07-22 the Monday of its week."""
    rows = "A1,2024-07-15,4\nA1,2024-07-24,5\n"
    checked = run_checks(write_fleet(tmp_path, {"capacity.csv": f"area_id,week,hours_available\n{rows}"}))
    held = checked.store.rows("select week::varchar, hours_available from current_capacity order by week")
    assert held == [("2024-07-15", 4.0), ("2024-07-22", 5.0)]
    assert checked.findings == [("capacity.csv", 3, "week", "2024-07-24", "not_monday")]


@pytest.mark.parametrize("left_out", ["", "fuel,", "firing,", "fuel,firing,"])
def test_a_column_left_out_of_limits_says_what_an_empty_cell_does(left_out: str, tmp_path: Path) -> None:
    kept = "fuel,firing," if not left_out else "fuel,firing,".replace(left_out, "", 1)
    text = LIMITS.format(kept, "any," * kept.count(","))
    for folder, name, content in (
        (tmp_path / "csv", "limits.csv", text.encode()),
        (tmp_path / "odd", "limits.csv", text.encode("utf-16")),
        (tmp_path / "parquet", "limits.parquet", None),
    ):
        fleet = write_fleet(folder, {"limits.csv": None} | ({name: content} if content else {}))
        if content is None:
            pl.read_csv(text.encode()).write_parquet(fleet / name)
        checked = run_checks(fleet)
        assert checked.store.rows("select model_id, fuel, firing, high from current_limits") == [
            ("M1", "any", "any", 250.0)
        ]
        assert checked.rejected == []


@pytest.mark.parametrize(
    ("row", "rule"),
    [
        ("M1,any,any,o2_pct,,,manual", "no_end"),
        ("M1,any,any,co_air_free_ppm,0,,manual", "no_end"),
        ("M1,any,any,trap_drain_s,-1,,manual", "no_end"),
        ("M1,any,any,co_air_free_ppm,0,300,manual", None),
        ("M1,any,any,flame_current_ua,1.2,,manual", None),
        ("M1,any,any,condensate_ph,0,,manual", None),
        ("M1,any,low,flue_over_return_k,,20,manual", "not_at_low"),
        ("M1,any,low,flame_current_ua,2,,manual", "not_at_low"),
        ("M1,any,low,o2_pct,3,8,manual", None),
        ("M1,any,high,trap_drain_s,,20,manual", None),
    ],
)
def test_a_range_that_serves_nothing_is_told(row: str, rule: str | None, tmp_path: Path) -> None:
    limits = f"model_id,fuel,firing,indicator,low,high,source\n{row}\n"
    checked = run_checks(write_fleet(tmp_path, {"limits.csv": limits}))
    assert [f[4] for f in checked.findings] == ([rule] if rule else [])


def test_installs_without_a_fuel_are_counted(tmp_path: Path) -> None:
    without = TABLES["installs.csv"].replace("propane", "").replace("Never seen,natural_gas", "Never seen,")
    for text, told in ((without, ["installs: 2 of 3 give no fuel; what needs it"]), (TABLES["installs.csv"], [])):
        warnings = run_checks(write_fleet(tmp_path, {"installs.csv": text})).check.warnings
        assert [w.partition(" (")[0] for w in warnings if "fuel" in w] == told


@pytest.mark.parametrize(
    ("file", "row", "reason"),
    [
        ("visits/visits.csv", "x" * 201 + ",I1,2021-01-01", "unreadable: a name is at most 200 bytes long"),
        ("visits/visits.csv", "\u00a0 ,I1,2021-01-01", "missing: the cell is empty and the row cannot be placed"),
        ("visits/visits.csv", "B1,I1,1899-12-31", "unreadable: what is written is no date from 1900 to 2199;"),
        ("visits/visits.csv", "B1,I1,3/4/2021", "unreadable: it can be read as day/month and as month/day;"),
        ("visits/visits.csv", "B1,I1,31/2/2021", "unreadable: there is no such day in the calendar; write it"),
        ("visits/visits.csv", "B1,I1,2023-02-30", "unreadable: there is no such day in the calendar; write it"),
        ("visits/visits.csv", "B1,I1,29.02.2023 8:15", "unreadable: there is no such day in the calendar; write it"),
        ("visits/visits.csv", "B1,I1,2023-13-01", "unreadable: there is no such day in the calendar; write it"),
        ("visits/visits.csv", "B1,I1,0023-02-30", "unreadable: what is written is no date from 1900 to 2199;"),
        ("visits/visits.csv", "B1,I1,2023-02", "unreadable: what is written is no date from 1900 to 2199;"),
        ("capacity.csv", "A1,2024-07-15,-4", "impossible: possible are 0 to 1000000 h"),
        ("capacity.csv", "A1,2024-07-15,many", "unreadable: possible are 0 to 1000000 h"),
    ],
)
def test_what_is_said_of_a_cell_that_must_be_there(file: str, row: str, reason: str, tmp_path: Path) -> None:
    headers = {
        "visits/visits.csv": "visit_id,install_id,visited_on\nV1,I1,2020-03-01\nV2,I1,2021-03-01\nV3,I2,2021-04-01\n",
        "capacity.csv": "area_id,week,hours_available\n",
    }
    checked = run_checks(write_fleet(tmp_path, {file: f"{headers[file]}{row}\n"}))
    (told,) = checked.store.rows("select reason from rejected_rows where file = ?", [file])[0]
    assert told.startswith(reason)


def test_no_row_left_says_how_many_fell_to_one_rule_and_why(tmp_path: Path) -> None:
    models = TABLES["appliance_models.csv"].replace("M1,", "N1,").replace("M2,", "N2,").replace("Model two", "M1")
    fleet = write_fleet(tmp_path, {"appliance_models.csv": models, "limits.csv": None})
    told = (
        r"^installs: no row could be taken; 3 of 3 for this reason: unknown_model, column model_id 'M1': "
        r"there is no such model in appliance_models\.csv\."
    )
    with pytest.raises(FleetError, match=told):
        run_checks(fleet)


@pytest.mark.parametrize(
    ("share", "told"),
    [
        ("8.333", r"sum to 100; .* They look like percent: divide them by 100\. Mend"),
        ("0.05", r"sum to 0\.6; .*\(up to 5 % off is scaled\)\. Mend"),
        ("8.3 %", r"sum to 0; .* load_jan '8\.3 %' was not read as a share\. Mend"),
    ],
)
def test_shares_that_are_none_of_a_year_say_why(share: str, told: str, tmp_path: Path) -> None:
    header = "area_id,name," + ",".join(f"load_{month}" for month in MONTHS)
    flat = "A2,Old town" + ",0.08333" * 12
    areas = f"{header}\nA1,North shore{f',{share}' * 12}\n{flat}\n"
    if "%" in share:
        areas = areas.replace(f",{share}" * 12, f",{share}" + ",0" * 11)
    fleet = write_fleet(tmp_path, {"areas.csv": areas})
    with pytest.raises(FleetError, match=f"^areas: the load shares of 'A1' {told}"):
        run_checks(fleet)
