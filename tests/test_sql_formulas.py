"""The formulas give the same in the store as in a frame: one definition, two engines, each the judge of the other."""

from __future__ import annotations

import math
from typing import Any

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import findings, fuels, sql_formulas
from pipeline.derive import INPUTS, steps, values_sql, with_values

TERMS = fuels.load().frame
CELLS = {
    "o2_pct": st.floats(0, 20.9) | st.sampled_from([0.0, 20.9, 15.0]),
    "co2_pct": st.floats(0, 40) | st.just(0.0),
    "co_ppm": st.floats(0, 100_000) | st.sampled_from([0.0, 2000.0, 2000.1, 0.4]),
    "co_air_free_ppm": st.floats(0, 1_000_000),
    "flue_temp_c": st.floats(-40, 800),
    "air_temp_c": st.floats(-60, 120) | st.sampled_from([-50.0, 60.0]),
    "supply_temp_c": st.floats(-20, 200),
    "return_temp_c": st.floats(-20, 200),
    "flame_current_ua": st.floats(0, 1000),
}
"""Everything that columns.csv calls possible."""
TESTS = st.fixed_dictionaries(
    {
        **{name: st.none() | cells for name, cells in CELLS.items()},
        "altitude_m": st.none() | st.floats(-450, 6000),
        "fuel": st.none() | st.just("unheard_of") | st.sampled_from(TERMS["fuel"].to_list()),
    }
)


def both(tests: pl.DataFrame, *, whole: bool) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Every step and the broken rules of tests, from Polars and from DuckDB."""
    names = [value.named.rsplit(' as "', 1)[1][:-1] for step in steps(sql_formulas, 50.0) for value in step]
    in_frame = with_values(tests.lazy(), TERMS, 50.0).select(*names, findings.broken_rules().alias("broken")).collect()
    source = (
        "select t.* exclude (co_air_free_ppm), t.co_air_free_ppm as air_free_given_ppm, f.* exclude (fuel) "
        "from tests t left join terms f on f.fuel = t.fuel order by t.n"
    )
    with duckdb.connect() as db:
        db.register("tests", tests.with_row_index("n"))
        db.register("terms", TERMS)
        chosen = ", ".join([*names, f"{findings.broken_rules(sql_formulas).text} as broken"])
        in_store = db.sql(f"select {chosen} from ({values_sql(source, 50.0, whole=whole)}) order by n").pl()
    return in_frame, in_store


@pytest.mark.parametrize("whole", [True, False])
@settings(max_examples=60, deadline=None)
@given(tests=st.lists(TESTS, min_size=1, max_size=30))
def test_the_store_and_a_frame_agree_on_every_step(tests: list[dict[str, object]], whole: bool) -> None:
    schema = dict.fromkeys((*INPUTS, "altitude_m"), pl.Float64) | {"fuel": pl.String}
    in_frame, in_store = both(pl.DataFrame(tests, schema=schema), whole=whole)

    def pairs(name: str) -> list[tuple[Any, Any]]:
        return list(zip(in_frame[name], in_store[name], strict=True))

    assert in_frame["broken"].to_list() == in_store["broken"].to_list()
    # Where CO takes up all CO2 the rest is nought but for rounding, and the last digit says whether it is positive.
    edge = [any(0 <= value < 1e-9 for value in pair if value is not None) for pair in pairs("co2_dry_pct")]
    for name in in_frame.columns:
        for (one, other), on_edge in zip(pairs(name), edge, strict=True):
            if on_edge and name in ("co2_dry_pct", "co_co2_ratio"):
                continue
            if one is None or other is None or isinstance(one, bool):
                assert one == other, name
            elif not (math.isnan(one) and math.isnan(other)):
                # Powers and logarithms of two libraries: some units in the last of 16 digits.
                assert other == pytest.approx(one, rel=1e-9, abs=1e-9), name


def told(value: sql_formulas.Sql) -> object:
    return duckdb.execute(f"select {value.text}").fetchall()[0][0]


def test_numbers_are_written_whole() -> None:
    # 0.1 + 0.2 in binary64 is 0.30000000000000004 (IEEE 754); as DECIMAL literals it would be 0.3.
    assert told(sql_formulas.lit(0.1) + 0.2) == 0.1 + 0.2


def test_what_is_unknown_stays_unknown() -> None:
    nothing = sql_formulas.lit(1.0) + sql_formulas.Sql("null::double")
    for value in (nothing.clip(lower_bound=0.0), sql_formulas.when(nothing > 0).then(1.0), nothing.pow(2).sqrt()):
        assert told(value) is None
    assert told(sql_formulas.when(nothing > 0).then(1.0).otherwise(2.0)) == 2.0
