"""Checks: each has a row it must catch and one it must not; every row ends in exactly one place."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from fleet_writer import TABLES, account, run_checks, write_fleet

from pipeline.errors import FleetError
from pipeline.intake.aside import checks
from pipeline.schema import all_columns

V = (
    "visit_id,install_id,visited_on,technician_id,minutes_on_site,burner_hours,exchanger_cleaning,trap_cleaned,"
    "condensate_ph_found\n"
)
R = "visit_id,stage,firing,o2_pct,co2_pct,co_ppm,flue_temp_c,return_temp_c\n"
GOOD_V = "G1,I1,2021-01-05,T1,45,5000,brush,true,6.5\n"
GOOD_R = "G1,as_found,high,5.0,9.0,40,60,45\n"
NOTHING_ELSE = {"visits/visits.csv": V + GOOD_V, "readings/readings.csv": R + GOOD_R}

# file, header, the row as written -> (column, value, rule) it is set aside with
ASIDE = {
    "no key": ("visits", V, ",I1,2021-01-05,,,,,,", ("visit_id", None, "missing")),
    "key too long": ("visits", V, "x" * 300 + ",I1,2021-01-05,,,,,,", ("visit_id", "x" * 300, "unreadable")),
    "no install": ("visits", V, "B1,,2021-01-05,,,,,,", ("install_id", None, "missing")),
    "unknown install": ("visits", V, "B1,I99,2021-01-05,,,,,,", ("install_id", "I99", "unknown_install")),
    "no date": ("visits", V, "B1,I1,,,,,,,", ("visited_on", None, "missing")),
    "no such date": ("visits", V, "B1,I1,2021-02-30,,,,,,", ("visited_on", "2021-02-30", "unreadable")),
    "a word for a date": ("visits", V, "B1,I1,soon,,,,,,", ("visited_on", "soon", "unreadable")),
    "year 24": ("visits", V, "B1,I1,24-01-05,,,,,,", ("visited_on", "0024-01-05", "unreadable")),
    "ambiguous date": ("visits", V, "B1,I1,03/04/2021,,,,,,", ("visited_on", "03/04/2021", "unreadable")),
    "before the install": ("visits", V, "B1,I1,2018-02-28,,,,,,", ("visited_on", "2018-02-28", "before_install")),
    "in the future": ("visits", V, "B1,I1,2026-11-26,,,,,,", ("visited_on", "2026-11-26", "future")),
    "too few cells": ("visits", V, "B1,I1", (None, "B1,I1", "cells")),
    "too many cells": ("visits", V, "B1,I1,2021-01-05,,,,,,,,,9", (None, "B1,I1,2021-01-05,,,,,,,,,9", "cells")),
    "nothing at all": ("visits", V, ",,,,,,,,", (None, None, "empty")),
    "unknown visit": ("readings", R, "Z9,as_found,high,5,9,,,", ("visit_id", "Z9", "unknown_visit")),
    "unknown stage": ("readings", R, "G1,during,high,5,9,,,", ("stage", "during", "unreadable")),
    "no firing": ("readings", R, "G1,as_left,,5,9,,,", ("firing", None, "missing")),
}
# the cell as written -> (column, rule) of its finding, and whether the cell is kept
CELLS = {
    "a word for a number": ("minutes_on_site", "n/k", "unreadable", None),
    "not recorded, in words": ("minutes_on_site", "n/a", "not_recorded", None),
    "negative minutes": ("minutes_on_site", "-5", "impossible", None),
    "no number": ("minutes_on_site", "nan", "not_recorded", None),
    "beyond all numbers": ("minutes_on_site", "1e999", "impossible", None),
    "pH of 15": ("condensate_ph_found", "15", "impossible", None),
    "pH of 13": ("condensate_ph_found", "13", "unlikely", 13.0),
    "unit behind the number": ("minutes_on_site", "45 min", "mended", 45.0),
    "decimal comma": ("condensate_ph_found", '"6,5"', "mended", 6.5),
    "a blank between thousands": ("burner_hours", "12 345", "mended", 12345.0),
    "the end of a stop-watch": ("minutes_on_site", ">90 min", "mended", 90.0),
    "below what a meter shows": ("condensate_ph_found", '"≤ 4,5"', "mended", 4.5),
    "an arrow without a number": ("minutes_on_site", ">", "unreadable", None),
    "an unknown cleaning": ("exchanger_cleaning", "sandblasted", "unreadable", None),
    "perhaps": ("trap_cleaned", "perhaps", "unreadable", None),
}  # fmt: skip
SILENT = {
    "blank cell": ("minutes_on_site", "  ", None), "yes": ("trap_cleaned", "Yes", True),
    "ja": ("trap_cleaned", "ja", True),
    "zero": ("trap_cleaned", "0", False), "shouted": ("exchanger_cleaning", "BRUSH ", "brush"),
    "exponent": ("burner_hours", "6.2e3", 6200.0),
    "pH of 12": ("condensate_ph_found", "12", 12.0), "ten thousand minutes": ("minutes_on_site", "600", 600.0),
}  # fmt: skip


@pytest.mark.parametrize("case", ASIDE)
def test_a_bad_row_is_set_aside_and_the_rest_goes_on(case: str, tmp_path: Path) -> None:
    kind, header, row, (column, value, rule) = ASIDE[case]
    good = GOOD_V if kind == "visits" else GOOD_R
    files = NOTHING_ELSE | {f"{kind}/{kind}.csv": header + good + row + "\n"}
    checked = run_checks(write_fleet(tmp_path, files))
    assert len(checked.rejected) == 1
    assert checked.rejected[0][:5] == (f"{kind}/{kind}.csv", 3, column, value, rule)
    assert checked.check.accepted[kind] == 1
    assert checked.findings == []
    reason = checked.store.scalar("select reason from rejected_rows")
    assert reason.startswith(f"{rule}: ")
    assert len(reason) > len(rule) + 15


def visit_with(column: str, cell: str) -> str:
    names = V.strip().split(",")
    cells = GOOD_V.strip().replace("G1", "G2").split(",")
    cells[names.index(column)] = cell
    return ",".join(cells) + "\n"


@pytest.mark.parametrize("case", CELLS)
def test_a_bad_cell_is_emptied_or_mended_with_a_finding(case: str, tmp_path: Path) -> None:
    column, cell, rule, kept = CELLS[case]
    files = NOTHING_ELSE | {"visits/visits.csv": V + GOOD_V + visit_with(column, cell)}
    checked = run_checks(write_fleet(tmp_path, files))
    assert checked.rejected == []
    assert [(f, line, c, r) for f, line, c, _, r in checked.findings] == [("visits/visits.csv", 3, column, rule)]
    assert checked.store.scalar(f"select {column} from current_visits where visit_id = 'G2'") == kept
    assert checked.check.accepted["visits"] == 2


def test_carbon_monoxide_beyond_the_analyser_is_taken_as_the_end_of_its_range(tmp_path: Path) -> None:
    """The reading that matters most must not become an empty cell."""
    files = NOTHING_ELSE | {"readings/readings.csv": R + GOOD_R.replace(",40,", ",> 2000 ppm,")}
    checked = run_checks(write_fleet(tmp_path, files))
    assert checked.store.scalar("select co_ppm from current_readings") == 2000.0
    told = checked.store.scalar("select message from findings where rule = 'mended'")
    assert told == "read as 2000, and it is more than that"


@pytest.mark.parametrize("case", SILENT)
def test_what_needs_no_word(case: str, tmp_path: Path) -> None:
    column, cell, kept = SILENT[case]
    files = NOTHING_ELSE | {"visits/visits.csv": V + GOOD_V + visit_with(column, cell)}
    checked = run_checks(write_fleet(tmp_path, files))
    assert (checked.rejected, checked.findings) == ([], [])
    assert checked.store.scalar(f"select {column} from current_visits where visit_id = 'G2'") == kept


def test_a_later_row_replaces_and_a_repeat_is_a_duplicate(tmp_path: Path) -> None:
    files = NOTHING_ELSE | {
        "visits/visits.csv": V
        + "A,I1,2021-01-05,T1,,,,,\nA,I1,2021-01-05,T1,,,,,\nA,I1,2021-01-05,T2,,,,,\nG1,I1,2021-01-09,,,,,,\n",
        "visits/visits_b.csv": V + "A,I1,2021-01-06,T3,,,,,\nA,I1,2021-01-06,T3,,,,,\nG1,I1,2021-01-09,,,,,,\n",
        "readings/readings.csv": R + GOOD_R + GOOD_R.replace("60", "61") + GOOD_R.replace("high", "low"),
    }
    checked = run_checks(write_fleet(tmp_path, files))
    assert [(f, line, rule) for f, line, _, _, rule, _ in checked.rejected] == [
        ("readings/readings.csv", 2, "replaced"),
        ("visits/visits.csv", 2, "replaced"),
        ("visits/visits.csv", 3, "duplicate"),
        ("visits/visits.csv", 4, "replaced"),
        ("visits/visits_b.csv", 3, "duplicate"),
        ("visits/visits_b.csv", 4, "duplicate"),
    ]
    assert checked.store.rows("select visited_on::varchar, technician_id from current_visits where visit_id = 'A'") == [
        ("2021-01-06", "T3")
    ]
    assert checked.store.rows("select firing, flue_temp_c from current_readings order by 1") == [
        ("high", 61.0),
        ("low", 60.0),
    ]
    assert account(checked) == {"visits": (7, 2, 5), "readings": (3, 2, 1)}
    assert checked.store.scalar("select count(*) from raw_visits where visit_id = 'A'") == 5


def test_a_bad_correction_does_not_take_the_good_row_away(tmp_path: Path) -> None:
    files = NOTHING_ELSE | {"visits/z.csv": V + "G1,I1,2021-99-05,T9,,,,,\n"}
    checked = run_checks(write_fleet(tmp_path, files))
    assert checked.store.scalar("select technician_id from current_visits where visit_id = 'G1'") == "T1"
    assert checked.check.accepted["readings"] == 1


def test_as_of_is_the_newest_visit_that_remains(tmp_path: Path) -> None:
    rows = V + GOOD_V + "F1,I1,2027-01-01,,,,,,\nF2,I1,2022-06-01,,,,,,\n"
    checked = run_checks(write_fleet(tmp_path / "a", NOTHING_ELSE | {"visits/visits.csv": rows}))
    assert checked.check.as_of == date(2022, 6, 1)
    assert checked.store.fact("as_of") == "2022-06-01"
    earlier = run_checks(
        write_fleet(tmp_path / "b", NOTHING_ELSE | {"visits/visits.csv": rows}), as_of=date(2021, 6, 30)
    )
    assert earlier.store.fact("as_of") == "2021-06-30"
    assert [(r[2], r[4]) for r in earlier.rejected] == [("visited_on", "future"), ("visited_on", "future")]
    none = run_checks(write_fleet(tmp_path / "c", {"visits/visits.csv": None, "readings/readings.csv": None}))
    assert none.store.fact("as_of") == "2026-11-25"
    assert none.check.accepted["installs"] == 3


STOPPED = {
    "needed column missing": (V.replace("install_id", "place") + GOOD_V, "install_id"),
    "two units for one quantity": (
        "visit_id,install_id,visited_on,system_pressure_kpa,system_pressure_psi\nB,I1,2021-01-05,100,14\n",
        "system_pressure",
    ),
    "the same column twice": ("visit_id,install_id,visited_on,notes,notes\nB,I1,2021-01-05,a,b\n", "notes"),
    "empty": ("", "empty"),
    "only blank lines": ("\n\n \n", "header"),
    "a picture": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(range(256)) * 20, "pic"),
}


@pytest.mark.parametrize("case", STOPPED)
def test_a_bad_file_stops_that_file_only_and_by_name(case: str, tmp_path: Path) -> None:
    content, word = STOPPED[case]
    checked = run_checks(write_fleet(tmp_path, NOTHING_ELSE | {"visits/pic.csv": content}))
    assert checked.read.files_stopped == 1
    told = [w for w in checked.read.warnings if w.startswith("visits/pic.csv")]
    assert len(told) == 1
    assert word in told[0]
    assert checked.check.accepted["visits"] == 1
    assert [(r[0], r[4]) for r in checked.rejected] == [("visits/pic.csv", "file_stopped")]


REFUSED = {
    "no installs": ({"installs.csv": None}, "installs.csv: is missing"),
    "two tables of installs": (
        {"installs.tsv": TABLES["installs.csv"].replace(",", "\t")},
        "more than one table of installs",
    ),
    "no model column": (
        {"appliance_models.csv": "name,condensing\nx,true\n"},
        "appliance_models.csv: the column model_id is missing",
    ),
    "loads off": ({"areas.csv": "area_id,load_jan,load_feb\nA1,0.5,0.44\nA2,0.5,0.5\n"}, "'A1' sum to 0.94"),
    "loads in percent": ({"areas.csv": "area_id,load_jan,load_feb\nA1,50,50\nA2,0.5,0.5\n"}, "'A1' sum to 100"),
    "no install left": (
        {"installs.csv": "install_id,model_id,area_id,installed_on\nI1,M9,A1,2020-01-01\n"},
        "unknown_model.*M9",
    ),
    "binary areas": ({"areas.csv": b"\0\1\2\3" * 500}, "areas.csv"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_bad_reference_table_stops_the_run(case: str, tmp_path: Path) -> None:
    files, told = REFUSED[case]
    with pytest.raises(FleetError, match=told):
        run_checks(write_fleet(tmp_path, files))


def test_load_shares_are_scaled_up_to_five_per_cent_and_flat_without_any(tmp_path: Path) -> None:
    text = "area_id,load_jan,load_jul\nA1,0.7,0.26\nA2,,\n"
    checked = run_checks(write_fleet(tmp_path, {"areas.csv": text}))
    (one,), (two,) = checked.store.rows("select load from current_areas order by area_id")
    assert sum(one) == pytest.approx(1, abs=1e-12)
    assert one[0] == pytest.approx(0.7 / 0.96)
    assert list(two) == pytest.approx([1 / 12] * 12)
    assert any("A1" in w and "scaled" in w for w in checked.check.warnings)
    assert any("A2" in w and "flat" in w for w in checked.check.warnings)


def test_other_units_are_converted_by_their_suffix(tmp_path: Path) -> None:
    # 140 °F = 60 °C, 14.5 psi = 99.97 kPa (NIST SP 811), 1 grain per US gallon = 17.12 mg/L, 100 lb = 45.36 kg, 1000
    # ft = 304.8 m
    files = {
        "readings/readings.csv": "visit_id,stage,firing,flue_temp_f,return_temp_f,co_air_free_ppm\n"
        "V1,as_found,high,140,113,52\n",
        "visits/visits.csv": "visit_id,install_id,visited_on,system_pressure_psi\nV1,I1,2021-01-05,14.5\n",
        "visits/more.csv": "visit_id,install_id,visited_on,system_pressure_bar\nV2,I1,2021-01-05,1.5\n",
        "installs.csv": "install_id,model_id,area_id,installed_on,altitude_ft,water_hardness_gpg,media_lb\n"
        "I1,M1,A1,2018-01-01,1000,10,100\n",
    }
    store = run_checks(write_fleet(tmp_path, files)).store
    assert store.rows("select flue_temp_c, return_temp_c, co_air_free_ppm, co_ppm from current_readings") == [
        (60.0, 45.0, 52.0, None)
    ]
    assert store.rows("select system_pressure_kpa from current_visits order by visit_id") == [(99.973981,), (150.0,)]
    altitude, hardness, media = store.rows("select altitude_m, water_hardness_mg_l, media_kg from current_installs")[0]
    assert (altitude, media) == (304.8, 45.359237)
    assert hardness == pytest.approx(171.2, abs=0.05)


def test_installs_are_seen_cleaned_and_the_last_of_one_name_is_taken(tmp_path: Path) -> None:
    rows = (
        "install_id,model_id,area_id,fuel,installed_on,altitude_m\n"
        "I1,M1,A1,propane,2018-03-01,20\n"
        "\u00a0I2 , M2,A2 ,Natural Gas,2019-05-01,99999\n"  # blanks around names, the height of no house
        "I3,M1,A1,natural_gas,1066-10-14,\n"
        "I1,M2,A1,propane,2018-03-01,20\n"
    )
    checked = run_checks(write_fleet(tmp_path, {"installs.csv": rows}))
    taken = checked.store.rows("select install_id, model_id, area_id, fuel, altitude_m from current_installs")
    assert taken == [("I1", "M2", "A1", "propane", 20.0), ("I2", "M2", "A2", "natural_gas", 0.0)]
    assert checked.findings == [("installs.csv", 3, "altitude_m", "99999", "impossible")]
    lost = checked.store.rows("select line, split_part(reason, ':', 1) from rejected_rows where file = 'installs.csv'")
    assert lost == [(2, "replaced"), (4, "unreadable")]


def test_names_of_blanks_are_none_and_designs_are_one_with_and_without_blanks(tmp_path: Path) -> None:
    """An empty cell means "not recorded"; what learns from each other must not part over a blank."""
    files = {
        "areas.csv": "area_id,name\nA1,  \nA2,\u00a0Old town\n",
        "appliance_models.csv": 'model_id,name,exchanger_design\nM1,\u00a0,coil-A \nM2,Two,\tcoil-A\nM3,Three," "\n',
        "installs.csv": "install_id,model_id,area_id,site_label,installed_on\n"
        "I1,M1,A1,  ,2018-03-01\nI2,M2,A2, Dock\u00a0,2019-05-01\n"
        "I3,M3,A2,\u00a0,2019-05-01\nI4,M3,A2,Ä ß,2019-05-01\n",
    }
    store = run_checks(write_fleet(tmp_path, files)).store
    assert store.rows("select name from current_areas order by area_id") == [("A1",), ("Old town",)]  # its key
    models = store.rows("select name, exchanger_design from current_models order by model_id")
    assert models[:2] == [("M1", "coil-A"), ("Two", "coil-A")]
    assert str(models[2][1]).strip() not in ("", "coil-A")
    labels = store.rows("select site_label from current_installs order by install_id")
    assert labels == [(None,), ("Dock",), (None,), ("Ä ß",)]


def test_temperatures_that_can_only_be_fahrenheit_are_converted_and_told(tmp_path: Path) -> None:
    header = "visit_id,stage,firing,flue_temp_c,air_temp_c,supply_temp_c,return_temp_c\n"
    # 140 °F = 60 °C, 68 °F = 20 °C, 149 °F = 65 °C, 113 °F = 45 °C. Without the air temperature nothing is certain.
    rows = "V1,as_found,high,140,68,149,113\nV1,as_left,high,140,,149,113\nV2,as_found,high,60,20,65,45\n"
    checked = run_checks(write_fleet(tmp_path, {"readings/readings.csv": header + rows}))
    taken = checked.store.rows(
        "select flue_temp_c, air_temp_c, supply_temp_c, return_temp_c from current_readings order by line"
    )
    assert taken == [(60.0, 20.0, 65.0, 45.0), (140.0, None, 149.0, 113.0), (60.0, 20.0, 65.0, 45.0)]
    assert [(line, column, value, rule) for _, line, column, value, rule in checked.findings] == [
        (2, "flue_temp_c", "140", "in_fahrenheit"), (3, "return_temp_c", "113", "unlikely"),
        (3, "supply_temp_c", "149", "unlikely"),
    ]  # fmt: skip


def test_co_in_per_cent_and_a_counter_that_jumps_back_are_told(tmp_path: Path) -> None:
    files = NOTHING_ELSE | {
        "visits/visits.csv": V
        + GOOD_V
        + "G2,I1,2022-01-05,,,200,,,\nG3,I1,2023-01-05,,,,,,\nG4,I1,2024-01-05,,,900,,,\n",
        "readings/readings.csv": R + GOOD_R.replace(",40,", ",0.004,"),
    }
    checked = run_checks(write_fleet(tmp_path, files))
    assert checked.findings == [
        ("readings/readings.csv", 2, "co_ppm", "0.004", "co_in_percent"),
        ("visits/visits.csv", 3, "burner_hours", "200", "counter_back"),
    ]  # fmt: skip
    assert checked.store.scalar("select burner_hours from current_visits where visit_id = 'G2'") == 200


def test_thousands_are_not_taken_for_decimals_without_evidence(tmp_path: Path) -> None:
    header = "visit_id;install_id;visited_on;burner_hours;condensate_ph_found\n"
    files = {
        "visits/a.csv": header + "A1;I1;2021-01-05;12,345;\n",  # may be 12345 or 12.345
        "visits/b.csv": header + "B1;I1;2021-01-06;12,345;6,5\n",  # a file with decimal commas
        "visits/c.csv": header + "C1;I1;2021-01-07;12,345;6.5\n",  # a file with decimal points
        "visits/visits.csv": None, "readings/readings.csv": None,
    }  # fmt: skip
    checked = run_checks(write_fleet(tmp_path, files))
    taken = checked.store.rows("select visit_id, burner_hours from current_visits order by 1")
    assert taken == [("A1", None), ("B1", 12.345), ("C1", 12345.0)]
    assert [(f, rule) for f, _, _, _, rule in checked.findings] == [
        ("visits/a.csv", "unreadable"), ("visits/c.csv", "mended"),
    ]  # fmt: skip


def test_an_unknown_fuel_is_told_and_one_of_fleet_toml_is_known(tmp_path: Path) -> None:
    installs = (
        TABLES["installs.csv"].replace("propane", "Site Biogas").replace("Never seen,natural_gas", "Never seen,coal")
    )
    toml = "[fuels.site_biogas]\nmethane = 0.6\ncarbon_dioxide = 0.4\n"
    checked = run_checks(write_fleet(tmp_path, {"installs.csv": installs, "fleet.toml": toml}))
    assert checked.findings == [("installs.csv", 4, "fuel", "coal", "unknown_fuel")]
    assert checked.store.rows("select fuel from current_installs order by install_id") == [
        ("natural_gas",),
        ("site_biogas",),
        (None,),
    ]


def test_every_check_file_names_what_it_reads_and_its_key() -> None:
    kinds = {c.kind.split("_")[0] for c in all_columns()}
    for check in checks():
        assert check.kind in kinds, check.rule
        assert "-- reads: " in check.sql
        assert "key: row." in check.sql
    assert len({(c.kind, c.rule) for c in checks()}) == len(checks())


def test_every_row_of_a_dirty_fleet_is_in_exactly_one_place() -> None:
    """The sample maker's dirt: repeats, corrections, unknown installs, odd dates, swapped cells."""
    checked = run_checks(Path(__file__).parent.parent / "sample_data")
    for kind, (read, taken, lost) in account(checked).items():
        assert read == taken + lost, kind
        report = checked.check
        assert (report.accepted[kind], report.replaced[kind] + report.duplicate[kind] + report.set_aside[kind]) == (
            taken,
            lost,
        )
        places = checked.table(
            f"""
            with taken as (select f.name as file, c.line from current_{kind} c join input_files f using (file_id)),
            lost as (
                select r.file, r.line from rejected_rows r join input_files f on f.name = r.file where f.kind = '{kind}'
            )
            select count(*) as rows, count(distinct (file, line)) as places from (from taken union all from lost)
            """
        )
        assert places.rows() == [(read, read)]
    assert sum(checked.check.replaced.values()) > 0
    assert sum(checked.check.duplicate.values()) > 0


