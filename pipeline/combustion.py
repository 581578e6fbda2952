"""The physics of a flue-gas test, one formula per function: expressions in, expression out, of Polars or of SQL.

All concentrations are by volume; O2, CO2 and CO in dry gas. Amounts (`Gas`) are moles per mole of gas fuel or per kg of
oil, as in `fuels.Fuel`, whose constants arrive as `FuelTerms`: columns for a whole table, literals for one fuel.
Where no source is named the formula is a mole balance or a heat balance and can be written down again from the fuel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.enthalpy import REFERENCE_K, ZERO_C, enthalpy_at_kj, enthalpy_kj
from pipeline.fuels import OXYGEN_IN_AIR, VAPORISATION_KJ, FuelTerms
from pipeline.sql_formulas import when_any
from pipeline.vapour import per_mol_dry

O2_IN_AIR_PCT = 100 * OXYGEN_IN_AIR
"""20.95: for all stoichiometry."""
O2_AMBIENT_PCT = 20.9
"""The figure with which limits for CO air-free are written: 40 CFR 60, App. A-7, Method 19, equation 19-1."""
CO_COUNTS_ABOVE_PPM = 2000.0
"""Above this the oxygen that the CO still wants is taken off the O2."""
CO2_ABOVE_MAX_PCT = 0.45
"""CO2 may exceed the fuel's maximum by this much before it is impossible: instrument accuracy and rounding."""
REFERENCE_C = REFERENCE_K - ZERO_C
CO_G_PER_MOL = 28.0101
WATER_KJ_PER_K = 0.0753
"""Heat capacity of liquid water. [kJ/mol K]"""
CONDENSATE_FACTOR = 64.855
"""kg of water per kWh for one mol per kJ: 0.0180153 kg/mol times 3600 kJ/kWh."""
FLAME_NODES_K = (700.0, 1200.0, 1800.0, 2400.0)


@dataclass(frozen=True)
class Gas:
    """Amounts in the flue gas. [mol per unit of fuel]  `h2o`: all water, vapour and condensate."""

    co2: pl.Expr
    so2: pl.Expr
    n2: pl.Expr
    o2: pl.Expr
    h2o: pl.Expr
    dry: pl.Expr
    air: pl.Expr
    humidity: pl.Expr


# Excess air, O2, CO2


def o2_without_co_pct(o2_pct: pl.Expr, co_ppm: pl.Expr) -> pl.Expr:
    """O2 that would be left if the CO burnt: O2 - CO/2 where CO is above 2000 ppm. [%]"""
    return o2_pct - when_any(co_ppm > CO_COUNTS_ABOVE_PPM).then(co_ppm / 2e4).otherwise(0.0)


def o2_from_co2_pct(co2_pct: pl.Expr, co2_max_pct: pl.Expr) -> pl.Expr:
    """O2 beside this CO2 for a fuel; null for a fuel without carbon. [%]

    co2_pct: above 0; up to CO2_ABOVE_MAX_PCT over the fuel's maximum counts as no excess air.
    """
    o2_pct = O2_IN_AIR_PCT * (1 - co2_pct / co2_max_pct)
    possible = (co2_max_pct > 0) & (co2_pct > 0) & (co2_pct <= co2_max_pct + CO2_ABOVE_MAX_PCT)
    return when_any(possible).then(o2_pct.clip(lower_bound=0.0))


def co2_from_o2_pct(o2_pct: pl.Expr, co2_max_pct: pl.Expr) -> pl.Expr:
    """CO2 beside this O2 for a fuel. [%]   o2_pct: 0 to 20.95."""
    return co2_max_pct * (1 - o2_pct / O2_IN_AIR_PCT)


def dilution(o2_pct: pl.Expr) -> pl.Expr:
    """Dry flue gas as a multiple of that without excess air, the same for every fuel.   o2_pct: 0 to below 20.95."""
    return O2_IN_AIR_PCT / (O2_IN_AIR_PCT - o2_pct)


def excess_air_ratio(o2_pct: pl.Expr, fuel: FuelTerms) -> pl.Expr:
    """Air over stoichiometric air, lambda.   o2_pct: 0 to below 20.95.

    Exact for the fuel; the shorthand O2/(20.9 - O2) leaves out dry_gas/air and reads 0.03 high at 5 % O2.
    """
    return 1 + fuel.dry_gas / fuel.air * (dilution(o2_pct) - 1)


# Carbon monoxide


def co_air_free_ppm(co_ppm: pl.Expr, o2_pct: pl.Expr) -> pl.Expr:
    """CO recomputed to flue gas without excess air. [ppm]   o2_pct: 0 to below 20.9.

    Source: 40 CFR 60, App. A-7, Method 19, equation 19-1 (its oxygen term).
    """
    return co_ppm * O2_AMBIENT_PCT / (O2_AMBIENT_PCT - o2_pct)


