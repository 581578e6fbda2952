"""Folders that nobody planned for: what is said about them, and where."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from fleet_writer import run_checks, write_fleet

from models.drift.fit import fit_series
from models.drift.series import SeriesInputs
from models.known.posteriors import posterior
from pipeline.command import check_fleet
from pipeline.errors import FleetError
from pipeline.terminal import told_plainly


def test_a_broken_workbook_is_told_in_one_line_without_its_whole_path(tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path / "fleet", {"visits/torn.xlsx": b"PK\x03\x04 torn"})
    (fleet / "readings" / "folder.csv").mkdir()
    checked = run_checks(fleet)
    reasons = checked.store.rows("select file, line, reason from rejected_rows where reason like 'file_stopped%'")
    assert [(file, line) for file, line, _ in reasons] == [("visits/torn.xlsx", 1)]
    assert "\n" not in reasons[0][2]
    assert str(tmp_path) not in reasons[0][2]
    assert checked.store.scalar("select count(*) from current_visits") == 3


def test_what_stops_a_file_or_mends_a_table_is_told_by_check(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    load = ",".join(["0.08"] * 12)  # sums to 0.96
    names = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
    months = ",".join(f"load_{name}" for name in names)
    fleet = write_fleet(
        tmp_path / "fleet", {"areas.csv": f"area_id,name,{months}\nA1,North,{load}\n", "visits/none.csv": ""}
    )
    check_fleet(fleet, None)
    told = " ".join(capsys.readouterr().out.split())
    assert "note: visits/none.csv: the file is empty" in told
    assert "load shares of A1 do not sum to 1 and were scaled" in told


def test_the_warnings_of_both_stages_stay_in_the_store(tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path / "fleet", {"visits/none.csv": "", "visits/visits.csv": None})
    checked = run_checks(fleet)
    kept = dict(checked.store.rows("select stage, string_agg(message, ' ') from run_warnings group by stage"))
    assert "visits/none.csv" in kept["read"]
    assert "no visit was taken" in kept["check"]


def test_work_that_no_visit_writes_down_is_asked_for_where_its_readings_are(tmp_path: Path) -> None:
    visits = "visit_id,install_id,visited_on,technician_id,{}trap_drain_found_s\nV1,I1,2020-03-01,T1,{}12\n"
    silent = write_fleet(tmp_path / "silent", {"visits/visits.csv": visits.format("", "")})
    told = " ".join(
        m for (m,) in run_checks(silent).store.rows("select message from run_warnings where stage = 'check'")
    )
    assert "visits: exchanger_cleaning is empty in every row" in told
    assert "visits: trap_cleaned is empty in every row" in told
    assert "media_renewed" not in told  # no pH is read either
    columns, row = "exchanger_cleaning,trap_cleaned,", "none,false,"
    written = write_fleet(tmp_path / "written", {"visits/visits.csv": visits.format(columns, row)})
    rows = run_checks(written).store.rows("select message from run_warnings where stage = 'check'")
    assert not any("is empty in every row" in message for (message,) in rows)


def test_readings_that_lie_on_their_lines_to_the_last_digit_leave_a_fit() -> None:
    """Made-up or copied readings have no scatter: the likelihood then has no bound."""
    installs, years = 14, 3
    n = installs * years
    of = np.repeat(np.arange(installs, dtype=np.int32), years)
    year = np.tile(np.arange(years), installs)
    none = pl.Series([None] * n, dtype=pl.Int32)
    inputs = SeriesInputs(
        3, "o2_pct", "high", "identity", "both",
        pl.DataFrame({
            "install_no": of, "cycle_no": np.zeros(n, np.int32), "day": (18312 + 365 * year).astype(np.int32),
            "hours": 1500.0 * year, "value": 5 + 0.1 * year, "stage_order": np.zeros(n, np.int8), "analyser_no": none,
        }),
        pl.DataFrame({
            "install_no": np.arange(installs, dtype=np.int32), "cycle_no": np.zeros(installs, np.int32),
            "opened_by": ["unknown"] * installs, "opened_day": np.full(installs, 18312, np.int32),
            "value_before": pl.Series([None] * installs, dtype=pl.Float64),
        }),
        pl.DataFrame({
            "install_no": np.arange(installs, dtype=np.int32), "model_no": np.arange(installs, dtype=np.int32),
            "design_no": np.arange(installs, dtype=np.int32), "condensing": [True] * installs,
            "material": ["stainless"] * installs, "fuel": ["natural_gas"] * installs, "air_intake": ["room"] * installs,
            "hardness": [200.0] * installs, "media_kg": [2.0] * installs,
            "installed_year": np.full(installs, 2020, np.int32),
        }),
    )  # fmt: skip
    fitted = fit_series(inputs)
    assert "no scatter" in fitted.note
    after = posterior(fitted, fitted.inputs.cycles)
    assert np.isfinite(after.select("m0", "m1", "v00", "v11").to_numpy()).all()
    # the reading of hour 0 is 5.0, and 0.1 more for every 1,500 h
    assert after["m0"].to_numpy() == pytest.approx(5.0, abs=0.1)
    assert after["m1"].to_numpy() == pytest.approx(0.1 / 1.5, abs=0.03)


def test_earlier_results_are_spoken_of_only_where_there_are_some(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    file = tmp_path / "file"
    file.write_text("not a folder")
    with pytest.raises(SystemExit), told_plainly(results_kept=file):
        raise FleetError("no.")
    assert "Earlier results" not in capsys.readouterr().err
    (tmp_path / "fleet.duckdb").write_bytes(b"")
    with pytest.raises(SystemExit), told_plainly(results_kept=tmp_path):
        raise FleetError("no.")
    assert "Earlier results" in capsys.readouterr().err
