"""The whole run over sample_data: every agreed file, every column, and numbers that agree with each other."""

from __future__ import annotations

import csv
import json
from datetime import date, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest

SAMPLE_DATA = Path(__file__).parent.parent / "sample_data"

COLUMNS = {
    "forecasts.csv": "install_id, indicator, firing, as_of, last_value, last_stage, last_on, limit_low, limit_high, "
    "limit_source, state, p_out_now, due_on, out_p10_on, out_p50_on, out_p90_on, rate_per_1000h, rate_low_per_1000h, "
    "rate_high_per_1000h, basis",
    "visit_plan.csv": "install_id, area_id, model_id, due_on, leading_indicator, planned_week, expected_minutes, "
    "p_out_at_planned, p_out_at_interval, tasks, take_along, last_visit_on",
    "appliance_models.csv": "model_id, exchanger_design, indicator, firing, installs, visits, rate_per_1000h, "
    "rate_low_per_1000h, rate_high_per_1000h, median_days_to_out, share_out_at_interval, rank, worse_than_fleet_p",
    "area_weeks.csv": "area_id, week, visits, hours_needed, hours_available, hours_short, hour_value",
    "rejected_rows.csv": "file, line, column, value, reason, visit_id",
}
DATES = [
    "as_of",
    "last_on",
    "due_on",
    "out_p10_on",
    "out_p50_on",
    "out_p90_on",
    "planned_week",
    "last_visit_on",
    "week",
]
TOLERANCE = 0.10


def table(out: Path, name: str) -> pl.DataFrame:
    frame = pl.read_csv(out / "exports" / name, infer_schema_length=None)
    return frame.with_columns(pl.col(c).cast(pl.String).str.to_date() for c in DATES if c in frame.columns)


@pytest.fixture(scope="module")
def forecasts(sample_run: Path) -> pl.DataFrame:
    return table(sample_run, "forecasts.csv")


@pytest.fixture(scope="module")
def curve(sample_run: Path) -> pl.DataFrame:
    return pl.read_parquet(sample_run / "exports" / "forecast_curve.parquet")