def test_a_record_of_the_wrong_width_keeps_a_visit_id_that_stands_first(tmp_path: Path) -> None:
    files = {
        "visits/visits.csv": "visit_id,install_id,visited_on\nG1,I1,2021-01-01\nG2,I1,2021-02-01,x\nG3\n",
        "readings/readings.csv": "stage,visit_id,firing,o2_pct\nas_found,G1,high,5,7\nas_found,G2,high,5\n",
    }
    checked = run_checks(write_fleet(tmp_path, files))
    assert [(file, line, rule, visit) for file, line, _, _, rule, visit in checked.rejected] == [
        ("readings/readings.csv", 2, "cells", None),  # a cell too many may have moved it
        ("readings/readings.csv", 3, "unknown_visit", "G2"),
        ("visits/visits.csv", 3, "cells", "G2"),
        ("visits/visits.csv", 4, "cells", None),
    ]
    assert "its visit was set aside" in checked.store.scalar("select reason from rejected_rows where line = 3 limit 1")


def test_a_reading_tells_a_visit_that_was_set_aside_from_one_that_is_not_there(tmp_path: Path) -> None:
    files = {
        "visits/visits.csv": V + GOOD_V + "B1,I99,2021-01-05,,,,,,\n" + GOOD_V.replace("T1", "T2"),
        "readings/readings.csv": R + GOOD_R + GOOD_R.replace("G1", "B1") + GOOD_R.replace("G1", "Z9"),
    }
    checked = run_checks(write_fleet(tmp_path, files))
    reasons = "select line, reason from rejected_rows where file like 'readings/%' order by line"
    assert checked.store.rows(reasons) == [
        (3, "unknown_visit: its visit was set aside"),
        (4, "unknown_visit: there is no such visit in visits/"),
    ]
    assert checked.check.accepted["readings"] == 1  # of the visit that a later row replaced


