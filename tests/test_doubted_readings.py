"""Readings in doubt that may not be passed over: what counts as the last value, and what is said of it.

Sources: that CO air-free does not change with dilution is the mole balance (40 CFR 60, App. A-7, Method 19, eq. 19-1);
that a high CO must not wait is the rule of the trade (common practice, no source).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from fleet_writer import run_checks, write_fleet
from page_store import small_store, text_of

from models.mapper import here
from pipeline.settings import load_settings, settings_from
from pipeline.stages.cycles import cycles
from pipeline.stages.derive import derive
from pipeline.stages.fit import fit
from pipeline.stages.forecast import forecast
from pipeline.stages.pages import front_of, prepare, visits_of

VISITS = (
    "visit_id,install_id,visited_on,technician_id,purpose,burner_hours,exchanger_cleaning,burner_adjusted,trap_cleaned,"
    "trap_drain_found_s\n"
)
READINGS = "visit_id,stage,firing,o2_pct,co2_pct,co_ppm\n"
YEARS = [f"V{k},I{i},{year}-03-0{i},T1,annual,{1500 * (year - 2019)},none,false,false,10\n"
         for i in (1, 2, 3) for k, year in ((f"{i}{year}", year) for year in range(2020, 2024))]  # fmt: skip
CALM = [f"V{i}{year},as_found,high,5.0,9.0,40\n" for i in (1, 2, 3) for year in range(2020, 2024)]


def last_of(tmp_path: Path, visits: str, readings: str) -> dict[tuple[str, str], tuple]:
    """(install_id, indicator at high fire or any) -> (last_value, last_stage, state)."""
    files = {
        "visits/visits.csv": VISITS + "".join(YEARS) + visits,
        "readings/readings.csv": READINGS + "".join(CALM) + readings,
        "limits.csv": "model_id,fuel,firing,indicator,low,high,source\nM1,any,any,co_air_free_ppm,,300,manual p. 4\n",
    }
    folder = write_fleet(tmp_path / "fleet", files)
    settings = load_settings(folder)
    with run_checks(folder, tmp_path / "fleet.duckdb").store as store:
        for stage in (derive, cycles):
            stage(store, settings)
        fit(store, settings, mapper=here)
        forecast(store, settings)
        rows = store.rows(
            "select install_id, indicator, last_value, last_stage, state from forecasts where firing in ('high', 'any')"
        )
    return {(install, indicator): tuple(told) for install, indicator, *told in rows}


NEWEST = "V9,I1,2024-03-01,T1,annual,7500,{},false,false,{}\n"


@pytest.mark.parametrize(
    ("reading", "value"),
    [
        ("V9,as_found,high,5.0,9.0,9000\n", 9000 * 20.9 / (20.9 - (5.0 - 0.45))),  # more than is usual
        ("V9,as_found,high,5.0,6.0,900\n", 900 * 20.9 / 15.9),  # O2 and CO2 off the fuel's line
        ("V9,as_found,high,17.5,,300\n", 300 * 20.9 / 3.4),  # mostly air: the factor of 15 % still leaves it out
        ("V9,as_found,high,,,900\n", 900),  # no O2: air-free it is no less than as read
        ("V9,as_found,high,-0.4,,900\n", 900),  # an O2 that cannot be
        ("V9,as_found,low,,,900\nV9,as_found,high,20.9,,900\n", 900),  # the air of the room
    ],
)
def test_co_above_its_limit_counts_though_it_is_in_doubt(tmp_path: Path, reading: str, value: float) -> None:
    told = last_of(tmp_path, NEWEST.format("none", 10), reading)
    assert told["I1", "co_air_free_ppm"] == (pytest.approx(value, rel=1e-4), "as_found", "out_of_range")
    assert told["I3", "co_air_free_ppm"][2] == "in_range"


@pytest.mark.parametrize(
    ("visit", "readings"),
    [
        (NEWEST.format("none", 10), "V9,as_found,high,20.2,,15\n"),  # the air of a room: 448 ppm by the formula
        (NEWEST.format("none", 10), "V9,as_found,high,5.0,6.0,100\n"),  # in doubt, and within its limit
        (NEWEST.format("none", 10), "V9,as_found,high,,,250\n"),
        (
            NEWEST.format("none", 10),
            "V9,as_found,high,5.0,9.0,9000\nV9,as_left,high,5.0,9.0,45\n",  # read again, after nothing was done
        ),
    ],
)
def test_a_doubt_that_tells_of_no_danger_counts_for_nothing(tmp_path: Path, visit: str, readings: str) -> None:
    assert last_of(tmp_path, visit, readings)["I1", "co_air_free_ppm"][2] == "in_range"


def test_co_found_before_the_work_says_nothing_of_now(tmp_path: Path) -> None:
    told = last_of(tmp_path, NEWEST.format("chemical", 10), "V9,as_found,high,5.0,9.0,9000\n")
    assert told["I1", "co_air_free_ppm"][2] == "unknown"


def test_a_trap_that_takes_longer_than_is_usual_is_out(tmp_path: Path) -> None:
    told = last_of(tmp_path, NEWEST.format("none", 999), "")
    assert told["I1", "trap_drain_s"] == (999, "as_found", "out_of_range")


def test_an_install_whose_only_reading_is_in_doubt_is_out_of_range(tmp_path: Path) -> None:
    told = last_of(tmp_path, "V8,I2,2024-03-01,T1,annual,9000,brush,false,false,\n", "V8,as_left,high,4.0,9.6,8000\n")
    assert told["I2", "co_air_free_ppm"][1:] == ("as_left", "out_of_range")


def test_pages_say_that_the_reading_is_in_doubt(tmp_path: Path) -> None:
    with small_store() as store:
        store.run("""
            update forecasts set state = 'in_range', p_out_now = 0.01, due_on = null;
            update forecasts set state = 'out_of_range', last_value = 9000, last_stage = 'as_left'
            where install_no = 4 and series_no = 1;
            insert into doubted_readings select install_no, series_no, last_value, last_stage, last_on from forecasts
            where install_no = 4 and series_no = 1;
        """)
        made = prepare(store, settings_from({}), tmp_path / "site")
        front_of(store, made)
        visits_of(store, made)
        made.finish()
    assert "; reading in doubt)" in text_of(tmp_path / "site" / "index.html")
    cards = "".join(text_of(page) for page in (tmp_path / "site" / "visits").glob("*.html"))
    assert cards.count("Out of range at the last reading, which is in doubt: test again before all else.") == 1