@pytest.fixture(scope="module")
def record(sample_run: Path) -> dict:
    return json.loads((sample_run / "exports" / "run.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", COLUMNS)
def test_each_export_has_the_agreed_columns_and_rows_in_order(sample_run: Path, name: str) -> None:
    with (sample_run / "exports" / name).open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == COLUMNS[name].split(", ")
    assert len(rows) > 1
    keys = {"rejected_rows.csv": 1, "area_weeks.csv": 2, "forecasts.csv": 3, "appliance_models.csv": 1}.get(name, 1)
    firsts = [tuple(row[:keys]) for row in rows[1:]]
    if name == "appliance_models.csv":
        firsts = [(row[0], row[2], row[3]) for row in rows[1:]]
    assert firsts == sorted(firsts)


def test_the_curves_are_those_of_the_store_in_order_and_plainly_typed(sample_run: Path, curve: pl.DataFrame) -> None:
    with duckdb.connect(str(sample_run / "fleet.duckdb"), read_only=True) as db:
        stored = db.sql(
            "select install_id, indicator, firing, first_month, p_out::float[] as p_out from forecast_curve "
            "order by install_id, indicator, firing"
        ).pl()
    assert curve.schema == {
        "install_id": pl.String, "indicator": pl.String, "firing": pl.String, "first_month": pl.Date,
        "p_out": pl.List(pl.Float32),
    }  # fmt: skip
    assert curve.equals(stored)


def test_every_install_has_a_row_for_every_indicator_that_applies(sample_run: Path, forecasts: pl.DataFrame) -> None:
    installs = pl.read_csv(SAMPLE_DATA / "installs.csv", infer_schema_length=None)
    models = pl.read_csv(SAMPLE_DATA / "appliance_models.csv").select("model_id", "condensing")
    joined = installs.unique("install_id").join(models, on="model_id")
    media = pl.col("media_kg") if "media_kg" in joined.columns else pl.lit(None)
    expected = 7 * joined.height + joined.filter(pl.col("condensing").cast(pl.String) == "true").height
    expected += joined.filter(media.cast(pl.Float64, strict=False) > 0).height
    assert forecasts.height == expected
    assert not forecasts.select("install_id", "indicator", "firing").is_duplicated().any()


def test_chances_and_dates_are_in_order(forecasts: pl.DataFrame) -> None:
    assert forecasts["p_out_now"].drop_nulls().is_between(0, 1).all()
    end = date(9999, 1, 1)
    dates = forecasts.with_columns(pl.col("out_p10_on", "out_p50_on", "out_p90_on").fill_null(end))
    assert (dates["out_p10_on"] <= dates["out_p50_on"]).all()
    assert (dates["out_p50_on"] <= dates["out_p90_on"]).all()
    assert (forecasts["due_on"].drop_nulls() >= forecasts["as_of"][0]).all()
    rates = forecasts.drop_nulls("rate_per_1000h")
    assert rates.height > 0.8 * forecasts.filter(pl.col("indicator") != "system_pressure_kpa").height
    assert (rates["rate_low_per_1000h"] <= rates["rate_per_1000h"]).all()
    assert (rates["rate_per_1000h"] <= rates["rate_high_per_1000h"]).all()


def test_due_on_agrees_with_the_curve(forecasts: pl.DataFrame, curve: pl.DataFrame) -> None:
    months = (
        curve.with_columns(month=pl.int_ranges(0, 36))
        .explode("p_out", "month")
        .with_columns(on=pl.col("first_month").dt.offset_by(pl.format("{}mo", "month")))
    )
    both = months.join(forecasts, on=["install_id", "indicator", "firing"])
    assert both.height == 36 * curve.height
    due = both.with_columns(pl.col("due_on").fill_null(date(9999, 1, 1)))
    slack = 1e-6  # the curve is float32
    assert (
        due.filter(pl.col("on") <= pl.col("due_on"), pl.col("due_on") > pl.col("as_of"))["p_out"] <= TOLERANCE + slack
    ).all()
    assert (due.filter(pl.col("on") > pl.col("due_on"))["p_out"] >= TOLERANCE - slack).all()


def test_curves_never_fall(curve: pl.DataFrame) -> None:
    assert curve["p_out"].list.len().unique().to_list() == [36]
    assert curve.select(pl.col("p_out").list.diff().list.min().min()).item() >= 0


def test_state_is_the_last_value_against_the_limits(forecasts: pl.DataFrame) -> None:
    known = forecasts.filter(pl.col("state") != "unknown")
    outside = (pl.col("last_value") > pl.col("limit_high").fill_null(float("inf"))) | (
        pl.col("last_value") < pl.col("limit_low").fill_null(float("-inf"))
    )
    assert known.filter((pl.col("state") == "out_of_range") != outside).is_empty()
    assert {"in_range", "out_of_range", "unknown"} == set(forecasts["state"].unique())


def test_area_weeks_add_up_to_the_visit_plan(sample_run: Path) -> None:
    plan, weeks = table(sample_run, "visit_plan.csv"), table(sample_run, "area_weeks.csv")
    planned = plan.drop_nulls("planned_week").group_by("area_id", week=pl.col("planned_week")).len("planned")
    both = weeks.join(planned, on=["area_id", "week"], how="full", coalesce=True)
    assert both.filter(pl.col("visits").fill_null(0) != pl.col("planned").fill_null(0)).is_empty()
    assert weeks["week"].dt.weekday().unique().to_list() == [1]
    short = weeks.with_columns(over=(pl.col("hours_needed") - pl.col("hours_available")).clip(0))
    assert short.filter((pl.col("over") - pl.col("hours_short")).abs() > 0.02).is_empty()
    assert (weeks["hour_value"].drop_nulls() >= 0).all()


def test_no_visit_is_planned_later_than_the_present_interval(sample_run: Path) -> None:
    """What is overdue already (its interval ends before the first whole week does) is caught up within eight weeks."""
    plan = table(sample_run, "visit_plan.csv")
    models = pl.read_csv(SAMPLE_DATA / "appliance_models.csv").select("model_id", "service_interval_months")
    as_of = table(sample_run, "forecasts.csv")["as_of"][0]
    dated = (
        plan.drop_nulls(["planned_week", "last_visit_on"])
        .join(models, on="model_id")
        .with_columns(interval_on=pl.col("last_visit_on").dt.offset_by(pl.format("{}mo", "service_interval_months")))
    )
    overdue = pl.col("interval_on") < as_of + timedelta(days=12)
    in_time = dated.filter(~overdue)
    assert in_time.height > 100
    assert in_time.filter(pl.col("planned_week") > pl.col("interval_on")).is_empty()
    assert dated.filter(overdue, pl.col("planned_week") > as_of + timedelta(days=7 + 8 * 7)).is_empty()


def test_every_row_read_is_accepted_replaced_or_set_aside(sample_run: Path, record: dict) -> None:
    rejected = table(sample_run, "rejected_rows.csv").select("file", "line").unique()
    for kind, accepted in (("visits", record["counts"]["visits"]), ("readings", record["counts"]["tests"])):
        gone = rejected.filter(pl.col("file").str.starts_with(f"{kind}/")).height
        assert record["counts"]["rows_read"][kind] == accepted + gone


def test_run_record_names_versions_inputs_and_scores(record: dict) -> None:
    assert {"polars", "duckdb", "scikit-learn", "prefect", "foulcast"} <= set(record["versions"])
    assert {entry["name"] for entry in record["inputs"]} >= {"installs.csv", "areas.csv", "appliance_models.csv"}
    methods = {score["method"] for score in record["backtest"]}
    assert {"foulcast", "base_rate", "own_line", "common_drift", "boosted_trees"} <= methods


def test_the_store_answers_in_sql(sample_run: Path) -> None:
    with duckdb.connect(str(sample_run / "fleet.duckdb"), read_only=True) as db:
        tests, keys = db.execute("select count(*), count(distinct (visit_id, stage, firing)) from derived").fetchone()  # type: ignore[misc]
        assert tests == keys > 0
        rows = db.execute("select count(*) from forecasts").fetchone()[0]  # type: ignore[index]
        names = {name for (name,) in db.execute("select table_name from information_schema.tables").fetchall()}
        assert not {name for name in names if name.startswith("page_")}  # they serve the pages alone
    assert rows == table(sample_run, "forecasts.csv").height


def test_the_same_inputs_give_the_same_bytes(sample_run: Path, tmp_path: Path) -> None:
    from pipeline.job import Job, run_direct

    job = Job.of(SAMPLE_DATA, tmp_path / "again", today=date(2026, 11, 25))
    with job.folder.claimed():
        run_direct(job)
    for path in sorted((sample_run / "exports").iterdir()) + sorted((sample_run / "site").rglob("*.html")):
        if path.name != "run.json":
            assert path.read_bytes() == (tmp_path / "again" / path.relative_to(sample_run)).read_bytes(), path.name
