"""The range of every install and series, and where it was read."""

from __future__ import annotations

import pytest
from made_store import made_store

from pipeline.settings import Settings
from pipeline.stages.cycles import cycles

NON_CONDENSING = {"model_id": "N", "model_no": 1, "condensing": False}


def limit(indicator="co_air_free_ppm", fuel="any", firing="any", low=None, high=None, source="book"):
    return {
        "model_id": "M",
        "fuel": fuel,
        "firing": firing,
        "indicator": indicator,
        "low": low,
        "high": high,
        "source": source,
    }


def ranges(installs, limits, series_no, visits=(), tests=(), models=None):
    store = made_store(installs, list(visits), list(tests), limits=limits, models=models)
    cycles(store, Settings())
    return store.rows(
        "select limit_low, limit_high, limit_source, general from limits where series_no = ? order by install_no",
        [series_no],
    )


def test_the_more_specific_row_wins_fuel_before_firing():
    rows = [
        limit(high=100),
        limit(firing="high", high=110),
        limit(fuel="propane", high=120),
        limit(fuel="propane", firing="high", high=130),
    ]
    installs = [{"fuel": "natural_gas"}, {"fuel": "propane"}]
    assert [r[1] for r in ranges(installs, rows, 1)] == [110, 130]
    assert [r[1] for r in ranges(installs, rows, 2)] == [100, 120]
    assert [r[1] for r in ranges(installs, rows[:3], 1)] == [110, 120]
    # a row of the one firing says nothing of the other: the general range holds there
    assert [r[1] for r in ranges(installs, [rows[1]], 2)] == [400, 400]
    assert [r[1] for r in ranges(installs, [limit(firing="low", high=90)], 1)] == [400, 400]


def test_the_makers_row_is_taken_whole_and_an_empty_row_not_at_all():
    assert ranges([{}], [limit("o2_pct", high=6.5)], 3) == [(None, 6.5, "book", False)]
    assert ranges([{}], [limit("o2_pct", low=3.5)], 3) == [(3.5, None, "book", False)]
    assert ranges([{}], [limit("o2_pct")], 3)[0][:2] == (3.0, 7.0)


def test_a_range_that_no_value_can_leave_puts_no_other_aside():
    """CO is never below nought: with low = 0 alone every reading would be in range, and none would be foreseen out."""
    assert ranges([{}], [limit(low=0)], 1)[0][:2] == (None, 400)
    assert ranges([{}], [limit(firing="high", low=0), limit(high=300)], 1) == [(None, 300, "book", False)]
    assert ranges([{}], [limit(low=0, high=300)], 1)[0][:2] == (0, 300)
    assert ranges([{}], [limit("flame_current_ua", low=1.2)], 5)[0][:2] == (1.2, None)
    assert ranges([{"media_kg": 2.0}], [limit("condensate_ph", low=0)], 7)[0][:2] == (0, None)


# General ranges: 40 CFR 403.5(b)(2) gives pH 5.0; 400 ppm CO air-free is the ANSI Z21 figure (second-hand); the rest is
# common practice without a source.
@pytest.mark.parametrize(
    ("series_no", "low", "high"),
    [
        (0, None, 30),
        (1, None, 400),
        (2, None, 400),
        (3, 3.0, 7.0),
        (4, 3.0, 8.5),
        (5, 1.5, None),
        (6, None, 30),
        (7, 5.0, 10.0),
        (8, 83, 172),
    ],
)
def test_without_a_makers_row_the_general_range_holds_and_is_marked(series_no, low, high):
    (row,) = ranges([{"media_kg": 2.0}], [limit("system_pressure", high=1)], series_no)
    assert row[:2] == (low, high)
    assert row[2]
    assert row[3] is True


def test_flue_gas_of_a_non_condensing_appliance_is_held_to_its_commissioning():
    installs = [{"model_id": "N"}, {"model_id": "N"}, {}, {"model_id": "N"}]
    visits = [
        {"install_no": 0, "visited_on": "2015-01-01", "purpose": "commissioning"},
        {"install_no": 1, "visited_on": "2016-01-01"},
        {"install_no": 3, "visited_on": "2016-02-01", "purpose": "commissioning"},
    ]
    tests = [
        {"visit_no": 0, "stage": "as_found", "flue_over_return_k": 120.0},
        {"visit_no": 0, "stage": "as_left", "flue_over_return_k": 100.0},
        {"visit_no": 1, "stage": "as_left", "flue_over_return_k": 100.0},
        {"visit_no": 2, "stage": "as_found", "flue_over_return_k": 90.0},
        {"visit_no": 2, "stage": "as_left", "o2_dry_pct": 5.0},
    ]
    models = [{}, NON_CONDENSING]
    held, unknown, condensing, as_found = ranges(installs, [], 0, visits, tests, models)
    assert held[1] == pytest.approx(122.2)
    assert "commissioning" in held[2]
    assert held[3] is True
    assert unknown[:3] == (None, None, None)
    assert condensing[1] == 30
    assert as_found[:3] == (None, None, None)  # what was found there is from before the first cycle
    makers = [limit("flue_over_return_k", high=140) | {"model_id": "N"}]
    assert [r[1] for r in ranges(installs, makers, 0, visits, tests, models)] == [140, 140, 30, 140]


def test_only_series_that_apply_have_a_range():
    store = made_store([{"model_id": "N", "media_kg": 1.0}, {}, {"media_kg": 0.0}], [], [], models=[{}, NON_CONDENSING])
    cycles(store, Settings())
    of = {
        i: [r[0] for r in store.rows("select series_no from limits where install_no = ? order by 1", [i])]
        for i in range(3)
    }
    assert of == {0: [0, 1, 2, 3, 4, 5, 7, 8], 1: [0, 1, 2, 3, 4, 5, 6, 8], 2: [0, 1, 2, 3, 4, 5, 6, 8]}