def co_measured_ppm(air_free_ppm: pl.Expr, o2_pct: pl.Expr) -> pl.Expr:
    """CO in the flue gas as sampled, from its air-free value: the inverse of `co_air_free_ppm`. [ppm]"""
    return air_free_ppm * (O2_AMBIENT_PCT - o2_pct) / O2_AMBIENT_PCT


def co_at_o2_ppm(co_ppm: pl.Expr, o2_pct: pl.Expr, reference_o2_pct: float = 3.0) -> pl.Expr:
    """CO recomputed to a reference O2. [ppm]   European rules write 21 for 20.9: 0.07 % less at 5 % O2."""
    return co_air_free_ppm(co_ppm, o2_pct) * (O2_AMBIENT_PCT - reference_o2_pct) / O2_AMBIENT_PCT


def co_co2_ratio(co_ppm: pl.Expr, co2_pct: pl.Expr) -> pl.Expr:
    """CO over CO2; null where there is no CO2 (hydrogen)."""
    return when_any(co2_pct > 0).then(co_ppm / (1e4 * co2_pct))


def co_mg_per_kwh(air_free_ppm: pl.Expr, fuel: FuelTerms, per_net: bool = False) -> pl.Expr:
    """Mass of CO per heat put in, gross or net. [mg/kWh]"""
    heat_kj = fuel.net_kj if per_net else fuel.gross_kj
    return air_free_ppm * 1e-6 * fuel.dry_gas / heat_kj * 1000 * CO_G_PER_MOL * 3600


# Flue gas, water, condensate


def flue_gas(ratio: pl.Expr, humidity: pl.Expr, fuel: FuelTerms) -> Gas:
    """Amounts in the flue gas.   ratio: excess air ratio, 1 and above.   humidity: mol vapour per mol of dry air."""
    air = ratio * fuel.air
    return Gas(
        co2=fuel.co2,
        so2=fuel.so2,
        n2=fuel.n2 + (1 - OXYGEN_IN_AIR) * air,
        o2=OXYGEN_IN_AIR * (air - fuel.air),
        h2o=fuel.water + humidity * air,
        dry=fuel.dry_gas + air - fuel.air,
        air=air,
        humidity=humidity,
    )


def flue_h2o_pct(gas: Gas) -> pl.Expr:
    """Water vapour in the wet flue gas before any condenses. [%]"""
    return 100 * gas.h2o / (gas.dry + gas.h2o)


def water_pa(h2o_pct: pl.Expr, pressure_pa: pl.Expr) -> pl.Expr:
    """Partial pressure of the water in the flue gas before any condenses. [Pa]"""
    return h2o_pct / 100 * pressure_pa


def condensate_mol(gas: Gas, gas_water_pa: pl.Expr, saturation_pa: pl.Expr, pressure_pa: pl.Expr) -> pl.Expr:
    """Water condensed if the gas leaves saturated; 0 above the dew point. [mol per unit of fuel]

    gas_water_pa: `water_pa`.   saturation_pa: saturation pressure at the flue temperature.   pressure_pa: ambient. [Pa]
    A low estimate near the dew point: surfaces are colder than the bulk gas. Gated on the dew point (written as
    pressures), since above the boiling point the formula changes sign.
    """
    condensed = gas.h2o - gas.dry * per_mol_dry(saturation_pa, pressure_pa)
    return when_any(gas_water_pa > saturation_pa).then(condensed).when(gas_water_pa <= saturation_pa).then(0.0)


def condensate_kg_per_kwh(condensed_mol: pl.Expr, fuel: FuelTerms) -> pl.Expr:
    """Condensate per gross heat put in. [kg/kWh]"""
    return CONDENSATE_FACTOR * condensed_mol / fuel.gross_kj


def condensing_fraction(condensed_mol: pl.Expr, fuel: FuelTerms) -> pl.Expr:
    """Condensate over the water made from the fuel; above 1 where humid air is dried as well."""
    return when_any(fuel.water > 0).then(condensed_mol / fuel.water)


def media_g(condensate_kg: pl.Expr, ph_in: pl.Expr | float, co2_uptake: pl.Expr | float = 0.3) -> pl.Expr:
    """Calcium carbonate that neutralising spends on a mass of condensate. [g]

    ph_in: of the condensate as it leaves the exchanger, 2 to 7.
    co2_uptake: 0 to 1, how much of the uptake by dissolved CO2 (at most 0.29 g/L at 9 % CO2) takes place; 0.3 has no
    source, short contact keeps it low.
    """
    strong_acid = 50.04 * (pl.lit(10.0) ** (-1 * (ph_in if isinstance(ph_in, pl.Expr) else pl.lit(ph_in))))
    return condensate_kg * (strong_acid + co2_uptake * 0.29)


# Losses, efficiency


