"""Findings: each contradiction is caught, its neighbour is not; wrong fuel, drifted cell and air are told apart."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from derive_store import derived, one, reading, store_of, visit

from pipeline import fuels
from pipeline.findings import RULES

NATURAL, PROPANE, OIL = (fuels.load()[name].co2_max_pct for name in ("natural_gas", "propane", "fuel_oil_2"))


def line(o2: float, co2_max: float = NATURAL) -> float:
    """CO2 as an analyser shows it beside this O2."""
    return round(co2_max * (1 - o2 / 20.95), 1)


def named(row: dict[str, Any]) -> list[str]:
    return (row["findings"] or "").split(";") if row["findings"] else []


# name, values that break it, values just inside, which fits it is kept out of
CASES = [
    ("sample_is_air", {"o2_pct": 20.9}, {"o2_pct": 14.9}, "co o2"),
    ("sample_mostly_air", {"o2_pct": 15.1}, {"o2_pct": 15.0}, "co o2"),
    ("o2_negative", {"o2_pct": -0.1}, {"o2_pct": 0.0}, "co o2"),
    ("air_short", {"o2_pct": 0.2, "co_ppm": 5000.0}, {"o2_pct": 0.3, "co_ppm": 5000.0}, ""),
    ("co2_above_fuel_max", {"o2_pct": None, "co2_pct": 12.3}, {"o2_pct": None, "co2_pct": 12.2}, "co o2"),
    ("co2_zero", {"co2_pct": 0.0}, {"co2_pct": 9.0}, ""),
    ("o2_co2_disagree", {"co2_pct": 9.5}, {"co2_pct": 9.4}, "co o2"),
    ("o2_co2_disagree", {"co2_pct": 8.5}, {"co2_pct": 8.6}, "co o2"),
    ("o2_co2_exchanged", {"o2_pct": 9.0, "co2_pct": 5.0}, {"o2_pct": 5.0, "co2_pct": 9.0}, "co o2"),
    ("flue_below_return", {"flue_temp_c": 42.0}, {"flue_temp_c": 42.1}, "flue"),
    ("supply_below_return", {"supply_temp_c": 40.9}, {"supply_temp_c": 41.0}, "flue"),
    ("co_not_shown", {"co_ppm": -1.0}, {"co_ppm": 0.0}, "co"),
    ("co_not_shown", {"co_ppm": 0.004}, {"co_ppm": 1.0}, "co"),
    ("co_not_shown", {"co_ppm": 40001.0, "o2_pct": 9.0}, {"co_ppm": 40000.0, "o2_pct": 9.0}, "co"),
]


@pytest.mark.parametrize(("name", "broken", "inside", "kept_out"), CASES)
def test_a_contradiction_is_caught_and_its_neighbour_is_not(
    name: str, broken: dict[str, float], inside: dict[str, float], kept_out: str
) -> None:
    row = one(**broken)
    assert named(row) == [name]
    assert {fit for fit in ("flue", "co", "o2") if not row[f"keep_{fit}"]} == set(kept_out.split())
    row = one(**inside)
    assert name not in named(row)


def test_every_rule_is_tried_somewhere_here() -> None:
    by_pattern = {"air_in_probe", "other_fuel_set", "fuel_in_doubt"}
    assert {rule.name for rule in RULES} == {case[0] for case in CASES} | by_pattern


# The bound at accuracy 0.2 % O2 and 0.3 % CO2 with 0.05 for rounding: 0.46, 0.48 and 0.50 (sum, not root of squares).
@pytest.mark.parametrize(
    ("fuel", "co2_max", "bound"),
    [("natural_gas", NATURAL, 0.463), ("propane", PROPANE, 0.481), ("fuel_oil_2", OIL, 0.499)],
)
def test_the_bound_follows_the_accuracy_of_analysers(fuel: str, co2_max: float, bound: float) -> None:
    on_line = co2_max * (1 - 5 / 20.95)
    for sign in (1, -1):
        assert named(one(fuel=fuel, co2_pct=on_line + sign * (bound - 0.003))) == []
        assert named(one(fuel=fuel, co2_pct=on_line + sign * (bound + 0.003))) == ["o2_co2_disagree"]


def test_a_finding_says_where_what_and_why() -> None:
    with store_of([visit(reading(co2_pct=9.7, analyser_id="A1"), reading(firing="low"))]) as store:
        derived(store)
        rows = store.frame("from reading_findings").to_dicts()
    assert len(rows) == 1
    assert rows[0] | {"message": ""} == {
        "file": "readings/a.csv", "line": 2, "column": "co2_pct", "value": "9.7",
        "rule": "o2_co2_disagree", "message": "",
        "visit_id": "V0", "stage": "as_found", "firing": "high", "install_id": "I0", "technician_id": "T1",
        "analyser_id": "A1", "misleads": True,
    }  # fmt: skip
    assert "CO2 of 9.7 % beside O2 of 5.0 %, where natural gas gives 9.0 %" in rows[0]["message"]


def test_a_count_of_ppm_is_told_without_a_point() -> None:
    with store_of([visit(reading(o2_pct=0.2, co2_pct=None, co_ppm=9000.0))]) as store:
        derived(store)
        told = [message for (message,) in store.rows("select message from reading_findings where rule = 'air_short'")]
    assert told == ["CO of 9000 ppm wants more oxygen than the O2 of 0.2 %: too little air."]


def both_firings(
    o2_high: float, o2_low: float, co2_max: float = NATURAL, cell: float = 0.0, **values: Any
) -> list[dict[str, Any]]:
    """A high and a low fire test; `cell`: how far the O2 cell reads high of the O2 that CO2 is measured at."""
    return [
        reading(firing=firing, o2_pct=round(o2 + cell, 1), co2_pct=line(o2, co2_max), **values)
        for firing, o2 in (("high", o2_high), ("low", o2_low))
    ]


def findings_of(visits: list[dict[str, Any]], installs: dict[int, dict[str, Any]] | None = None) -> list[list[str]]:
    with store_of(visits, installs) as store:
        return [named(row) for row in derived(store).to_dicts()]


def test_another_fuel_set_in_the_analyser_is_told_from_a_drifted_cell() -> None:
    other = findings_of([visit(*both_firings(4.6, 6.1, PROPANE))])
    assert other == [["other_fuel_set"]] * 2
    # A cell that reads 1.9 low at a sensor that measures CO2: as far off the line, and not along one.
    drifted = findings_of([visit(*both_firings(4.0, 8.5, cell=1.9))])
    assert drifted == [["o2_co2_disagree"]] * 2


def test_another_fuel_set_keeps_o2_and_co_in_the_fit() -> None:
    with store_of([visit(*both_firings(4.6, 6.1, PROPANE))]) as store:
        row = derived(store).row(0, named=True)
        message = store.scalar("select message from reading_findings limit 1")
    assert row["keep_o2"]
    assert row["keep_co"]
    assert "propane" in message
    assert "the analyser was probably set to that fuel" in message


def test_one_test_alone_is_left_open_unless_the_analyser_computes_its_co2() -> None:
    alone = visit(reading(o2_pct=5.0, co2_pct=line(5.0, PROPANE), analyser_id="A1"), install=99)
    assert findings_of([alone]) == [["o2_co2_disagree"]]
    others = [visit(*both_firings(4.0 + n / 10, 5.0 + n / 10, analyser_id="A1"), install=n) for n in range(8)]
    assert findings_of([*others, alone])[-1] == ["other_fuel_set"]


def test_the_same_other_fuel_visit_after_visit_puts_the_record_in_doubt() -> None:
    def by(analyser: int, co2_max: float, install: int) -> dict[str, Any]:
        tests = both_firings(4.5 + analyser / 5, 6.0 + analyser / 5, co2_max, analyser_id=f"A{analyser}")
        return visit(*tests, install=install)

    elsewhere = [by(n, NATURAL, install=1 + place) for place in range(6) for n in range(3)]
    visits = [by(n, PROPANE, install=0) for n in range(3)]
    assert findings_of([*visits, *elsewhere]) == [["fuel_in_doubt"]] * 6 + [[]] * 36
    assert findings_of([*visits, *elsewhere], {0: {"fuel": "propane"}}) == [[]] * 42
    mixed = [*visits[:2], by(2, NATURAL, install=0)]
    assert findings_of([*mixed, *elsewhere]) == [["other_fuel_set"]] * 4 + [[]] * 38


def test_an_analyser_that_is_off_everywhere_is_at_fault_not_the_records() -> None:
    visits = [
        visit(*both_firings(4.0 + n / 5, 5.5 + n / 5, PROPANE, analyser_id="A1"), install=install)
        for install in range(3)
        for n in range(3)
    ]
    assert findings_of(visits) == [["other_fuel_set"]] * 18


def test_a_measured_co2_on_another_line_can_only_be_the_record() -> None:
    draw = np.random.default_rng(3)

    def measured(install: int, co2_max: float) -> list[dict[str, Any]]:
        tests = both_firings(4.5, 6.0, co2_max, analyser_id="A1")
        for test in tests:
            test["co2_pct"] = round(test["co2_pct"] + draw.normal(0, 0.1), 1)
        return [visit(*tests, install=install)]

    visits = [v for install in range(8) for v in measured(install, NATURAL)]
    visits += [v for _ in range(3) for v in measured(50, PROPANE)]
    visits += measured(60, PROPANE)
    found = findings_of(visits)
    assert found[:16] == [[]] * 16
    assert found[16:22] == [["fuel_in_doubt"]] * 6
    assert found[22:] == [["o2_co2_disagree"]] * 2  # once only: the cell may have been wrong


def years(*o2: float, work: dict[int, dict[str, Any]] | None = None, **series: list[float]) -> list[dict[str, Any]]:
    """One as-found high fire test a year; `work`: what was done at a visit; series: other columns by year."""
    return [
        visit(
            reading(o2_pct=value, co2_pct=line(value), **{name: values[n] for name, values in series.items()}),
            **(work or {}).get(n, {}),
        )
        for n, value in enumerate(o2)
    ]


def diluted(co_air_free: float, o2: float) -> float:
    return round(co_air_free * (20.9 - o2) / 20.9)


def test_air_in_the_probe_is_told_from_a_burner_that_runs_lean() -> None:
    o2 = [4.8, 5.0, 9.5, 5.1, 5.2]
    co = [diluted(60, value) for value in o2]
    assert findings_of(years(*o2, co_ppm=co)) == [[], [], ["air_in_probe"], [], []]
    # The flame current falls and CO changes with a flame that really gets more air; then it is no fault of the sample.
    lean = years(
        *o2,
        co_ppm=[diluted(co, value) for co, value in zip([60, 60, 160, 60, 60], o2, strict=True)],
        flame_current_ua=[3.0, 3.0, 1.6, 3.0, 3.0],
    )
    assert findings_of(lean) == [[]] * 5


def test_air_in_the_probe_is_kept_out_of_the_fit_and_said() -> None:
    o2 = [5.0, 9.5, 5.1]
    with store_of(years(*o2, co_ppm=[diluted(60, v) for v in o2])) as store:
        row = derived(store).row(1, named=True)
        message = store.scalar("select message from reading_findings")
    assert not row["keep_o2"]
    assert not row["keep_co"]
    assert row["keep_flue"]
    assert (
        "O2 of 9.5 % against 5.0 % in the neighbouring test, while CO air-free and the flame current did not" in message
    )


def test_a_lean_burner_that_was_adjusted_is_no_air_in_the_probe() -> None:
    found = reading(o2_pct=9.5, co_ppm=diluted(60, 9.5))
    left = reading(stage="as_left", o2_pct=5.0, co_ppm=diluted(60, 5.0))
    before = visit(reading(stage="as_left", o2_pct=9.3, co_ppm=diluted(60, 9.3)))
    assert findings_of([before, visit(found, left, burner_adjusted=True)]) == [[], [], []]


def test_air_in_the_probe_of_one_test_shows_against_the_other_of_the_visit() -> None:
    found = reading(o2_pct=9.5, co2_pct=line(9.5), co_ppm=diluted(60, 9.5))
    left = reading(stage="as_left", o2_pct=5.0, co2_pct=line(5.0), co_ppm=diluted(60, 5.0))
    assert findings_of([visit(found, left)]) == [["air_in_probe"], []]
    assert findings_of([visit({**found, "flame_current_ua": None}, left)]) == [[], []]  # CO alone: not enough by itself


def test_o2_that_rises_for_good_is_no_air_in_the_probe() -> None:
    o2 = [4.8, 5.0, 7.5, 7.6, 7.4]
    assert findings_of(years(*o2, co_ppm=[diluted(60, value) for value in o2])) == [[]] * 5


# Which analysers there are: one computes CO2 from O2, one measures it, one was not written down and is either.
ANALYSERS = {"computes": "A1", "measures": "A2", "unknown": None}


def simulated(seed: int, installs: int) -> tuple[list[dict[str, Any]], dict[int, str]]:
    """A fleet with known faults: visit number -> what was done to its tests and by which analyser.

    Another fuel can be set only where CO2 is computed, a drifted cell shows only where it is measured.
    """
    draw = np.random.default_rng(seed)
    visits, truth = [], {}
    for install in range(installs):
        base, co_base, flame = draw.uniform(3.8, 6.0), draw.lognormal(4.0, 0.4), draw.uniform(2.5, 4.5)
        for _ in range(6):
            kind = draw.choice(list(ANALYSERS))
            computes = kind == "computes" or (kind == "unknown" and draw.random() < 0.65)
            fault = draw.choice(["", "other fuel" if computes else "cell", "air"], p=[0.94, 0.03, 0.03])
            leak, cell = draw.uniform(1.25, 1.6), draw.choice([-1, 1]) * draw.uniform(1.2, 2.5)
            tests = []
            for firing, more in (("high", 0.0), ("low", 1.4)):
                o2 = base + more + draw.normal(0, 0.3)
                co_air_free = co_base * np.exp(draw.normal(0, 0.08))
                if fault == "air":
                    o2 = 20.95 - (20.95 - o2) / leak
                shown = o2 + (cell if fault == "cell" else 0.0)
                co2 = (PROPANE if fault == "other fuel" else NATURAL) * (1 - o2 / 20.95)
                tests.append(
                    reading(
                        firing=firing,
                        o2_pct=round(shown, 1),
                        co2_pct=round(co2 + (0.0 if computes else draw.normal(0, 0.08)), 1),
                        co_ppm=round(co_air_free * (20.9 - o2) / 20.9),
                        flame_current_ua=round(flame * np.exp(draw.normal(0, 0.03)), 2),
                        analyser_id=ANALYSERS[kind],
                    )
                )
            truth[len(visits)] = f"{fault}, {kind}" if fault else ""
            visits.append(visit(*tests, install=install))
    return visits, truth


def shares(seed: int, installs: int) -> dict[str, dict[str, float]]:
    """For each fault, what share of its tests got which findings."""
    visits, truth = simulated(seed, installs)
    with store_of(visits) as store:
        rows = derived(store).to_dicts()
    counts: dict[str, dict[str, int]] = {}
    for row in rows:
        of_fault = counts.setdefault(truth[row["visit_no"]], {})
        of_fault[row["findings"] or ""] = of_fault.get(row["findings"] or "", 0) + 1
    return {fault: {name: n / sum(of.values()) for name, n in of.items()} for fault, of in counts.items()}


def test_in_a_fleet_with_known_faults_most_are_named_and_hardly_anything_else() -> None:
    found = shares(seed=5, installs=500)
    assert found[""][""] > 0.999
    assert found["other fuel, computes"]["other_fuel_set"] > 0.95
    assert found["other fuel, unknown"]["other_fuel_set"] > 0.5
    assert found["cell, measures"].get("other_fuel_set", 0) == 0
    assert found["cell, unknown"].get("other_fuel_set", 0) < 0.25
    for kind in ANALYSERS:
        assert found[f"air, {kind}"]["air_in_probe"] > 0.85
        assert found[f"air, {kind}"].get("other_fuel_set", 0) == 0