def test_a_reading_says_that_the_file_of_its_visit_may_be_one_that_could_not_be_read(tmp_path: Path) -> None:
    checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": "visit_id,notes\nV1,no install\n"}))
    reasons = {r for (r,) in checked.store.rows("select reason from rejected_rows where file like 'readings/%'")}
    assert reasons == {
        "unknown_visit: there is no such visit in the files that could be read; not read was visits/visits.csv"
    }
    assert checked.check.set_aside["visits"] == 0


def test_the_co2_of_lean_biogas_is_possible(tmp_path: Path) -> None:
    """CO2max of a mixture with one part methane to r parts CO2 is (1 + r)/(1 + r + 2 * 79.05/20.95): by mole balance
    20.9 % at r = 1 and 34.6 % at r = 3; about 20 % methane (r = 4, 39.9 %) no longer burns (from memory)."""
    nitrogen = 2 * 79.05 / 20.95
    lean, hardly = ((1 + r) / (1 + r + nitrogen) * 100 for r in (3, 4))
    row = "V1,as_found,high,0.5,{},20,60,20,48,X1\n"
    header = TABLES["readings/readings.csv"].splitlines()[0] + "\n"
    for co2, kept in ((round(lean, 1), True), (round(hardly + 1, 1), False)):
        checked = run_checks(write_fleet(tmp_path / f"{co2}", {"readings/readings.csv": header + row.format(co2)}))
        assert checked.store.scalar("select co2_pct from current_readings") == (co2 if kept else None)
        assert [f[4] for f in checked.findings] == ["unlikely" if kept else "impossible"]
