"""Rows that end before the header does: spreadsheets leave out empty cells at the end, as Excel does where sixteen rows
in a row have nothing in the last columns."""

from __future__ import annotations

from pathlib import Path

import pytest
from fleet_writer import TABLES, run_checks, write_fleet

HEADER = "visit_id,stage,firing,o2_pct,co2_pct,co_ppm,flue_temp_c,air_temp_c,return_temp_c,analyser_id\n"
ENCODINGS = ("utf-8", "utf-16")  # read by DuckDB, and record by record
TAKEN = "select * exclude (file_id, line) from current_{} order by all"


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_rows_without_their_empty_last_cells_are_those_with_them(encoding: str, tmp_path: Path) -> None:
    full = write_fleet(tmp_path / "full")
    short = write_fleet(tmp_path / "short")
    stripped = 0
    for path in short.rglob("*.csv"):
        lines = path.read_text().splitlines()
        stripped += sum(line.endswith(",") for line in lines)
        path.write_text("".join(line.rstrip(",") + "\n" for line in lines), encoding=encoding)
    told, meant = run_checks(short), run_checks(full)
    assert stripped > 3
    for table in ("areas", "models", "limits", "installs", "visits", "readings"):
        query = TAKEN.format(table) if table in ("visits", "readings") else f"from current_{table} order by all"
        assert told.table(query).equals(meant.table(query)), table
    assert told.rejected == meant.rejected == []
    assert [rule for *_, rule in told.findings] == ["short_row"] * stripped


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("V1,as_found", "the firing, which a row must have, is missing"),
        ("V1,as_found,high,9.0,40,62,20,48,X1\n", "a cell is missing inside, and a name stands for a number"),
        ("V1,as_found,high,5.0,93,62,20,48\n", "the CO stands where the CO2 does"),
        ("V1,as_found,high,5.0,9.0,40,6", "the file ends within the row: 6 may be what is left of 62"),
    ],
)  # fmt: skip
def test_what_may_lack_another_cell_than_the_last_is_set_aside(
    row: str, why: str, encoding: str, tmp_path: Path
) -> None:
    text = f"{HEADER}V2,as_found,high,5.0,9.0,40,62,20,48,X1\n{row}"
    checked = run_checks(write_fleet(tmp_path, {"readings/readings.csv": text.encode(encoding)}))
    assert [(r[1], r[4], r[5]) for r in checked.rejected] == [(3, "cells", "V1")], why
    assert checked.check.accepted["readings"] == 1
    assert checked.findings == []


def test_a_short_row_among_many_keeps_its_line(tmp_path: Path) -> None:
    visits = TABLES["visits/visits.csv"].splitlines()
    visits += [f"W{n},I1,2021-05-{1 + n % 28:02},T1,annual,{7000 + n},none,true," for n in range(2000)]
    visits[1500] = visits[1500].removesuffix(",true,")
    checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": "\n".join(visits) + "\n"}))
    assert [f for f in checked.findings if f[4] == "short_row"] == [
        ("visits/visits.csv", 1501, None, visits[1500], "short_row")
    ]
    assert checked.store.rows("select trap_cleaned, line from current_visits where burner_hours = 8496") == [
        (None, 1501)
    ]
