"""What must hold for any fuel and any reading: directions, limits, round trips. Seeded by hypothesis itself."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipeline import combustion, fuels
from pipeline.derive import INPUTS, VALUES, with_values
from pipeline.fuels import Fuel, FuelTable

CALM = settings(max_examples=60, derandomize=True)
BURNING = ["methane", "ethane", "propane", "n_butane", "i_butane", "pentane", "hydrogen", "carbon_monoxide", "propene"]


@st.composite
def any_fuel(draw: st.DrawFn) -> Fuel:
    if draw(st.booleans()):
        carbon, oxygen = draw(st.floats(0.6, 0.9)), draw(st.floats(0.0, 0.1))
        sulphur = draw(st.floats(0.0, 0.03))
        hydrogen = 1 - carbon - oxygen - sulphur
        assume(0.05 < hydrogen < 0.25)
        gross = 33.9 * carbon + 142 * (hydrogen - oxygen / 8) + 9.4 * sulphur
        parts = {"carbon": carbon, "hydrogen": hydrogen, "oxygen": oxygen, "sulphur": sulphur}
        return fuels.define("any", {**parts, "gross_mj_per_kg": gross})
    names = draw(st.lists(st.sampled_from(BURNING), min_size=1, max_size=4, unique=True))
    inert = draw(st.floats(0.0, 0.6))
    shares = [draw(st.floats(0.05, 1.0)) for _ in names]
    written = {name: share / sum(shares) * (1 - inert) for name, share in zip(names, shares, strict=True)}
    return fuels.define("any", {**written, "carbon_dioxide": inert / 2, "nitrogen": inert / 2})


READING = {
    "o2_pct": st.floats(0.0, 15.0),
    "flue_temp_c": st.floats(20.0, 250.0),
    "air_temp_c": st.floats(-20.0, 45.0),
    "return_temp_c": st.floats(10.0, 80.0),
    "altitude_m": st.floats(0.0, 3000.0),
    "co_ppm": st.floats(1.0, 1500.0),
}


def derived(fuel: Fuel, rh_pct: float = 50.0, **columns: Any) -> dict[str, list[Any]]:
    """The derived values of readings given as scalars or lists."""
    rows = max((len(value) for value in columns.values() if isinstance(value, list)), default=1)
    full = {name: value if isinstance(value, list) else [value] * rows for name, value in columns.items()}
    empty = {name: pl.Series([None] * rows, dtype=pl.Float64) for name in (*INPUTS, "altitude_m") if name not in full}
    tests = pl.DataFrame({**full, **empty, "fuel": [fuel.name] * rows})
    return with_values(tests.lazy(), FuelTable({fuel.name: fuel}).frame, rh_pct).collect().to_dict(as_series=False)


@CALM
@given(any_fuel(), st.fixed_dictionaries(READING), st.floats(0.05, 5.0))
def test_more_excess_air_means(fuel: Fuel, reading: dict[str, float], more: float) -> None:
    o2 = reading.pop("o2_pct")
    got = derived(fuel, o2_pct=[o2, o2 + more], **reading)

    def step(name: str) -> float:
        return got[name][1] - got[name][0]

    assert step("excess_air_ratio") > 0
    assert step("adiabatic_flame_c") < 0
    moist_air_pct = 100 * got["humidity"][0] / (1 + got["humidity"][0])
    assert (step("flue_h2o_pct") < 0) == (got["flue_h2o_pct"][0] > moist_air_pct)  # towards the moisture of the air
    assert (step("dew_point_c") < 0) == (step("flue_h2o_pct") < 0)
    assert step("co_air_free_ppm") > 0
    assert step("co2_dry_pct") < 0 or fuel.co2_max_pct == 0


@CALM
@given(any_fuel(), st.fixed_dictionaries(READING), st.floats(0.5, 60.0))
def test_warmer_flue_gas_means(fuel: Fuel, reading: dict[str, float], more: float) -> None:
    flue = reading.pop("flue_temp_c")
    got = derived(fuel, flue_temp_c=[flue, flue + more], **reading)
    assert got["efficiency_gross_pct"][1] < got["efficiency_gross_pct"][0]
    assert got["condensate_kg_per_kwh"][1] <= got["condensate_kg_per_kwh"][0]
    assert got["loss_latent_pct"][1] >= got["loss_latent_pct"][0]
    assert got["flue_over_return_k"][1] > got["flue_over_return_k"][0]
    if got["exchanger_ntu"][0] is not None and got["exchanger_ntu"][1] is not None:
        assert got["exchanger_ntu"][1] < got["exchanger_ntu"][0]


@CALM
@given(any_fuel(), st.fixed_dictionaries(READING), st.floats(50.0, 2000.0))
def test_altitude_lowers_the_dew_point_and_nothing_else_of_dry_gas(
    fuel: Fuel, reading: dict[str, float], up: float
) -> None:
    low = reading.pop("altitude_m")
    got = derived(fuel, rh_pct=0.0, altitude_m=[low, low + up], **reading)
    assert fuel.water == 0 or got["dew_point_c"][1] < got["dew_point_c"][0]
    for name in ("excess_air_ratio", "co2_dry_pct", "flue_h2o_pct", "adiabatic_flame_c"):
        assert got[name][1] == got[name][0]


@CALM
@given(any_fuel(), st.fixed_dictionaries(READING))
def test_limits_hold(fuel: Fuel, reading: dict[str, float]) -> None:
    got = {name: values[0] for name, values in derived(fuel, rh_pct=0.0, **reading).items()}
    assert got["excess_air_ratio"] >= 1
    assert 0 <= got["co2_dry_pct"] <= fuel.co2_max_pct + 1e-9
    assert 0 <= got["flue_h2o_pct"] < 100
    if fuel.water > 0:
        assert 0 <= got["condensing_fraction"] <= 1  # dry air: no more than the fuel's own water
        full = combustion.CONDENSATE_FACTOR * fuel.water / fuel.gross_kj
        assert 0 <= got["condensate_kg_per_kwh"] <= full + 1e-12
        assert got["condensate_kg_per_kwh"] == 0 or reading["flue_temp_c"] < got["dew_point_c"]
    assert got["efficiency_gross_pct"] + got["loss_sensible_pct"] + got["loss_latent_pct"] == pytest.approx(100)
    assert got["efficiency_net_pct"] >= got["efficiency_gross_pct"]
    assert got["adiabatic_flame_c"] > reading["air_temp_c"]


@CALM
@given(any_fuel(), st.floats(0.0, 20.0))
def test_o2_co2_and_excess_air_are_one_line(fuel: Fuel, o2: float) -> None:
    terms = fuel.terms()
    gas = combustion.flue_gas(combustion.excess_air_ratio(pl.lit(o2), terms), pl.lit(0.0), terms)
    assert pl.select(100 * gas.o2 / gas.dry).item() == pytest.approx(o2, abs=1e-9)
    if fuel.co2_max_pct > 0:
        co2 = combustion.co2_from_o2_pct(pl.lit(o2), terms.co2_max_pct)
        assert pl.select(combustion.o2_from_co2_pct(co2, terms.co2_max_pct)).item() == pytest.approx(o2, abs=1e-9)


@CALM
@given(any_fuel(), st.fixed_dictionaries(READING), st.floats(1.0, 1.8))
def test_air_drawn_into_the_sample_changes_neither_air_free_co_nor_co_over_co2(
    fuel: Fuel, reading: dict[str, float], dilution: float
) -> None:
    o2, co = reading.pop("o2_pct"), reading.pop("co_ppm")
    thinner = 20.95 - (20.95 - o2) / dilution
    got = derived(fuel, o2_pct=[o2, thinner], co_ppm=[co, co / dilution], **reading)
    if fuel.co2_max_pct > 0:
        assert got["co_co2_ratio"][1] == pytest.approx(got["co_co2_ratio"][0], rel=1e-9)
    # 20.9 against 20.95: the published figure of the one, the oxygen of air in the other.
    assert got["co_air_free_ppm"][1] == pytest.approx(got["co_air_free_ppm"][0], rel=0.012)


@CALM
@given(any_fuel(), st.fixed_dictionaries(READING))
def test_the_effectiveness_of_an_ntu_is_the_share_of_the_heat_above_the_return_that_is_taken_up(
    fuel: Fuel, reading: dict[str, float]
) -> None:
    assume(reading["flue_temp_c"] > reading["return_temp_c"] + 0.1)
    got = derived(fuel, **reading)
    flame, flue, back = got["adiabatic_flame_c"][0], reading["flue_temp_c"], reading["return_temp_c"]
    taken_up = pl.select(combustion.exchanger_effectiveness(pl.lit(got["exchanger_ntu"][0]))).item()
    assert taken_up == pytest.approx((flame - flue) / (flame - back), abs=1e-9)


@CALM
@given(any_fuel(), st.fixed_dictionaries({**READING, "o2_pct": st.floats(0.0, 20.5)}))
def test_no_value_is_ever_infinite_or_not_a_number(fuel: Fuel, reading: dict[str, float]) -> None:
    frame = pl.DataFrame({name: values for name, values in derived(fuel, **reading).items() if name != "fuel"})
    numbers = frame.select(pl.selectors.numeric())
    assert numbers.select(pl.all().is_finite().fill_null(True).all()).row(0) == (True,) * numbers.width


def test_flue_gas_at_25_degrees_with_all_water_condensed_loses_nothing() -> None:
    fuel = fuels.load()["natural_gas"].terms()
    gas = combustion.flue_gas(pl.lit(1.25), pl.lit(0.0), fuel)
    air_kj = combustion.air_enthalpy_kj(gas, pl.lit(25.0))
    sensible = combustion.loss_sensible_pct(gas, fuel.water, pl.lit(25.0), air_kj, fuel)
    latent = combustion.loss_latent_pct(fuel.water, fuel)
    assert pl.select(combustion.efficiency_gross_pct(sensible, latent)).item() == pytest.approx(100, abs=1e-9)


def test_anything_a_file_may_hold_gives_finite_values_or_none() -> None:
    draw = np.random.default_rng(0)
    rows = 30_000
    known = fuels.load({"dry_gas": {"carbon_monoxide": 1.0}, "lean": {"hydrogen": 0.3, "carbon_dioxide": 0.7}})
    ranges = {
        "o2_pct": (-1, 21.5), "co2_pct": (-1, 25), "co_ppm": (-10, 1e5), "co_air_free_ppm": (-10, 1e6),
        "flue_temp_c": (-40, 800), "air_temp_c": (-60, 120), "supply_temp_c": (-20, 200), "return_temp_c": (-20, 200),
        "flame_current_ua": (0, 1000), "altitude_m": (-450, 6000),
    }  # fmt: skip
    columns = {}
    for name, (low, high) in ranges.items():
        values = draw.uniform(low, high, rows)
        values[draw.random(rows) < 0.05] = np.nan  # not a number, as a file may spell it
        columns[name] = pl.Series(values)
        columns[name] = pl.select(pl.when(pl.Series(draw.random(rows) > 0.1)).then(columns[name])).to_series()
    tests = pl.DataFrame({**columns, "fuel": draw.choice(list(known), rows)})
    for rh_pct in (0.0, 100.0):
        got = with_values(tests.lazy(), known.frame, rh_pct).select(VALUES).collect()
        assert got.select(pl.all().is_finite().fill_null(True).all()).row(0) == (True,) * len(VALUES)
        assert got["o2_dry_pct"].drop_nulls().is_between(0, 20.9).all()
        assert got["excess_air_ratio"].min() >= 1  # type: ignore[operator]
        assert got["co_air_free_ppm"].min() >= 0  # type: ignore[operator]
        assert got["condensate_kg_per_kwh"].min() >= 0  # type: ignore[operator]


# CaCO3 (100.087 g/mol) takes up two H+. What CO2 dissolves of it: calcite at 25 °C without activities, [Ca]^3 =
# p KH K1 Kc / (4 K2), log K -1.468, -6.352, -8.480, -10.329 (Plummer & Busenberg 1982, from memory), 9 % CO2 at 1 atm.
@pytest.mark.parametrize(
    ("ph", "uptake", "grams"),
    [
        (3.0, 0.0, 100.087 / 2 * 1e-3),
        (4.0, 0.0, 100.087 / 2 * 1e-4),
        (7.0, 1.0, 100.087 * (0.09 * 10 ** (-1.468 - 6.352 - 8.480 + 10.329) / 4) ** (1 / 3)),
    ],
)
def test_media_neutralise_the_acid_and_take_up_carbon_dioxide(ph: float, uptake: float, grams: float) -> None:
    spent = pl.select(a=combustion.media_g(pl.lit(2.0), ph, uptake), b=combustion.media_g(pl.lit(2.0), pl.lit(ph)))
    assert spent.row(0)[0] == pytest.approx(2 * grams, rel=0.01)
    least, most = (pl.select(combustion.media_g(pl.lit(2.0), ph, share)).item() for share in (0.0, 1.0))
    assert spent.row(0)[1] == pytest.approx(least + 0.3 * (most - least))
