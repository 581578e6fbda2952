"""The derive stage: one row a test, what is missing stays empty, what was rejected gives nothing, nothing is lost."""

from __future__ import annotations

import time
from typing import Any

import pytest
from derive_store import MEASURED, derived, one, reading, store_of, visit

from pipeline.derive import VALUES
from pipeline.errors import FleetError
from pipeline.stages import derive as stage

OF_FUEL = set(VALUES) - {"o2_dry_pct", "co_air_free_ppm", "flue_over_return_k"}


def empty(row: dict[str, Any]) -> set[str]:
    return {name for name in VALUES if row[name] is None}


def test_a_full_reading_has_every_value() -> None:
    # Natural gas, 20 °C air at 50 %, sea level, 5 % O2, 40 °C: computed with Cantera and CoolProp.
    row = one(flue_temp_c=40.0, return_temp_c=35.0, co_ppm=50.0)
    assert empty(row) == set()
    assert row["dew_point_c"] == pytest.approx(55.4, abs=0.05)
    assert row["condensate_kg_per_kwh"] == pytest.approx(0.090, abs=0.0005)
    assert row["efficiency_gross_pct"] == pytest.approx(95.4, abs=0.05)
    assert row["adiabatic_flame_c"] == pytest.approx(1684, abs=1)
    assert row["findings"] is None
    assert row["keep_flue"]
    assert row["keep_co"]
    assert row["keep_o2"]


def test_the_columns_of_derived_are_as_agreed() -> None:
    with store_of([visit(reading())]) as store:
        frame = derived(store)
        assert frame.columns == [
            "visit_id", "visit_no", "stage", "firing", *VALUES, "findings", "keep_flue", "keep_co", "keep_o2"
        ]  # fmt: skip
        types = dict(store.rows("select column_name, data_type from duckdb_columns() where table_name = 'derived'"))
    assert {types[name] for name in VALUES} == {"FLOAT"}


def test_analysers_are_numbered_by_name_and_tests_bear_the_number() -> None:
    named = ["B2", None, "A1", "B2"]
    with store_of([visit(reading(analyser_id=name)) for name in named]) as store:
        derived(store)
        assert store.rows("from analysers") == [(0, "A1"), (1, "B2")]
        assert store.rows("select analyser_no from derived_values order by test_no") == [(1,), (None,), (0,), (1,)]


@pytest.mark.parametrize(
    ("missing", "without"),
    [
        ("o2_pct", {*OF_FUEL, "o2_dry_pct", "co_air_free_ppm"}),
        ("co_ppm", {"co_air_free_ppm", "co_co2_ratio"}),
        (
            "flue_temp_c",
            {
                "condensate_kg_per_kwh", "condensing_fraction", "loss_sensible_pct", "loss_latent_pct",
                "efficiency_gross_pct", "efficiency_net_pct", "exchanger_ntu", "flue_over_return_k",
            },
        ),
        (
            "air_temp_c",
            {
                "dew_point_c", "flue_h2o_pct", "condensate_kg_per_kwh", "condensing_fraction", "loss_sensible_pct",
                "loss_latent_pct", "efficiency_gross_pct", "efficiency_net_pct", "adiabatic_flame_c",
            },
        ),
        ("return_temp_c", {"exchanger_ntu", "flue_over_return_k"}),
        ("supply_temp_c", set()),
        ("flame_current_ua", set()),
    ],
)  # fmt: skip
def test_what_is_missing_empties_what_needs_it_and_no_more(missing: str, without: set[str]) -> None:
    assert empty(one(**{missing: None})) == without


def test_air_taken_at_20_degrees_hardly_moves_ntu() -> None:
    assumed = one(air_temp_c=None)["exchanger_ntu"]
    for air in (0.0, 35.0):
        assert one(air_temp_c=air)["exchanger_ntu"] == pytest.approx(assumed, rel=0.003)


def test_a_reading_of_nothing_is_kept_and_empty() -> None:
    row = one(**dict.fromkeys(MEASURED))
    assert empty(row) == set(VALUES)
    assert row["findings"] is None


