"""A fleet that changes between runs, and fuels of its own: the whole job, files in and files out."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.job import Job, run_direct

TODAY = date(2026, 11, 25)


def run(fleet: Path, out: Path) -> Path:
    job = Job.of(fleet, out, today=TODAY)
    with job.folder.claimed():
        run_direct(job)
    return out / "exports"


def rewritten(path: Path, **columns: pl.Expr) -> None:
    frame = pl.read_csv(path, infer_schema=False)
    frame.with_columns(**columns).write_csv(path)


@pytest.fixture(scope="module")
def fleet(small_fleet: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every third install burns hydrogen, every third an oil that fleet.toml describes."""
    folder = tmp_path_factory.mktemp("changing") / "fleet"
    shutil.copytree(small_fleet, folder)
    (folder / "fleet.toml").write_text(
        'title = "Odd fuels"\n[fuels.site_oil]\ngross_mj_per_kg = 45.3\ncarbon = 0.87\nhydrogen = 0.13\n'
    )
    number = pl.col("install_id").str.extract(r"(\d+)$").cast(pl.Int64) % 3
    fuel = pl.when(number == 0).then(pl.lit("hydrogen")).when(number == 1).then(pl.lit("site_oil"))
    rewritten(folder / "installs.csv", fuel=fuel.otherwise(pl.lit("natural_gas")))
    return folder


def test_a_changed_fleet_ends_where_a_fresh_run_does(fleet: Path, tmp_path: Path) -> None:
    changed = tmp_path / "fleet"
    shutil.copytree(fleet, changed)
    run(changed, tmp_path / "out")
    installs = pl.read_csv(changed / "installs.csv", infer_schema=False)
    moved = installs["install_id"][5]
    areas = installs["area_id"].unique().sort().to_list()
    models = installs["model_id"].unique().sort().to_list()
    here = pl.col("install_id") == moved
    area = next(a for a in areas if a != installs["area_id"][5])
    model = next(m for m in models if m != installs["model_id"][5])
    rewritten(
        changed / "installs.csv",
        area_id=pl.when(here).then(pl.lit(area)).otherwise("area_id"),
        model_id=pl.when(here).then(pl.lit(model)).otherwise("model_id"),
    )
    sorted((changed / "visits").glob("*.csv"))[1].unlink()
    limits = pl.read_csv(changed / "limits.csv", infer_schema=False)
    limits.head(limits.height // 2).write_csv(changed / "limits.csv")
    again, fresh = run(changed, tmp_path / "out"), run(changed, tmp_path / "fresh")
    for name in ("forecasts.csv", "visit_plan.csv", "appliance_models.csv", "area_weeks.csv", "rejected_rows.csv"):
        assert (again / name).read_bytes() == (fresh / name).read_bytes(), name
    plan = pl.read_csv(fresh / "visit_plan.csv", infer_schema=False).filter(pl.col("install_id") == moved)
    assert plan.select("area_id", "model_id").row(0) == (area, model)


def test_hydrogen_and_an_oil_of_the_fleets_own_are_derived_and_forecast(fleet: Path, tmp_path: Path) -> None:
    exports = run(fleet, tmp_path / "out")
    with duckdb.connect(str(tmp_path / "out" / "fleet.duckdb"), read_only=True) as store:
        rows = store.sql(
            """
            select i.fuel, r.o2_pct, r.co_ppm, d.co_air_free_ppm, d.co2_dry_pct, d.excess_air_ratio,
                   d.efficiency_gross_pct, d.efficiency_net_pct
            from derived d join current_readings r using (visit_id, stage, firing)
            join current_visits v using (visit_id) join current_installs i using (install_no)
            where r.o2_pct between 1 and 12 and r.co_ppm is not null"""
        ).pl()
    hydrogen, oil = (rows.filter(pl.col("fuel") == name) for name in ("hydrogen", "site_oil"))
    assert min(hydrogen.height, oil.height) > 20
    assert hydrogen["co2_dry_pct"].fill_null(0.0).max() == pytest.approx(0.0, abs=1e-6)
    # Gross over net heat of hydrogen is 141.8 / 120.0 MJ/kg (ISO 6976:2016 gives 285.83 and 241.81 kJ/mol at 25 °C):
    # the net figure exceeds the gross one by that ratio.
    heats = hydrogen.drop_nulls("efficiency_gross_pct")
    assert (heats["efficiency_net_pct"] / heats["efficiency_gross_pct"]).to_list() == pytest.approx(
        [285.83 / 241.81] * heats.height, rel=0.004
    )
    # CO air-free = CO x 20.9 / (20.9 - O2) where nothing else is known (ANSI Z21.1 and trade manuals), within the few
    # tenths of a per cent by which the fuel and 20.95 % move it.
    for own in (hydrogen, oil):
        given = own.select("co_ppm", "o2_pct").iter_rows()
        assert own["co_air_free_ppm"].to_list() == pytest.approx(
            [co * 20.95 / (20.95 - o2) for co, o2 in given], rel=0.02
        )
    forecasts = pl.read_csv(exports / "forecasts.csv", infer_schema=False)
    assert forecasts["install_id"].n_unique() == 60
    assert forecasts.filter(pl.col("indicator") == "o2_pct")["due_on"].is_not_null().any()


def test_what_nobody_in_the_fleet_ever_read_has_no_forecast(fleet: Path, tmp_path: Path) -> None:
    """Priors alone would put most installs outside a narrow range, and all their visits at once."""
    unread = tmp_path / "fleet"
    shutil.copytree(fleet, unread)
    for file in (unread / "readings").glob("*.csv"):
        lines = file.read_bytes().splitlines(keepends=True)
        file.write_bytes(b"".join(line for line in lines if b",low," not in line and b";low;" not in line))
    exports = run(unread, tmp_path / "out")
    forecasts = pl.read_csv(exports / "forecasts.csv", try_parse_dates=True)
    low, high = (forecasts.filter(pl.col("firing") == firing) for firing in ("low", "high"))
    assert low.height > 0
    assert set(low["state"]) == {"unknown"}
    told = ("last_value", "p_out_now", "due_on", "out_p50_on", "rate_per_1000h", "basis")
    assert low.select(told).null_count().row(0) == (low.height,) * len(told)
    assert low["limit_high"].null_count() == 0
    assert high["p_out_now"].null_count() == 0
    curve = pl.read_parquet(exports / "forecast_curve.parquet")
    assert set(curve["firing"]) == {"high", "any"}
    models = pl.read_csv(exports / "appliance_models.csv").filter(pl.col("firing") == "low")
    assert models.height > 0
    assert models["rate_per_1000h"].null_count() == models["rank"].null_count() == models.height
