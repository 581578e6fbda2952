"""The figures behind the pages of the sample fleet, counted again from its exports and what was read."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from page_store import text_of
from scipy.stats import norm

from pipeline.settings import load_settings
from pipeline.stages.page_bands import model_curves
from pipeline.stages.pages import prepare, staffing_of
from pipeline.store import Store

SAMPLE_DATA = Path(__file__).parent.parent / "sample_data"
KEPT = ("rejected_rows", "forecasts", "visit_plan", "area_weeks")


@pytest.fixture(scope="module")
def store(sample_run: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """The store of a run with the views that pages are made from."""
    copy = tmp_path_factory.mktemp("store") / "fleet.duckdb"
    copy.write_bytes((sample_run / "fleet.duckdb").read_bytes())
    with Store.open(copy) as store:
        prepare(store, load_settings(SAMPLE_DATA), copy.parent / "site")
        yield store


@pytest.fixture(scope="module")
def exported(sample_run: Path) -> dict[str, pl.DataFrame]:
    folder = sample_run / "exports"
    return {name: pl.read_csv(folder / f"{name}.csv", infer_schema_length=None, try_parse_dates=True) for name in KEPT}


@pytest.fixture(scope="module")
def plan(store: Store, exported: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """The plan with the hours of each visit, and the Monday of the week it would fall into at the present interval."""
    at_interval = store.frame("select install_id, interval_on from visit_plan")
    travel = load_settings(SAMPLE_DATA).plan.travel_minutes
    return (
        exported["visit_plan"]
        .join(at_interval, on="install_id")
        .with_columns(
            ((pl.col("expected_minutes") + travel) / 60).alias("hours"),
            pl.col("interval_on").dt.truncate("1w").alias("interval_week"),
        )
    )


def test_rows_set_aside_are_counted_by_reason(store: Store, exported: dict[str, pl.DataFrame]) -> None:
    rejected = exported["rejected_rows"].with_columns(pl.col("reason").str.extract(r"^([a-z_]+)"))
    expected = rejected.group_by("reason").agg(
        pl.len().alias("cells"), pl.struct("file", "line").n_unique().alias("rows")
    )
    assert expected.height > 3
    shown = store.frame("from page_rejected")
    assert sorted(shown.select("reason", "cells", "rows").rows()) == sorted(expected.rows())
    first = rejected.sort("file", "line", "column").group_by("reason", maintain_order=True).first()
    told = ["reason", "file", "line", "column", "value"]
    assert shown.select(told).sort("reason").rows() == first.select(told).sort("reason").rows()


def test_the_first_row_of_a_reason_is_told_as_it_stands_with_its_empty_cells(store: Store) -> None:
    """Neither an empty cell nor an unnamed column is filled from a later row."""
    store.run("""
        create temp table rejected_rows as from (values
            ('b.csv', 2, 'o2_pct', '9', 'no_number: 9 is none'), ('a.csv', 7, 'o2_pct', 'x', 'no_number: x is none'),
            ('a.csv', 5, null, null, 'no_number: nothing is none'), ('a.csv', 9, 'visit_id', null, 'empty: give one')
        ) as r(file, line, "column", value, reason)""")
    found = store.rows("from page_rejected order by reason")
    store.run("drop table temp.rejected_rows")
    assert found == [
        ("empty", 1, 1, "a.csv", 9, "visit_id", None, "empty: give one"),
        ("no_number", 3, 3, "a.csv", 5, None, None, "no_number: nothing is none"),
    ]


def test_findings_are_counted_by_rule_and_by_who_made_them(store: Store) -> None:
    findings = store.frame("from all_findings")
    told = [
        (rule[0], some.height, int(some["misleads"].sum()), some["install_id"].drop_nulls().n_unique())
        for rule, some in findings.group_by("rule")
    ]
    assert len(told) > 5
    assert sorted(store.rows("select rule, cells, kept_out, installs from page_doubtful")) == sorted(told)
    by = [
        (kind, *row)
        for kind in ("analyser", "technician")
        for row in findings[f"{kind}_id"].drop_nulls().value_counts().rows()
    ]
    assert sorted(store.rows("from page_doubtful_by")) == sorted(by)


def test_what_was_left_out_is_a_share_of_the_visits_and_of_the_tests(store: Store) -> None:
    visits, tests = store.frame("from current_visits"), store.frame("from current_readings")
    of_visits = {
        "with_counter": "burner_hours", "with_cleaning": "exchanger_cleaning", "with_trap": "trap_drain_found_s",
        "with_ph": "condensate_ph_found", "with_minutes": "minutes_on_site",
    }  # fmt: skip
    row = store.frame("from page_completeness").row(0, named=True)
    assert row.pop("visits") == visits.height
    assert row == pytest.approx({name: visits[column].is_not_null().mean() for name, column in of_visits.items()})
    of_tests = {
        "with_o2": pl.col("o2_pct"), "with_co2": pl.col("co2_pct"), "with_co": pl.coalesce("co_ppm", "co_air_free_ppm"),
        "with_flue": pl.col("flue_temp_c"), "with_return": pl.col("return_temp_c"),
        "with_flame": pl.col("flame_current_ua"), "with_analyser": pl.col("analyser_id"),
    }  # fmt: skip
    keys = ["stage", "firing"]
    expected = tests.group_by(keys).agg(
        pl.len().alias("tests"), *(value.is_not_null().mean().alias(name) for name, value in of_tests.items())
    )
    shown = store.frame("from page_test_completeness").sort(keys)
    assert shown.height == 4
    for ours, theirs in zip(shown.rows(named=True), expected.sort(keys).rows(named=True), strict=True):
        assert ours == pytest.approx(theirs)


def test_installs_are_out_due_or_in_range_as_their_forecasts_say(
    store: Store, exported: dict[str, pl.DataFrame]
) -> None:
    as_of = exported["forecasts"]["as_of"][0]
    out, in_range = ((pl.col("state") == word).any() for word in ("out_of_range", "in_range"))
    soon = pl.col("due_on").min() <= as_of + timedelta(days=90)
    state = pl.when(out).then(pl.lit("out_of_range")).when(soon).then(pl.lit("due"))
    installs = (
        exported["forecasts"]
        .group_by("install_id")
        .agg(
            state.when(in_range).then(pl.lit("in_range")).otherwise(pl.lit("unknown")).alias("state"),
            pl.col("due_on").min(),
        )
    )
    area = exported["visit_plan"].select("install_id", "area_id")
    expected = installs.join(area, on="install_id").group_by("area_id", "state").len()
    shown = store.rows("select area_id, state, installs from page_area_states join current_areas using (area_no)")
    assert sorted(shown) == sorted(expected.rows())
    assert {row[1] for row in shown} == {"out_of_range", "due", "in_range", "unknown"}
    counts = store.frame("from page_due_counts").row(0, named=True)
    waits = installs.filter(pl.col("state") != "out_of_range")["due_on"]
    assert counts["installs"] == installs.height
    assert counts["out_now"] == installs.filter(pl.col("state") == "out_of_range").height
    assert counts["unknown"] == installs.filter(pl.col("state") == "unknown").height
    for days in (30, 60, 90):
        assert counts[f"due_{days}"] == int((waits <= as_of + timedelta(days=days)).sum())


def test_weeks_have_the_hours_of_their_visits_as_planned_and_at_the_present_interval(
    store: Store, exported: dict[str, pl.DataFrame], plan: pl.DataFrame
) -> None:
    first_week = exported["area_weeks"]["week"].min()
    planned = plan.filter(pl.col("planned_week").is_not_null())
    last = planned["planned_week"].max()
    ours = planned.group_by(pl.col("planned_week").alias("week")).agg(pl.col("hours").sum(), pl.len())
    left = (
        planned.filter(pl.col("interval_week").is_between(first_week, last))
        .group_by(pl.col("interval_week").alias("week"))
        .agg(pl.col("hours").sum().alias("interval_h"), pl.len().alias("at_interval"))
    )
    expected = ours.join(left, on="week", how="full", coalesce=True).fill_null(0).sort("week")
    shown = store.frame(
        "select week, planned_h, planned, interval_h, at_interval from page_interval_weeks order by week"
    )
    assert shown["week"].to_list() == expected["week"].to_list()
    for column, theirs in zip(shown.columns[1:], ("hours", "len", "interval_h", "at_interval"), strict=True):
        assert shown[column].to_numpy() == pytest.approx(expected[theirs].to_numpy(), abs=0.02)  # minutes to a tenth
    overdue = planned.filter(pl.col("interval_on") < first_week)
    assert store.rows("from page_overdue") == [(overdue.height, pytest.approx(overdue["hours"].sum(), abs=0.05))]
    early = planned.filter(pl.col("planned_week") + timedelta(days=27) < pl.col("interval_on"))
    expected = early.group_by("area_id", "interval_week").agg(pl.len().alias("visits"), pl.col("hours").sum())
    assert expected.height > 20
    keys = ["area_id", "interval_week"]
    brought = store.frame("from page_brought_forward").sort(keys)
    assert brought.select(*keys, "visits").rows() == expected.sort(keys).select(*keys, "visits").rows()
    assert brought["hours"].to_numpy() == pytest.approx(expected.sort(keys)["hours"].to_numpy(), abs=0.01)


def test_the_fullest_week_of_each_area_is_told_in_hours_and_technicians(
    store: Store, exported: dict[str, pl.DataFrame], tmp_path: Path
) -> None:
    """Technicians of 8 h a day, in weeks of five days: the defaults, and sample_data names no holidays."""
    settings = load_settings(SAMPLE_DATA)
    site = prepare(store, settings, tmp_path / "site")
    staffing_of(store, site, settings)
    site.finish()
    page = text_of(tmp_path / "site" / "staffing.html")
    names = dict(store.rows("select area_id, area from page_area_names"))
    weeks = exported["area_weeks"].sort("hours_needed", "week", descending=[True, False])
    for area, fullest in (
        weeks.group_by("area_id", maintain_order=True).first().select("area_id", "hours_needed").rows()
    ):
        row = re.search(
            rf"{re.escape(names[area])}\s+[\d,]+\s+[\d,]+\s[^A-Za-z]*?([\d,]+)\s+\d+ \w+ \d+\s+([\d.]+)\s", page
        )
        assert row, area
        assert float(row[1]) == pytest.approx(fullest, abs=0.5)
        assert float(row[2]) == pytest.approx(fullest / 40, abs=0.05)


def test_media_are_those_of_the_tasks_month_by_month(store: Store, plan: pl.DataFrame) -> None:
    """What a visit takes along names its media in kilograms."""
    kg = plan.with_columns(
        pl.col("take_along").str.extract(r"neutralising media ([\d.]+) kg").cast(pl.Float64).alias("kg")
    )
    by_month = kg.drop_nulls(["kg", "planned_week"]).group_by(pl.col("planned_week").dt.truncate("1mo").alias("month"))
    expected = by_month.agg(pl.col("kg").sum(), pl.len()).sort("month")
    shown = store.frame("select month, sum(media_kg) as kg from page_media group by month order by month")
    assert shown["month"].to_list() == expected["month"].to_list()
    assert (shown["kg"] - expected["kg"]).abs().to_list() <= (0.051 * expected["len"]).to_list()  # written to a tenth


def test_the_band_of_a_model_is_that_of_all_its_installs_together(store: Store) -> None:
    """Mean and variance of a mixture at each hour, also where cycles run over different powers of the hours."""
    cycles = store.frame("from open_cycles join current_installs using (install_no)")
    transform = dict(store.rows("select series_no, transform from page_series"))
    curves = model_curves(store)
    mixed = set()
    for (series_no, model_no), curve in curves.group_by("series_no", "model_no"):
        some = cycles.filter(pl.col("series_no") == series_no, pl.col("model_no") == model_no)
        mixed.add(some["gamma"].n_unique())
        m0, m1, v00, v01, v11, gamma = (some[c].to_numpy()[:, None] for c in ("m0", "m1", "v00", "v01", "v11", "gamma"))
        tau = (curve["hours"].to_numpy() / 1000) ** gamma
        values, variances = m0 + m1 * tau, v00 + 2 * tau * v01 + tau**2 * v11
        sd = np.sqrt(variances.mean(axis=0) + values.var(axis=0))
        unit = np.exp if transform[series_no] == "log" else np.asarray
        for column, z in (("q10", norm.ppf(0.1)), ("q50", 0.0), ("q90", norm.ppf(0.9))):
            told = unit(values.mean(axis=0) + z * sd)
            assert curve[column].to_numpy() == pytest.approx(told, rel=1e-4), (series_no, model_no)
    assert max(mixed) > 1