def test_co2_alone_gives_what_o2_would() -> None:
    from_o2 = one(o2_pct=5.0, co2_pct=None)
    from_co2 = one(o2_pct=None, co2_pct=from_o2["co2_dry_pct"])
    for name in VALUES:
        assert from_co2[name] == pytest.approx(from_o2[name], rel=1e-5), name


def test_co2_just_above_the_maximum_counts_as_no_excess_air() -> None:
    assert one(o2_pct=None, co2_pct=12.2)["excess_air_ratio"] == pytest.approx(1.0)
    rejected = one(o2_pct=None, co2_pct=12.4)
    assert empty(rejected) == {*OF_FUEL, "o2_dry_pct", "co_air_free_ppm"}
    assert rejected["findings"] == "co2_above_fuel_max"


def test_given_air_free_co_is_honoured_and_co_worked_out_of_it() -> None:
    measured = one(co_ppm=76.0)
    given = one(co_ppm=None, co_air_free_ppm=measured["co_air_free_ppm"])
    assert given["co_air_free_ppm"] == measured["co_air_free_ppm"]
    assert given["co_co2_ratio"] == pytest.approx(measured["co_co2_ratio"], rel=1e-5)
    alone = one(o2_pct=None, co_ppm=None, co_air_free_ppm=88.0)
    assert alone["co_air_free_ppm"] == 88.0


def test_much_co_counts_against_the_oxygen() -> None:
    # 10,000 ppm is 1 %: the oxygen it wants is 0.5 %; CO2 falls short of the line by the CO.
    much, burnt = one(co_ppm=10_000.0), one(o2_pct=4.5)
    assert much["o2_dry_pct"] == pytest.approx(5.0)
    assert much["excess_air_ratio"] == pytest.approx(burnt["excess_air_ratio"], rel=1e-6)
    assert much["co2_dry_pct"] == pytest.approx(burnt["co2_dry_pct"] - 1, abs=1e-5)
    assert much["co_air_free_ppm"] == pytest.approx(10_000 * 20.9 / 16.4, rel=1e-6)
    back = one(o2_pct=None, co2_pct=much["co2_dry_pct"], co_ppm=10_000.0)
    assert back["o2_dry_pct"] == pytest.approx(5.0, abs=1e-4)
    assert one(co_ppm=1_999.0)["excess_air_ratio"] == one()["excess_air_ratio"]


def test_too_little_air_keeps_the_co_and_says_so() -> None:
    row = one(o2_pct=0.1, co_ppm=8_000.0)
    assert row["findings"] == "air_short"
    assert row["co_air_free_ppm"] == pytest.approx(8_000 * 20.9 / (20.9 + 0.3), rel=1e-6)
    assert row["efficiency_gross_pct"] is None


@pytest.mark.parametrize("o2", [-0.1, 20.9, 20.95, 25.0])
def test_o2_that_cannot_be_gives_no_values_but_the_temperatures(o2: float) -> None:
    row = one(o2_pct=o2, co_air_free_ppm=None)
    assert empty(row) == {*OF_FUEL, "o2_dry_pct", "co_air_free_ppm"}
    assert row["flue_over_return_k"] == 10
    assert not row["keep_o2"]


def test_hydrogen_has_no_co2_and_needs_none() -> None:
    row = one(fuel="hydrogen", co2_pct=0.0)
    assert empty(row) == {"co_co2_ratio"}
    assert row["co2_dry_pct"] == 0
    assert row["findings"] is None
    assert one(fuel="hydrogen", co2_pct=3.0)["findings"] == "co2_above_fuel_max"
    assert one(fuel="hydrogen", o2_pct=None, co2_pct=3.0)["excess_air_ratio"] is None


def test_a_non_condensing_appliance_is_derived_too() -> None:
    row = one(flue_temp_c=190.0, return_temp_c=60.0, fuel="fuel_oil_2", co2_pct=None)
    assert row["condensate_kg_per_kwh"] == 0
    assert row["condensing_fraction"] == 0
    assert 80 < row["efficiency_gross_pct"] < 90
    assert row["flue_over_return_k"] == 130


