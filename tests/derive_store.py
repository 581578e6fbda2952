"""A store with the tables that derive reads, from a few rows written in a test."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl

from pipeline.derive import INPUTS
from pipeline.settings import settings_from
from pipeline.stages.derive import derive
from pipeline.store import Store

START = date(2020, 3, 2)
FINDINGS = (
    'file varchar, line bigint, "column" varchar, value varchar, rule varchar, message varchar, visit_id varchar, '
    "stage varchar, firing varchar, install_id varchar, technician_id varchar, analyser_id varchar, misleads boolean"
)
MEASURED = {
    "o2_pct": 5.0, "co2_pct": None, "co_ppm": 40.0, "co_air_free_ppm": None, "flue_temp_c": 52.0, "air_temp_c": 20.0,
    "supply_temp_c": 60.0, "return_temp_c": 42.0, "flame_current_ua": 3.0,
}  # fmt: skip
"""A healthy test."""


def visit(*tests: dict[str, Any], install: int = 0, **columns: Any) -> dict[str, Any]:
    """One visit; tests differ from MEASURED in what they name."""
    return {"install_no": install, "burner_adjusted": False, "exchanger_cleaning": "none", **columns, "tests": tests}


def reading(stage: str = "as_found", firing: str = "high", **values: Any) -> dict[str, Any]:
    return {"stage": stage, "firing": firing, **MEASURED, "analyser_id": None, **values}


def test_no(visit_no: int, test: dict[str, Any]) -> int:
    return 4 * visit_no + 2 * (test["stage"] == "as_left") + (test["firing"] == "low")


def store_of(visits: list[dict[str, Any]], installs: dict[int, dict[str, Any]] | None = None) -> Store:
    """An in-memory store holding these visits, numbered by install and in the order given."""
    store = Store.open(None)
    visits = sorted(visits, key=lambda v: v["install_no"])
    described = {v["install_no"]: {} for v in visits} | (installs or {})
    store.write(
        "current_installs",
        pl.DataFrame(
            [
                {"install_no": no, "install_id": f"I{no}", "model_no": 0, "fuel": "natural_gas", "altitude_m": None}
                | what
                for no, what in described.items()
            ],
            schema={
                "install_no": pl.Int32, "install_id": pl.String, "model_no": pl.Int32, "fuel": pl.String,
                "altitude_m": pl.Float64,
            },
        ),
    )  # fmt: skip
    store.write("current_models", pl.DataFrame({"model_no": [0], "name": ["Example 20"]}))
    store.write("input_files", pl.DataFrame({"file_id": [1], "name": ["readings/a.csv"]}))
    store.write(
        "current_visits",
        pl.DataFrame(
            [
                {
                    "visit_no": no, "visit_id": f"V{no}",
                    "install_no": v["install_no"], "install_id": f"I{v['install_no']}",
                    "visited_on": START + timedelta(days=365 * no), "technician_id": "T1", "purpose": "annual",
                    "burner_adjusted": v["burner_adjusted"], "exchanger_cleaning": v["exchanger_cleaning"],
                }
                for no, v in enumerate(visits)
            ],
            schema={
                "visit_no": pl.Int32, "visit_id": pl.String, "install_no": pl.Int32, "install_id": pl.String,
                "visited_on": pl.Date, "technician_id": pl.String, "purpose": pl.String, "burner_adjusted": pl.Boolean,
                "exchanger_cleaning": pl.String,
            },
        ),
    )  # fmt: skip
    rows = [
        {
            "visit_no": no,
            "test_no": test_no(no, test),
            "install_no": v["install_no"],
            "visit_id": f"V{no}",
            **test,
            "file_id": 1,
            "line": 2 + no,
        }
        for no, v in enumerate(visits)
        for test in v["tests"]
    ]
    store.write(
        "current_readings",
        pl.DataFrame(
            rows,
            schema={
                "visit_no": pl.Int32, "test_no": pl.Int32, "install_no": pl.Int32, "visit_id": pl.String,
                "stage": pl.String, "firing": pl.String,
                **dict.fromkeys(INPUTS, pl.Float64), "analyser_id": pl.String, "file_id": pl.Int32, "line": pl.Int64,
            },
        ),
    )  # fmt: skip
    store.run(
        "create macro readings_between(first, beyond) as table "
        "from current_readings where rowid >= first and rowid < beyond"
    )
    store.run(f"create table findings ({FINDINGS})")
    store.run(
        'create table rejected_rows (file varchar, line bigint, "column" varchar, value varchar, reason varchar, '
        "visit_id varchar)"
    )
    return store


def derived(store: Store, **settings: Any) -> pl.DataFrame:
    """The table `derived` after the stage, in order."""
    derive(store, settings_from(settings))
    return store.frame("from derived order by visit_no, stage, firing")


def one(**values: Any) -> dict[str, Any]:
    """The derived row of a single test; `fuel`, `altitude_m` describe its install."""
    place = {name: values.pop(name) for name in ("fuel", "altitude_m") if name in values}
    with store_of([visit(reading(**values))], {0: place}) as store:
        return derived(store).row(0, named=True)
