"""Fleet folders of a few rows, for tests of reading and checking."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from pipeline.settings import load_settings
from pipeline.stages.check import CheckReport, check
from pipeline.stages.read import ReadReport, read
from pipeline.store import Store

TODAY = date(2026, 11, 25)
TABLES = {
    "areas.csv": "area_id,name\nA1,North shore\nA2,Old town\n",
    "appliance_models.csv": (
        "model_id,name,exchanger_design,exchanger_material,condensing,rated_input_kw,service_interval_months\n"
        "M1,Model one,D1,stainless,true,30,12\nM2,Model two,D1,aluminium,true,24,12\n"
    ),
    "limits.csv": "model_id,fuel,firing,indicator,low,high,source\nM1,any,any,co_air_free_ppm,,300,manual p. 4\n",
    "installs.csv": (
        "install_id,model_id,area_id,site_label,fuel,installed_on,altitude_m\n"
        "I1,M1,A1,Mill lane,natural_gas,2018-03-01,20\nI2,M2,A2,Dock,propane,2019-05-01,\nI3,M1,A1,Never "
        "seen,natural_gas,2020-01-01,\n"
    ),
    "visits/visits.csv": (
        "visit_id,install_id,visited_on,technician_id,purpose,burner_hours,exchanger_cleaning,trap_cleaned,notes\n"
        "V1,I1,2020-03-01,T1,annual,4000,brush,true,fine\n"
        "V2,I1,2021-03-02,T1,annual,6000,none,false,\n"
        "V3,I2,2021-04-01,T2,breakdown,,rinse,,\n"
    ),
    "readings/readings.csv": (
        "visit_id,stage,firing,o2_pct,co2_pct,co_ppm,flue_temp_c,air_temp_c,return_temp_c,analyser_id\n"
        "V1,as_found,high,5.0,9.0,40,62,20,48,X1\nV1,as_left,high,4.8,9.1,30,57,20,48,X1\nV2,as_found,high,5.1,8.9,45,60,18,47,X1\n"
        "V3,as_found,low,6.0,,20,50,,40,X2\n"
    ),
}


def write_fleet(folder: Path, files: dict[str, str | bytes | None] | None = None) -> Path:
    """A small good fleet folder with some files replaced, added, or (None) left out. Text is written as it is, in
    UTF-8."""
    for name, content in {**TABLES, **(files or {})}.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if content is None:
            path.unlink(missing_ok=True)
        else:
            path.write_bytes(content.encode() if isinstance(content, str) else content)
    return folder


class Checked:
    """A store after read and check, with what the two reported."""

    def __init__(self, store: Store, read_report: ReadReport, check_report: CheckReport) -> None:
        self.store, self.read, self.check = store, read_report, check_report

    def table(self, query: str) -> pl.DataFrame:
        return self.store.frame(query)

    @property
    def rejected(self) -> list[tuple]:
        """(file, line, column, value, rule, visit_id), sorted."""
        return self.store.rows(
            "select file, line, \"column\", value, split_part(reason, ':', 1), visit_id from rejected_rows order by all"
        )

    @property
    def findings(self) -> list[tuple]:
        """(file, line, column, value, rule), sorted."""
        return self.store.rows('select file, line, "column", value, rule from findings order by all')


def run_checks(
    folder: Path,
    store_path: Path | None = None,
    previous: Path | None = None,
    as_of: date | None = None,
    today: date = TODAY,
) -> Checked:
    """Read and check a folder into a store (in memory where no path is given). The caller closes it."""
    settings = load_settings(folder)
    store = Store.open(store_path)
    read_report = read(store, folder, settings, previous)
    return Checked(store, read_report, check(store, settings, as_of, today))


def account(checked: Checked) -> dict[str, tuple[int, int, int]]:
    """By kind of big table: rows read, rows taken, rows in rejected_rows."""
    counts = {}
    for kind in ("visits", "readings"):
        read_rows = checked.store.scalar(f"select count(*) from raw_{kind}")
        taken = checked.store.scalar(f"select count(*) from current_{kind}")
        lost = checked.store.scalar(
            "select count(*) from rejected_rows r join input_files f on f.name = r.file where f.kind = ? "
            "and f.status <> 'stopped'",
            [kind],
        )
        counts[kind] = (read_rows, taken, lost)
    return counts
