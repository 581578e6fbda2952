"""An independent flue-gas calculation: Cantera for species and enthalpies, CoolProp for water; used by tests only.

Nothing of the package is used but the composition and the measured gross heat of a fuel.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache

import cantera as ct
import CoolProp.CoolProp as cp

OXYGEN = 0.2095
LATENT = 44.013  # ISO 6976:2016, kJ/mol at 25 °C
SPECIES = {
    "methane": "CH4", "ethane": "C2H6", "propane": "C3H8", "n_butane": "C4H10,n-butane", "i_butane": "C4H10,isobutane",
    "pentane": "C5H12,n-pentane", "hydrogen": "H2", "propene": "C3H6,propylene", "carbon_monoxide": "CO",
    "hydrogen_sulphide": "H2S", "carbon_dioxide": "CO2", "nitrogen": "N2", "oxygen": "O2",
}  # fmt: skip
ELEMENTS = {"carbon": "C", "hydrogen": "H", "oxygen": "O", "nitrogen": "N", "sulphur": "S"}


@cache
def nasa() -> dict[str, ct.Species]:
    return {s.name: s for s in ct.Species.list_from_file("nasa_gas.yaml")}


@cache
def products_phase() -> ct.Solution:
    names = ("CO2", "SO2", "N2", "O2", "H2O")
    return ct.Solution(thermo="ideal-gas", species=[nasa()[name] for name in names])


@cache
def equilibrium_phase() -> ct.Solution:
    return ct.Solution("gri30.yaml")


def enthalpy(name: str, temp_c: float) -> float:
    """kJ/mol above 25 °C."""
    thermo = nasa()[name].thermo
    return (thermo.h(temp_c + 273.15) - thermo.h(298.15)) / 1e6


def atoms(composition: Mapping[str, float], basis: str) -> dict[str, float]:
    """Moles of C, H, O, N, S per mole of gas or per kg of oil."""
    found = dict.fromkeys("CHONS", 0.0)
    for part, share in composition.items():
        if basis == "mole":
            for element, number in nasa()[SPECIES[part]].composition.items():
                found[element] += share * number
        else:
            found[ELEMENTS[part]] += 1000 * share / ct.Element(ELEMENTS[part]).weight
    return found


def vapour_pa(temp_c: float) -> float:
    """Saturation over liquid water, supercooled below 0 °C: the meteorological meaning of relative humidity."""
    if temp_c >= 0.02:
        return cp.PropsSI("P", "T", temp_c + 273.15, "Q", 0, "Water")
    t = temp_c + 273.15  # Murphy and Koop (2005), equation 10 (from memory); 611.7 Pa at the triple point
    return math.exp(
        54.842763 - 6763.22 / t - 4.21 * math.log(t) + 0.000367 * t
        + math.tanh(0.0415 * (t - 218.8)) * (53.878 - 1331.22 / t - 9.44523 * math.log(t) + 0.014025 * t)
    )  # fmt: skip


def gross_from_formation(composition: Mapping[str, float]) -> float:
    """Gross heat of a gas from heats of formation. [kJ/mol]"""

    def formed(name: str) -> float:
        return nasa()[name].thermo.h(298.15) / 1e6

    n = atoms(composition, "mole")
    burnt = n["C"] * formed("CO2") + n["H"] / 2 * (formed("H2O") - LATENT) + n["S"] * formed("SO2")
    return sum(share * formed(SPECIES[part]) for part, share in composition.items()) - burnt


def flue(
    composition: Mapping[str, float], basis: str, gross_kj: float, *, o2_pct: float, flue_c: float, air_c: float,
    return_c: float, rh_pct: float, altitude_m: float,
) -> dict[str, float]:  # fmt: skip
    """Everything about one reading. o2_pct: dry."""
    n = atoms(composition, basis)
    o2_stoichiometric = n["C"] + n["H"] / 4 + n["S"] - n["O"] / 2
    net = gross_kj - LATENT * n["H"] / 2
    # Excess O2 by bisection on its definition, not by the formula under test.
    low, high = 0.0, 1e3 * o2_stoichiometric
    for _ in range(200):
        excess = (low + high) / 2
        air_mol = (o2_stoichiometric + excess) / OXYGEN
        dry = n["C"] + n["S"] + n["N"] / 2 + (1 - OXYGEN) * air_mol + excess
        low, high = (excess, high) if excess / dry < o2_pct / 100 else (low, excess)
    pressure = 101325 * (1 - 2.25577e-5 * altitude_m) ** 5.2559
    in_air = rh_pct / 100 * vapour_pa(air_c)
    humidity = in_air / (pressure - in_air)
    water = n["H"] / 2 + humidity * air_mol
    partial = water / (dry + water) * pressure
    dew = cp.PropsSI("T", "P", partial, "Q", 1, "Water") - 273.15 if partial > 612 else float("nan")
    condensed = 0.0
    if flue_c < dew:
        saturated = vapour_pa(flue_c)
        condensed = water - dry * saturated / (pressure - saturated)
    amounts = {
        "CO2": n["C"], "SO2": n["S"], "N2": n["N"] / 2 + (1 - OXYGEN) * air_mol, "O2": excess, "H2O": water
    }  # fmt: skip
    out = sum(amount * enthalpy(name, flue_c) for name, amount in amounts.items() if name != "H2O")
    out += (water - condensed) * enthalpy("H2O", flue_c) + condensed * 0.0753 * (flue_c - 25)
    air_kj = air_mol * (
        OXYGEN * enthalpy("O2", air_c) + (1 - OXYGEN) * enthalpy("N2", air_c) + humidity * enthalpy("H2O", air_c)
    )
    sensible = 100 * (out - air_kj) / gross_kj
    latent = 100 * (n["H"] / 2 - condensed) * LATENT / gross_kj
    phase = products_phase()
    total = sum(amounts.values())
    phase.TPX = 298.15, 101325, amounts
    phase.HP = phase.enthalpy_mass + (net + air_kj) / total * 1e6 / phase.mean_molecular_weight, 101325
    flame = phase.T - 273.15
    return {
        "excess_air_ratio": air_mol * OXYGEN / o2_stoichiometric,
        "co2_dry_pct": 100 * n["C"] / dry,
        "flue_h2o_pct": 100 * water / (dry + water),
        "dew_point_c": dew,
        "condensate_kg_per_kwh": condensed * 0.01801528 * 3600 / gross_kj,
        "condensing_fraction": condensed / (n["H"] / 2) if n["H"] else float("nan"),
        "loss_sensible_pct": sensible,
        "loss_latent_pct": latent,
        "efficiency_gross_pct": 100 - sensible - latent,
        "efficiency_net_pct": (100 - sensible - latent) * gross_kj / net,
        "adiabatic_flame_c": flame,
        "exchanger_ntu": math.log((flame - return_c) / (flue_c - return_c)) if return_c < flue_c < flame else math.nan,
    }


def flame_k(fuel: str, oxygen: float, equilibrium: bool) -> float:
    """Flame temperature of a stoichiometric mixture at 298.15 K and 1 atm, by Cantera. [K]

    oxygen: share of O2 in the air.   equilibrium: with dissociation (GRI 3.0), else complete combustion.
    """
    phase = equilibrium_phase()
    phase.TP = 298.15, 101325
    name = SPECIES[fuel].split(",")[0]
    phase.set_equivalence_ratio(1.0, {name: 1}, {"O2": oxygen, "N2": 1 - oxygen})
    if equilibrium:
        phase.equilibrate("HP")
        return phase.T
    enthalpy_mass = phase.enthalpy_mass
    n = atoms({fuel: 1.0}, "mole")
    o2 = n["C"] + n["H"] / 4
    phase.TPX = 298.15, 101325, {"CO2": n["C"], "H2O": n["H"] / 2, "N2": o2 * (1 - oxygen) / oxygen}
    phase.HP = enthalpy_mass, 101325
    return phase.T
