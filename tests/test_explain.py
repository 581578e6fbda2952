"""foulcast explain: every derived value with inputs, formula, source, result and limit, from what the store holds."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest
from derive_store import derived, reading, store_of, visit
from rich.console import Console

from pipeline.derive import VALUES
from pipeline.errors import FleetError
from pipeline.explain import FORMULAS, Explanation, explain
from pipeline.store import Store


@pytest.fixture
def store() -> Iterator[Store]:
    visits = [
        visit(
            reading(flue_temp_c=40.0, return_temp_c=35.0, analyser_id="A[red]1"), reading(firing="low", air_temp_c=None)
        ),
        visit(reading(co2_pct=9.7)),
        visit(),
    ]
    with store_of(visits) as made:
        derived(made)
        made.run(
            "create table series as select * from (values (0, 'flue_over_return_k', 'high', 'K'), "
            "(1, 'co_air_free_ppm', 'high', 'ppm'), (3, 'o2_pct', 'high', '%')) t(series_no, indicator, firing, unit)"
        )
        made.run(
            "create table limits as select * from (values (0, 0, null, 30.0, 'maker''s sheet'), (0, 1, null, 400.0, "
            "'trade'), (0, 3, 3.0, 7.0, null)) t(install_no, series_no, limit_low, limit_high, limit_source)"
        )
        yield made


def values(told: Explanation, test: int = 0) -> dict[str, float | None]:
    return {row.name: row.value for row in told.tests[test].values}


def test_every_derived_value_is_explained_and_is_the_one_in_the_store(store: Store) -> None:
    told = explain(store, "V0")
    stored = store.frame("from derived where visit_id = 'V0' order by stage, firing").to_dicts()
    assert {formula.name for formula in FORMULAS} >= set(VALUES)
    assert [test.title for test in told.tests] == ["as_found, high fire", "as_found, low fire"]
    for number, row in enumerate(stored):
        for name in VALUES:
            expected = row[name] if row[name] is None else pytest.approx(row[name], rel=1e-6)
            assert values(told, number)[name] == expected, name


def test_every_value_has_its_words_inputs_and_source(store: Store) -> None:
    for row in explain(store, "V0").tests[0].values:
        assert row.words
        assert row.inputs
        assert row.source
        assert row.value is not None


def test_the_inputs_are_shown_with_their_values(store: Store) -> None:
    line = next(line for line in explain(store, "V0").lines() if "co_air_free_ppm =" in line)
    assert "53 ppm" in line
    assert "co_ppm 40 ppm, o2_dry_pct 5.00 %" in line
    assert "Method 19" in line
    assert "limit up to 400 ppm (trade)" in line


def test_limits_stand_beside_what_they_hold_for_at_that_firing(store: Store) -> None:
    told = explain(store, "V0")
    limits = {row.name: row.limit for row in told.tests[0].values if row.limit}
    assert limits == {
        "flue_over_return_k": "limit up to 30.0 K (maker's sheet)",
        "co_air_free_ppm": "limit up to 400 ppm (trade)",
        "o2_dry_pct": "limit from 3.00 % up to 7.00 %",
    }
    assert not [row.limit for row in told.tests[1].values if row.limit]


def test_an_empty_value_says_what_is_missing_and_an_assumed_one_what_was_assumed(store: Store) -> None:
    low = explain(store, "V0").tests[1]
    assert "dew_point_c (no flue_h2o_pct)" in low.empty
    assert "loss_sensible_pct (no air_temp_c)" in low.empty
    ntu = next(row for row in low.values if row.name == "exchanger_ntu")
    assert ntu.inputs.endswith("(air taken at 20 °C)")


def test_what_much_co_takes_of_the_oxygen_is_told_where_it_counts() -> None:
    """With the O2 that is told a reader gets the values by hand (Method 19, eq. 19-1; mole balance): 9000 ppm want
    0.45 % O2."""
    with store_of(
        [visit(reading(o2_pct=2.5, co2_pct=None, co_ppm=9000.0), reading(firing="low", co_ppm=1999.0))]
    ) as store:
        derived(store)
        much, little = ({row.name: row for row in test.values} for test in explain(store, "V0").tests)
    air_free = much["co_air_free_ppm"]
    assert air_free.value == pytest.approx(9000 * 20.9 / (20.9 - 2.05))
    assert "O2 - CO/2" in air_free.words
    for name in ("co_air_free_ppm", "excess_air_ratio", "co2_dry_pct"):
        assert "o2_dry_pct 2.50 % (2.05 % less CO/2)" in much[name].inputs
        assert "less CO/2" not in little[name].inputs
    assert much["co2_dry_pct"].value == pytest.approx(11.833 * (1 - 2.05 / 20.95) - 0.9, abs=2e-3)


def test_water_is_empty_for_want_of_an_air_temperature(store: Store) -> None:
    low = {row.name: row.inputs for row in explain(store, "V0").tests[1].values}
    assert low["flue_h2o_pct"] == "no air_temp_c"


def test_findings_and_what_was_assumed_of_the_air_are_told(store: Store) -> None:
    told = explain(store, "V1")
    assert len(told.tests[0].findings) == 1
    assert told.tests[0].findings[0].startswith("o2_co2_disagree, co2_pct: CO2 of 9.7 % beside O2 of 5.0 %")
    assert told.tests[0].findings[0].endswith("Kept out of the fit.")
    assert any("50 % relative humidity" in line for line in told.heading)


def test_a_visit_without_a_test_says_so(store: Store) -> None:
    assert "No analyser test was recorded at this visit." in str(explain(store, "V2"))


def test_other_units_are_shown_where_asked_for(store: Store) -> None:
    store.set_fact("units", "us")
    row = next(row for row in explain(store, "V0").tests[0].values if row.name == "dew_point_f")
    assert row.unit == "°F"
    assert row.value == pytest.approx(55.4 * 1.8 + 32, abs=0.1)
    gap = next(row for row in explain(store, "V0").tests[0].values if row.name == "flue_over_return_f")
    assert gap.value == pytest.approx(5 * 1.8)
    assert "flue_temp_f 104.0 °F, return_temp_f 95.0 °F" in gap.inputs  # 40 and 35 °C
    low = explain(store, "V0").tests[1]
    assert "(no air_temp_f)" in low.empty
    assert any("(air taken at 68 °F)" in row.inputs for row in low.values)


def test_names_end_in_the_unit_that_is_shown(store: Store) -> None:
    ends = {"°C": ("_c",), "K": ("_k",), "°F": ("_f",), "°F difference": ("_f",), "kg/kWh": ("_kg_per_kwh",)}
    for system in ("si", "us"):
        store.set_fact("units", system)
        told = str(explain(store, "V0"))
        named = re.findall(
            r"\b([a-z][a-z0-9]*(?:_[a-z0-9]+)+) (?:= )?-?[\d.e+-]+ (°[CF](?: difference)?|K|kg/kWh)", told
        )
        assert len(named) > 10
        assert [(name, unit) for name, unit in named if not name.endswith(ends[unit])] == []
    assert not re.search(r"\b\w+_(c|k|m|kg_per_kwh)\b(?= (?:= )?[\d–])", told)
    assert "kPa" not in told


def test_text_of_the_fleet_is_no_markup(store: Store) -> None:
    console = Console(width=100, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    console.print(explain(store, "V0"))
    assert "A[red]1" in console.export_text()


def test_a_terminal_shows_all_that_a_file_is_told(store: Store) -> None:
    console = Console(width=600, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    told = explain(store, "V1")
    console.print(told)
    shown = " ".join(console.export_text().split())
    (test,) = told.tests
    assert len(test.findings) == 1
    said = [*told.heading, test.title, test.given, *(f"! {finding}" for finding in test.findings)]
    for row in test.values:
        said += [row.name, row.result, row.words, f"from {row.inputs}", row.source] if row.value is not None else []
    assert [line for line in said if " ".join(line.split()) not in shown] == []


def test_text_of_the_fleet_neither_steers_a_terminal_nor_turns_its_direction(store: Store) -> None:
    store.run("update current_models set name = ?", ["Quen\x1b[31mdral \u202elaced\u2066"])
    told = str(explain(store, "V0"))
    assert "Quen\N{REPLACEMENT CHARACTER}[31mdral" in told
    assert not {"\x1b", "\u202e", "\u2066"} & set(told)


def test_an_unknown_visit_is_answered_with_near_ones(store: Store) -> None:
    with pytest.raises(
        FleetError, match=r"Visit 'v1' is not in this store. Did you mean 'V1'\? Nearest are V1, V0, V2"
    ):
        explain(store, "v1")


def test_a_visit_set_aside_is_answered_with_its_reason(store: Store) -> None:
    store.run("insert into rejected_rows values ('visits/a.csv', 7, 'visited_on', '2031', 'visits_future', 'V9')")
    with pytest.raises(FleetError, match=r"Visit 'V9' was not taken: visits/a.csv, line 7: visits_future"):
        explain(store, "V9")


def test_a_store_without_combustion_values_says_what_to_do() -> None:
    with store_of([visit(reading())]) as empty, pytest.raises(FleetError, match=r"foulcast run"):
        explain(empty, "V0")


def test_a_store_of_something_else_says_what_to_do(tmp_path: Path) -> None:
    duckdb.connect(str(tmp_path / "fleet.duckdb")).close()
    with (
        Store.open(tmp_path / "fleet.duckdb", read_only=True) as store,
        pytest.raises(FleetError, match="holds no combustion values yet"),
    ):
        explain(store, "V1")


def test_a_visit_of_an_install_without_a_fuel_says_so() -> None:
    with store_of([visit(reading())], {0: {"fuel": None}}) as store:
        derived(store)
        told = str(explain(store, "V0"))
    assert "The fuel is not recorded, or none that is known" in told
    assert "None" not in told


def test_findings_are_told_in_the_units_asked_for() -> None:
    """40 °C are 104 °F and 50 °C are 122 °F (exact)."""
    with store_of([visit(reading(flue_temp_c=40.0, return_temp_c=50.0))]) as store:
        derived(store, units="us")
        (told,) = (t for t in explain(store, "V0").tests[0].findings if t.startswith("flue_below_return"))
    assert told.startswith(
        "flue_below_return, flue_temp_f: Flue gas of 104.0 °F is no warmer than the return water of "
    )
    assert "122.0 °F that cools it. Kept out of the fit." in told
