"""A fleet kept as partitioned Parquet, here or where fsspec reaches: the same as its CSV files."""

from __future__ import annotations

import shutil
import time
from datetime import date, datetime
from pathlib import Path

import fsspec
import polars as pl
import pyarrow as pa
import pytest
from fleet_writer import TABLES, run_checks, write_fleet
from pyarrow import parquet

from pipeline.errors import FleetError, PassingError
from pipeline.fleet_place import FleetPlace
from pipeline.intake.proposals import propose
from pipeline.job import Job, run_direct, up_to_date
from pipeline.sample.as_parquet import as_parquet
from pipeline.settings import load_settings
from pipeline.store import Store


@pytest.fixture(scope="module")
def parquet_fleet(small_fleet: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("parquet") / "fleet"
    shutil.copytree(small_fleet, folder)
    as_parquet(folder)
    assert not list(folder.glob("visits/*.csv"))
    assert list(folder.glob("readings/year=2024/*.parquet"))
    return folder


def done(fleet: str | Path, out: Path) -> Job:
    job = Job.of(fleet, out)
    with job.folder.claimed():
        run_direct(job)
    return job


def in_memory(folder: Path, bucket: str) -> str:
    """The files of a folder in fsspec's memory."""
    system = fsspec.filesystem("memory")
    if system.exists(f"/{bucket}"):
        system.rm(f"/{bucket}", recursive=True)
    system.put(str(folder), f"/{bucket}", recursive=True)
    return f"memory://{bucket}"


def test_the_same_fleet_as_csv_and_as_parquet_gives_the_same_exports(
    small_run: Path, parquet_fleet: Path, tmp_path: Path
) -> None:
    """Kept as Parquet it lies in a bucket, so that all of the way is gone: listed, brought, read."""
    job = done(in_memory(parquet_fleet, "bucket/fleet"), tmp_path / "parquet")
    for path in sorted((small_run / "exports").iterdir()):
        if path.name not in ("run.json", "rejected_rows.csv"):
            assert path.read_bytes() == (tmp_path / "parquet" / "exports" / path.name).read_bytes(), path.name

    def rejected(out: Path) -> list[tuple]:
        rows = pl.read_csv(out / "exports" / "rejected_rows.csv", infer_schema_length=0)
        return sorted(rows.select("column", "value", "reason", "visit_id").fill_null("").rows())

    columns_alone = [(c, v, r.split(":")[0], i) for c, v, r, i in rejected(small_run) if not r.startswith("cells")]
    assert columns_alone == [(c, v, r.split(":")[0], i) for c, v, r, i in rejected(tmp_path / "parquet")]
    assert len(columns_alone) > 2

    assert up_to_date(job)
    system = fsspec.filesystem("memory")
    [name] = [n for n in system.find("/bucket/fleet/visits") if n.endswith("visits_2025.parquet")]
    with system.open(name, "rb") as file:
        frame = pl.read_parquet(file.read())
    with system.open(name, "wb") as file:
        frame[:-1].write_parquet(file)
    assert not up_to_date(job)
    again = done(job.place.source, tmp_path / "parquet")
    with Store.open(again.folder.store, read_only=True) as store:
        statuses = dict(store.rows("select status, count(*) from input_files group by status"))
    assert statuses["changed"] == 1
    assert statuses["unchanged"] > 5


def typed(folder: Path, visits: pl.DataFrame, name: str = "visits/year=2021/part-0.parquet") -> Path:
    write_fleet(folder, {"visits/visits.csv": None})
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    visits.write_parquet(folder / name)
    return folder


VISITS = pl.DataFrame(
    {
        "visit_id": ["V1", "V2", None, "V3"],
        "install_id": ["I1", "I1", "I1", "I9"],
        "visited_on": [date(2020, 3, 1), date(2021, 3, 2), date(2021, 3, 2), date(2021, 4, 1)],
        "burner_hours": [4000, 6000, 1, 2],
        "system_pressure_kpa": ["150", "much", "140", ""],
        "trap_cleaned": [True, False, None, None],
        "exchanger_cleaning": ["Brush", "none", None, "rinse"],
    }
)


def test_rows_set_aside_name_the_file_and_the_row(tmp_path: Path) -> None:
    checked = run_checks(typed(tmp_path / "fleet", VISITS))
    name = "visits/year=2021/part-0.parquet"
    assert [row[:2] for row in checked.rejected if row[0] == name] == [(name, 3), (name, 4)]
    assert (name, 2, "system_pressure_kpa", "much", "unreadable") in checked.findings
    taken = checked.table("select visit_id, visited_on, burner_hours, trap_cleaned, exchanger_cleaning::varchar as how "
                          "from current_visits order by 1")  # fmt: skip
    assert taken.rows() == [
        ("V1", date(2020, 3, 1), 4000.0, True, "brush"),
        ("V2", date(2021, 3, 2), 6000.0, False, "none"),
    ]


def test_a_folder_s_value_counts_where_the_file_lacks_the_column(tmp_path: Path) -> None:
    frame = VISITS.head(2).drop("install_id")
    fleet = typed(tmp_path / "fleet", frame, "visits/region=north/install_id=I2/a b.parquet")
    (fleet / "visits" / "_SUCCESS").write_text("")
    checked = run_checks(fleet)
    assert checked.table("select distinct install_id from current_visits")["install_id"].to_list() == ["I2"]
    assert not [w for w in checked.read.warnings if "region" in w or "_SUCCESS" in w]


def test_parquet_beside_csv_is_corrected_in_the_order_of_names(tmp_path: Path) -> None:
    fleet = typed(tmp_path / "fleet", VISITS.head(2), "visits/a=1/part.parquet")
    (fleet / "visits/z.csv").write_text("visit_id,install_id,visited_on,burner_hours\nV2,I1,2021-03-02,6100\n")
    checked = run_checks(fleet)
    assert checked.table("select burner_hours from current_visits order by visit_id").to_series().to_list() == [
        4000,
        6100,
    ]
    assert ("visits/a=1/part.parquet", 2) in [row[:2] for row in checked.rejected]


def test_other_units_and_timestamps_are_converted(tmp_path: Path) -> None:
    frame = VISITS.head(2).drop("system_pressure_kpa").with_columns(
        pl.col("visited_on").cast(pl.Datetime), system_pressure_bar=pl.Series([1.5, None]),
        burner_hours=pl.col("burner_hours").cast(pl.Decimal(12, 1)),
    )  # fmt: skip
    checked = run_checks(typed(tmp_path / "fleet", frame))
    rows = checked.table("select visited_on, system_pressure_kpa, burner_hours from current_visits order by visit_id")
    assert rows.rows() == [(date(2020, 3, 1), 150.0, 4000.0), (date(2021, 3, 2), None, 6000.0)]


@pytest.mark.parametrize("content", [b"", b"PAR1 or so", b"PAR1" + b"\0" * 64 + b"PAR1"])
def test_a_file_that_is_no_parquet_stops_alone(content: bytes, tmp_path: Path) -> None:
    fleet = typed(tmp_path / "fleet", VISITS.head(2))
    (fleet / "visits/year=2021/torn.parquet").write_bytes(content)
    checked = run_checks(fleet)
    assert checked.read.files_stopped == 1
    [told] = [w for w in checked.read.warnings if "torn.parquet" in w]
    assert "cannot be read as Parquet" in told
    assert checked.store.scalar("select count(*) from current_visits") == 2


def test_a_missing_column_is_told(tmp_path: Path) -> None:
    checked = run_checks(typed(tmp_path / "fleet", VISITS.drop("visited_on")))
    assert any("the column visited_on is missing" in w for w in checked.read.warnings)


def test_only_what_is_new_or_changed_is_brought(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    url = in_memory(write_fleet(tmp_path / "fleet"), "brought")
    system = fsspec.filesystem("memory")
    system.pipe("/brought/photos/huge.jpg", b"not ours")
    place = FleetPlace(url, tmp_path / "work")
    place.bring()
    here = {p.relative_to(place.folder).as_posix() for p in place.folder.rglob("*") if p.is_file()}
    assert here == set(TABLES)
    fetched: list[str] = []
    get = type(system).get
    monkeypatch.setattr(type(system), "get", lambda self, a, b, **k: (fetched.extend(a), get(self, a, b, **k)))
    place.bring()
    assert fetched == []
    system.pipe("/brought/visits/more.csv", b"visit_id,install_id,visited_on\nV9,I1,2022-01-01\n")
    system.rm("/brought/readings/readings.csv")
    place.bring()
    assert [name.split("/")[-1] for name in fetched] == ["more.csv"]
    assert not (place.folder / "readings/readings.csv").exists()


def test_a_local_url_is_a_fleet_too(tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path / "fleet")
    place = FleetPlace(f"file://{fleet}", tmp_path / "work")
    place.bring()
    assert (place.folder / "visits/visits.csv").read_bytes() == (fleet / "visits/visits.csv").read_bytes()


def test_an_address_without_a_fleet_is_told(tmp_path: Path) -> None:
    with pytest.raises(FleetError, match=r"memory://nothing/here: there is no such folder"):
        FleetPlace("memory://nothing/here", tmp_path / "work").bring()
    with pytest.raises(FleetError, match=r"nosuch://x: this kind of address cannot be opened.*pip install"):
        FleetPlace("nosuch://x", tmp_path / "work").bring()


def test_a_network_that_fails_may_be_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    url = in_memory(write_fleet(tmp_path / "fleet"), "failing")
    monkeypatch.setattr(
        type(fsspec.filesystem("memory")), "ls", lambda *a, **k: (_ for _ in ()).throw(RuntimeError("503"))
    )
    with pytest.raises(PassingError, match=r"memory://failing: cannot be listed \(503\)"):
        FleetPlace(url, tmp_path / "work").bring()


def test_headers_of_parquet_files_are_proposed_too(tmp_path: Path) -> None:
    renamed = VISITS.head(2).rename({"burner_hours": "Burner run hours"})
    fleet = typed(tmp_path / "fleet", renamed)
    assert propose(fleet, load_settings(fleet)).found["visits"] == {"Burner run hours": "burner_hours"}


@pytest.mark.parametrize("here", ["UTC", "Pacific/Honolulu", "Pacific/Auckland"])
@pytest.mark.parametrize(
    ("zone", "day"),
    [
        (None, "2021-03-01"), ("UTC", "2021-03-01"), ("Europe/Athens", "2021-03-02"), ("+01:30", "2021-03-02"),
        ("+0129", "2021-03-01"), ("-03:30", "2021-03-01"), ("Etc/GMT-2", "2021-03-02"),
    ],
)  # fmt: skip
def test_the_day_of_an_instant_is_that_of_its_own_zone(
    here: str, zone: str | None, day: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """22:30 in UTC on 1 March is 0:30 on the 2nd in Athens (UTC+2 in winter, common knowledge), and midnight where
    clocks are an hour and a half ahead. Etc/GMT-2 is, by its name, two hours ahead."""
    moment = pa.array([datetime(2021, 3, 1, 22, 30)], pa.timestamp("us", zone))
    fleet = write_fleet(tmp_path, {"visits/visits.csv": None})
    visits = pa.table({"visit_id": ["V1"], "install_id": ["I1"], "visited_on": moment})
    parquet.write_table(visits, fleet / "visits" / "a.parquet")
    monkeypatch.setenv("TZ", here)
    time.tzset()
    try:
        assert run_checks(fleet).store.scalar("select visited_on::varchar from current_visits") == day
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_number_of_32_bits_is_the_decimal_it_was_made_from(tmp_path: Path) -> None:
    """The nearest double to the nearest float of 6.4 is 6.400000095…: out of a range that ends at 6.4."""
    fleet = write_fleet(tmp_path, {"readings/readings.csv": None})
    tests = pl.DataFrame(
        {"visit_id": ["V1"], "stage": "as_found", "firing": "high", "o2_pct": [6.4], "flue_temp_f": [143.6]}
    )
    tests.cast({pl.Float64: pl.Float32}).write_parquet(fleet / "readings" / "a.parquet")
    assert run_checks(fleet).store.rows("select o2_pct, flue_temp_c from current_readings") == [(6.4, 62.0)]


def test_text_written_as_bytes_is_text(tmp_path: Path) -> None:
    """As writers without the format's note that bytes are UTF-8 leave it; what is no UTF-8 is shown by its codes."""
    fleet = write_fleet(
        tmp_path, {"visits/visits.csv": None, "installs.csv": TABLES["installs.csv"].replace("I1", "Ö1")}
    )
    columns = {
        "visit_id": ["V1", "V2"],
        "install_id": ["Ö1", "I2"],
        "visited_on": ["2021-03-01"] * 2,
        "purpose": ["annual"] * 2,
    }
    visits = pl.DataFrame(columns).select(pl.all().cast(pl.Binary), pl.Series("notes", [b"\xc3\xa9\n", b"\xff"]))
    visits.write_parquet(fleet / "visits" / "a.parquet")
    checked = run_checks(fleet)
    assert checked.store.rows("select install_id, purpose, notes from current_visits order by visit_id") == [
        ("Ö1", "annual", "é\n"), ("I2", "annual", "\\xFF"),
    ]  # fmt: skip


@pytest.mark.parametrize("numbers", [pl.Int64, pl.Float64, pl.Float32, pl.Decimal(12, 2)])
def test_names_that_are_numbers_meet_those_of_csv_files(numbers: pl.DataType, tmp_path: Path) -> None:
    """A column of numbers with an empty cell leaves a data frame as fractions: 101.0 is 101."""
    visits = "visit_id,install_id,visited_on\n101,I1,2021-03-01\n"
    fleet = write_fleet(tmp_path, {"visits/visits.csv": visits, "readings/readings.csv": None})
    tests = pl.DataFrame(
        {"visit_id": pl.Series([101]).cast(numbers), "stage": "as_found", "firing": "high", "o2_pct": 5.0}
    )
    tests.write_parquet(fleet / "readings" / "a.parquet")
    assert run_checks(fleet).check.accepted["readings"] == 1
