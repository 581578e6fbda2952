"""The whole chain against Cantera and CoolProp, over usual appliances and over odd fuels, air and altitudes.

The bounds are what an engineer would sign: 0.05 points of efficiency, 0.3 K of dew point, 0.5 % of NTU and excess air,
5 K of flame temperature. What is left comes from three things alone: saturation by IF97, also of air below 0 °C, the
interpolated flame, and atomic masses in their third decimal.
"""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
import reference_combustion as reference

from pipeline import fuels
from pipeline.derive import INPUTS, VALUES, with_values

ODD = {
    "raw_digester_gas": {"methane": 0.35, "carbon_dioxide": 0.60, "nitrogen": 0.04, "oxygen": 0.01},
    "lean_landfill_gas": {"methane": 0.25, "carbon_dioxide": 0.35, "nitrogen": 0.38, "oxygen": 0.02},
    "half_hydrogen": {"methane": 0.5, "hydrogen": 0.5},
    "town_gas": {"hydrogen": 0.48, "carbon_monoxide": 0.10, "methane": 0.28, "carbon_dioxide": 0.04, "nitrogen": 0.10},
    "sour_gas": {"methane": 0.95, "hydrogen_sulphide": 0.03, "carbon_dioxide": 0.02},
    "winter_lpg": {"propane": 0.72, "propene": 0.13, "n_butane": 0.08, "i_butane": 0.05, "ethane": 0.02},
    "pentane_rich": {"pentane": 0.6, "methane": 0.4},
    "sulphurous_oil": {
        "carbon": 0.86,
        "hydrogen": 0.11,
        "sulphur": 0.025,
        "nitrogen": 0.003,
        "oxygen": 0.002,
        "gross_mj_per_kg": 43.5,
    },
    "plant_oil_ester": {"carbon": 0.772, "hydrogen": 0.119, "oxygen": 0.109, "gross_mj_per_kg": 39.9},
    "alcohol": {"carbon": 0.5214, "hydrogen": 0.1313, "oxygen": 0.3473, "gross_mj_per_kg": 29.7},
}
BOUNDS = {
    "efficiency_gross_pct": 0.05,
    "efficiency_net_pct": 0.05,
    "loss_sensible_pct": 0.05,
    "loss_latent_pct": 0.05,
    "dew_point_c": 0.3,
    "adiabatic_flame_c": 5.0,
    "flue_h2o_pct": 0.02,
    "condensate_kg_per_kwh": 0.0005,
    "condensing_fraction": 0.005,
    "co2_dry_pct": 0.001,
}
RELATIVE = {"excess_air_ratio": 0.005, "exchanger_ntu": 0.005}


def readings(names: list[str], count: int, seed: int, odd: bool) -> pl.DataFrame:
    draw = np.random.default_rng(seed)
    returns = draw.uniform(20, 75, count)
    flue = returns + np.exp(draw.uniform(np.log(1.5), np.log(300 if odd else 120), count))
    return pl.DataFrame(
        {
            **{name: pl.Series([None] * count, dtype=pl.Float64) for name in INPUTS},
            "fuel": [names[i % len(names)] for i in range(count)],
            "o2_pct": draw.uniform(0, 18 if odd else 12, count),
            "flue_temp_c": flue,
            "air_temp_c": draw.uniform(-20, 45, count) if odd else draw.uniform(0, 30, count),
            "return_temp_c": returns,
            "altitude_m": draw.uniform(0, 3500 if odd else 1500, count),
        }
    )


def worst(tests: pl.DataFrame, table: fuels.FuelTable, rh_pct: float) -> dict[str, float]:
    """Largest deviation of each value from the reference, relative for those of RELATIVE."""
    ours = with_values(tests.lazy(), table.frame, rh_pct).collect()
    found = dict.fromkeys([*BOUNDS, *RELATIVE], 0.0)
    for given, got in zip(tests.to_dicts(), ours.select(VALUES).to_dicts(), strict=True):
        burnt = table[given["fuel"]]
        expected = reference.flue(
            burnt.composition, burnt.basis, burnt.gross_kj, o2_pct=given["o2_pct"], flue_c=given["flue_temp_c"],
            air_c=given["air_temp_c"], return_c=given["return_temp_c"], rh_pct=rh_pct, altitude_m=given["altitude_m"],
        )  # fmt: skip
        for name in found:
            if math.isnan(expected[name]):
                continue
            assert got[name] is not None, (name, given)
            away = abs(got[name] - expected[name])
            found[name] = max(found[name], away / abs(expected[name]) if name in RELATIVE else away)
    return found


@pytest.mark.parametrize("rh_pct", [0.0, 50.0, 100.0])
def test_usual_appliances_agree_with_cantera_and_coolprop(rh_pct: float) -> None:
    table = fuels.load()
    found = worst(readings(list(table), 260, seed=7, odd=False), table, rh_pct)
    assert {name: away for name, away in found.items() if away > {**BOUNDS, **RELATIVE}[name]} == {}


@pytest.mark.parametrize("rh_pct", [0.0, 90.0])
def test_odd_fuels_air_and_altitudes_agree_with_cantera_and_coolprop(rh_pct: float) -> None:
    table = fuels.load(ODD)
    found = worst(readings([*ODD, "hydrogen", "biogas"], 360, seed=11, odd=True), table, rh_pct)
    assert {name: away for name, away in found.items() if away > {**BOUNDS, **RELATIVE}[name]} == {}


@pytest.mark.parametrize("name", [*fuels.components("mole")])
def test_gross_heats_agree_with_heats_of_formation(name: str) -> None:
    # Cantera's nasa_gas.yaml against ISO 6976:2016; 0.1 % is the spread between editions of either.
    heat = fuels.components("mole")[name].gross_kj_per_mol
    assert heat == pytest.approx(reference.gross_from_formation({name: 1.0}), rel=0.001, abs=0.01)


def test_composition_may_be_told_from_carbon_to_hydrogen_alone() -> None:
    # The same molecule as a gas by mole and as an oil by mass: two ways that must agree.
    gas = fuels.define("gas", {"propane": 1.0})
    mass_c, mass_h = 3 * 12.011, 8 * 1.00794
    gross = gas.gross_kj / (mass_c + mass_h)
    oil = fuels.define(
        "oil",
        {"carbon": mass_c / (mass_c + mass_h), "hydrogen": mass_h / (mass_c + mass_h), "gross_mj_per_kg": gross},
    )
    assert oil.co2_max_pct == pytest.approx(gas.co2_max_pct, rel=1e-9)
    assert oil.gross_kj / oil.net_kj == pytest.approx(gas.gross_kj / gas.net_kj, rel=1e-9)
    assert oil.air / oil.gross_kj == pytest.approx(gas.air / gas.gross_kj, rel=1e-9)