def test_altitude_and_humidity_reach_the_dew_point() -> None:
    # 1,600 m costs 3.7 K; 50 % at 20 °C adds 1.2 K.
    sea, high = one(altitude_m=0.0), one(altitude_m=1600.0)
    assert sea["dew_point_c"] - high["dew_point_c"] == pytest.approx(3.7, abs=0.1)
    with store_of([visit(reading())]) as store:
        dry = derived(store, air_relative_humidity_pct=0).row(0, named=True)
    assert sea["dew_point_c"] - dry["dew_point_c"] == pytest.approx(1.2, abs=0.05)


def test_a_fuel_nobody_knows_leaves_what_needs_no_fuel() -> None:
    row = one(fuel="moonshine")
    assert empty(row) == OF_FUEL
    assert row["co_air_free_ppm"] == pytest.approx(40 * 20.9 / 15.9, rel=1e-6)


def test_fuels_of_fleet_toml_are_used_and_bad_ones_refused() -> None:
    with store_of([visit(reading())], {0: {"fuel": "site_biogas"}}) as store:
        row = derived(store, fuels={"site_biogas": {"methane": 0.6, "carbon_dioxide": 0.4}}).row(0, named=True)
        assert row["co2_dry_pct"] == pytest.approx(18.09 * (1 - 5 / 20.95), abs=0.01)
        with pytest.raises(FleetError, match=r"fuels\.site_biogas.*sum to 0\.9"):
            derived(store, fuels={"site_biogas": {"methane": 0.5, "carbon_dioxide": 0.4}})


def test_an_empty_fleet_gives_empty_tables() -> None:
    with store_of([]) as store:
        assert derived(store).is_empty()
        assert store.scalar("select count(*) from reading_findings") == 0
        assert store.scalar("select count(*) from all_findings") == 0


def test_pieces_make_no_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    visits = [
        visit(
            *(
                reading(s, f, o2_pct=3 + (7 * n + 3 * i) % 50 / 10, co2_pct=7.0 + (n + i) % 5, co_ppm=20.0 * n)
                for i, (s, f) in enumerate([("as_found", "high"), ("as_found", "low"), ("as_left", "high")])
            ),
            install=n // 3,
        )
        for n in range(40)
    ]
    results = []
    for size in (1_000_000, 7):
        monkeypatch.setattr(stage, "TESTS_AT_ONCE", size)
        with store_of(visits) as store:
            results.append((derived(store), store.frame("from reading_findings")))
    assert results[0][0].equals(results[1][0])
    assert results[0][1].equals(results[1][1])
    assert results[0][0].height == 120


def test_averages_of_all_derived_values_are_planned_in_seconds() -> None:
    # DuckDB moves sums below joins and writes out the steps there: without care its plan takes a minute to make.
    averages = ", ".join(f"avg({name})" for name in VALUES)
    with store_of([visit(reading()) for _ in range(3)]) as store:
        derived(store)
        began = time.process_time()
        assert None not in store.rows(f"select {averages} from derived")[0]
        assert time.process_time() - began < 10


def test_running_twice_changes_nothing() -> None:
    with store_of([visit(reading(co2_pct=12.4), reading(firing="low"))]) as store:
        first, told = derived(store), store.frame("from reading_findings")
        assert derived(store).equals(first)
        assert store.frame("from reading_findings").equals(told)
        left = {name for (name,) in store.rows("select table_name from duckdb_tables()")}
    assert not left & {"found_rules", "suspect_installs", "mended_tests"}


def test_findings_of_both_stages_stand_in_one_view() -> None:
    with store_of([visit(reading(flue_temp_c=40.0))]) as store:
        store.run("insert into findings (rule, visit_id, misleads) values ('unlikely', 'V0', true)")
        derived(store)
        rows = store.frame("from all_findings order by rule").select(
            "rule", "file", "line", "install_id", "column", "value"
        )
    assert rows.rows() == [
        ("flue_below_return", "readings/a.csv", 2, "I0", "flue_temp_c", "40.0"),
        ("unlikely", None, None, None, None, None),
    ]