def loss_sensible_pct(
    gas: Gas, condensed_mol: pl.Expr, flue_temp_c: pl.Expr, air_kj: pl.Expr, fuel: FuelTerms
) -> pl.Expr:
    """Heat carried off by warm flue gas and condensate less that brought by the air. [% of gross heat]

    Balance about 25 °C, where the heating value is defined; slightly negative with warm air and cold flue gas.
    flue_temp_c: up to 700. [°C]   air_kj: `air_enthalpy_kj`.
    """
    out = (
        gas.co2 * enthalpy_kj("CO2", flue_temp_c)
        + gas.so2 * enthalpy_kj("SO2", flue_temp_c)
        + gas.n2 * enthalpy_kj("N2", flue_temp_c)
        + gas.o2 * enthalpy_kj("O2", flue_temp_c)
        + (gas.h2o - condensed_mol) * enthalpy_kj("H2O", flue_temp_c)
        + condensed_mol * WATER_KJ_PER_K * (flue_temp_c - REFERENCE_C)
    )
    return 100 * (out - air_kj) / fuel.gross_kj


def air_enthalpy_kj(gas: Gas, air_temp_c: pl.Expr) -> pl.Expr:
    """Enthalpy above 25 °C of the combustion air with its humidity. [kJ per unit of fuel]"""
    per_mol = (
        OXYGEN_IN_AIR * enthalpy_kj("O2", air_temp_c)
        + (1 - OXYGEN_IN_AIR) * enthalpy_kj("N2", air_temp_c)
        + gas.humidity * enthalpy_kj("H2O", air_temp_c)
    )
    return gas.air * per_mol


def loss_latent_pct(condensed_mol: pl.Expr, fuel: FuelTerms) -> pl.Expr:
    """Heat of vaporisation that leaves with the water not condensed. [% of gross heat]"""
    return 100 * (fuel.water - condensed_mol) * VAPORISATION_KJ / fuel.gross_kj


def efficiency_gross_pct(sensible_pct: pl.Expr, latent_pct: pl.Expr) -> pl.Expr:
    """Combustion efficiency by the heat-loss method: no jacket, standby or CO loss. [% of gross heat]"""
    return 100 - sensible_pct - latent_pct


def efficiency_net_pct(gross_pct: pl.Expr, fuel: FuelTerms) -> pl.Expr:
    """The same heat on the net heating value; above 100 where much condenses. [% of net heat]"""
    return gross_pct * fuel.gross_kj / fuel.net_kj


# Flame and exchanger


def adiabatic_flame_c(flame_kj: pl.Expr, products_kj: Sequence[pl.Expr]) -> pl.Expr:
    """Temperature of complete combustion without loss, fuel at 25 °C, no dissociation. [°C]

    flame_kj: heat to be held by the products, net heat and `air_enthalpy_kj`. [kJ per unit of fuel]
    products_kj: what the products hold at each of FLAME_NODES_K, `products_enthalpy_kj`.
    Explicit: inverse interpolation of fourth order between the exact enthalpies at 25 °C and at FLAME_NODES_K; within
    1.3 K of the root from 0 to 20.5 % O2.
    """
    return interpolated(flame_kj, [0.0, *products_kj], [REFERENCE_K, *FLAME_NODES_K]) - ZERO_C


def interpolated(x: pl.Expr, nodes: Sequence[pl.Expr | float], values: Sequence[float]) -> pl.Expr:
    """The polynomial through (nodes, values) at x, from divided differences; nodes rise and differ row by row."""
    table: list[Any] = list(values)
    slopes = [table[0]]
    for order in range(1, len(nodes)):
        table = [(table[i + 1] - table[i]) / (nodes[i + order] - nodes[i]) for i in range(len(table) - 1)]
        slopes.append(table[0])
    result = slopes[-1]
    for node, slope in zip(nodes[-2::-1], slopes[-2::-1], strict=True):
        result = slope + (x - node) * result
    return result


def products_enthalpy_kj(gas: Gas, temp_k: float) -> pl.Expr:
    """Enthalpy above 25 °C of the products, all water as vapour, at a fixed temperature. [kJ per unit of fuel]"""
    return (
        gas.co2 * enthalpy_at_kj("CO2", temp_k)
        + gas.so2 * enthalpy_at_kj("SO2", temp_k)
        + gas.n2 * enthalpy_at_kj("N2", temp_k)
        + gas.o2 * enthalpy_at_kj("O2", temp_k)
        + gas.h2o * enthalpy_at_kj("H2O", temp_k)
    )


def exchanger_ntu(flame_c: pl.Expr, flue_temp_c: pl.Expr, return_temp_c: pl.Expr) -> pl.Expr:
    """Number of transfer units, the water taken as constant at the return temperature.

    Null where the flue gas is not warmer than the return water. With condensation it only ranks the visits of one
    appliance at like firing and return temperature.
    """
    gap_in, gap_out = flame_c - return_temp_c, flue_temp_c - return_temp_c
    return when_any((gap_out > 0) & (gap_in > gap_out)).then((gap_in / gap_out).log())


def exchanger_effectiveness(ntu: pl.Expr) -> pl.Expr:
    """Share of the heat above the return temperature that the exchanger takes up: (T_ad - T_flue)/(T_ad - T_return)."""
    return 1 - (-1 * ntu).exp()
