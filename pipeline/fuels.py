"""Fuels by composition, and what one mole (gas) or one kilogram (oil) of each needs and gives when burnt.

Composition is everything: air, flue gas, CO2 and water follow exactly; only the heating value is measured, per
component for gases (ISO 6976) and per kilogram for an oil. Amounts are moles per mole of gas or per kg of oil.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files

import polars as pl

from pipeline.errors import FleetError, shown_value, unknown_word

OXYGEN_IN_AIR = 0.2095
"""Oxygen in dry air, mole fraction. Argon and CO2 of the air count as nitrogen."""
VAPORISATION_KJ = 44.013
"""Heat of vaporisation of water at 25 °C. [kJ/mol] ISO 6976:2016."""
SUM_TOLERANCE = 0.001
"""How far the fractions of a fuel may be from 1: the rounding of three decimals. They are then scaled to 1."""
GROSS_KEY = "gross_mj_per_kg"
ANY_FUEL = "any"
"""What limits say that hold for every fuel."""
BLANKS = "\t-\r \xa0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000\ufeff"
HYPHENS = "\u2010\u2011-"
"""For a class of a regular expression, as are the blanks: those of Unicode and the byte order mark."""
PLAUSIBLE_GROSS = (0.75, 1.30)
"""A gross heat outside these multiples of Boie's estimate was given in another unit. Common practice, no source."""


@dataclass(frozen=True)
class FuelTerms:
    """The constants of a fuel as expressions: columns of a frame (`FUEL_COLUMNS`) or literals (`Fuel.terms`)."""

    air: pl.Expr
    dry_gas: pl.Expr
    co2: pl.Expr
    so2: pl.Expr
    n2: pl.Expr
    water: pl.Expr
    co2_max_pct: pl.Expr
    gross_kj: pl.Expr
    net_kj: pl.Expr


@dataclass(frozen=True)
class Fuel:
    """One fuel; all amounts in moles per mole of gas fuel or per kg of oil.

    basis: "mole" or "mass".                       composition: fractions, summing to 1.
    air: dry air burnt with nothing left over.     dry_gas: dry flue gas then made.
    co2, so2, n2: in the flue gas; n2 without the nitrogen of the air.
    water: from the hydrogen of the fuel.          co2_max_pct: CO2 in the dry flue gas without excess air. [%]
    gross_kj, net_kj: heat of combustion at 25 °C, water liquid and as vapour. [kJ]
    """

    name: str
    basis: str
    composition: Mapping[str, float]
    air: float
    dry_gas: float
    co2: float
    so2: float
    n2: float
    water: float
    co2_max_pct: float
    gross_kj: float
    net_kj: float

    def terms(self) -> FuelTerms:
        """The fuel's constants as literals, for expressions about this one fuel."""
        return FuelTerms(**{field.name: pl.lit(getattr(self, field.name)) for field in fields(FuelTerms)})


FUEL_COLUMNS = FuelTerms(**{field.name: pl.col(f"fuel_{field.name}") for field in fields(FuelTerms)})
"""The constants as columns of `FuelTable.frame` joined to the readings by `fuel`."""


class FuelTable(Mapping[str, Fuel]):
    """Fuels by name. `frame` holds one row per fuel: `fuel` and the columns of `FUEL_COLUMNS`."""

    def __init__(self, known: Mapping[str, Fuel]) -> None:
        self._known = dict(sorted(known.items()))
        rows = [
            {"fuel": name, **{f"fuel_{field.name}": getattr(fuel, field.name) for field in fields(FuelTerms)}}
            for name, fuel in self._known.items()
        ]
        self.frame = pl.DataFrame(rows)

    def __getitem__(self, name: str) -> Fuel:
        return self._known[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._known)

    def __len__(self) -> int:
        return len(self._known)


@dataclass(frozen=True)
class Component:
    """Atoms in one molecule (or the one atom of an element), molar mass [g/mol], gross heat at 25 °C [kJ/mol]."""

    carbon: float
    hydrogen: float
    oxygen: float
    nitrogen: float
    sulphur: float
    molar_mass_g: float
    gross_kj_per_mol: float


def _read(name: str) -> list[dict[str, str]]:
    with files("pipeline").joinpath(name).open("r", encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


@cache
def components(basis: str) -> dict[str, Component]:
    """The components a fuel may be made of: molecules (basis "mole") or elements (basis "mass")."""
    names = [field.name for field in fields(Component)]
    return {
        row["component"]: Component(**{name: float(row[name] or 0) for name in names})
        for row in _read("fuel_components.csv")
        if row["basis"] == basis
    }


@cache
def shipped() -> dict[str, dict[str, float]]:
    """The compositions that come with the package, in the form that fleet.toml uses."""
    found: dict[str, dict[str, float]] = {}
    for row in _read("fuels.csv"):
        found.setdefault(row["fuel"], {})[row["component"]] = float(row["amount"])
    return found


def fuel_word(name: str) -> str:
    """A fuel's name as installs and limits carry it, however people write it: small letters, _ for blanks and hyphens.

    The macro cell_word of sql/00_cells.sql gives the same of a cell.
    """
    bare = re.sub(f"^[{BLANKS}]+|[{BLANKS}]+$", "", name)
    return re.sub(f"[{BLANKS}{HYPHENS}]+", "_", "".join(letter.lower()[0] for letter in bare))


def names(settings_fuels: Mapping[str, Mapping[str, float]] | None = None) -> list[str]:
    """All fuel names an install may carry, sorted."""
    return sorted({*shipped(), *map(fuel_word, settings_fuels or {})})


def load(settings_fuels: Mapping[str, Mapping[str, float]] | None = None) -> FuelTable:
    """The shipped fuels and those of fleet.toml; a fuel there replaces a shipped one of the same name.

    settings_fuels: name -> {component: fraction}; with gross_mj_per_kg the fractions are masses of elements.
    Raises FleetError for a composition that cannot be a fuel, and for two names that installs cannot tell apart.
    """
    known = {name: define(name, written) for name, written in shipped().items()}
    met: dict[str, str] = {}
    for name, written in (settings_fuels or {}).items():
        word = fuel_word(name)
        if not word or word in met:
            cure = f"means the same as [fuels.{met[word]}]; keep one of them" if word else "has no name; give it one"
            raise FleetError(f"fleet.toml, [fuels.{name}]: {cure}.")
        if word == ANY_FUEL:
            raise FleetError(
                f"fleet.toml, [fuels.{name}]: in limits.csv {ANY_FUEL!r} stands for every fuel and cannot name one; "
                "give this fuel another name, there and in installs.csv."
            )
        met[word] = name
        known[word] = define(word, written)
    return FuelTable(known)


def define(name: str, written: Mapping[str, float]) -> Fuel:
    """One fuel from its composition as written under [fuels.NAME]. Raises FleetError where it cannot be one."""
    where = f"fleet.toml, [fuels.{name}]"
    gross_mj = written.get(GROSS_KEY)
    basis = "mole" if gross_mj is None else "mass"
    fractions = _checked_fractions(where, basis, {key: value for key, value in written.items() if key != GROSS_KEY})
    known = components(basis)
    per_unit = {
        part: share if basis == "mole" else 1000 * share / known[part].molar_mass_g for part, share in fractions.items()
    }
    gross_kj = (
        sum(share * known[part].gross_kj_per_mol for part, share in fractions.items())
        if gross_mj is None
        else 1000 * _checked_gross(where, gross_mj, fractions)
    )
    return _burnt(where, name, basis, fractions, per_unit, gross_kj)


def _burnt(
    where: str, name: str, basis: str, fractions: dict[str, float], per_unit: dict[str, float], gross_kj: float
) -> Fuel:
    """Stoichiometry: O2 = C + H/4 + S - O/2 per unit of fuel; exact for any composition."""

    def atoms(element: str) -> float:
        known = components(basis)
        return sum(amount * getattr(known[part], element) for part, amount in per_unit.items())

    carbon, hydrogen, sulphur = atoms("carbon"), atoms("hydrogen"), atoms("sulphur")
    oxygen_needed = carbon + hydrogen / 4 + sulphur - atoms("oxygen") / 2
    if oxygen_needed <= 1e-6 or gross_kj <= 0:
        raise FleetError(f"{where}: nothing in this composition burns; give the combustible components as well.")
    air = oxygen_needed / OXYGEN_IN_AIR
    fuel_n2 = atoms("nitrogen") / 2
    dry_gas = carbon + sulphur + fuel_n2 + (1 - OXYGEN_IN_AIR) * air
    return Fuel(
        name=name,
        basis=basis,
        composition=fractions,
        air=air,
        dry_gas=dry_gas,
        co2=carbon,
        so2=sulphur,
        n2=fuel_n2,
        water=hydrogen / 2,
        co2_max_pct=100 * carbon / dry_gas,
        gross_kj=gross_kj,
        net_kj=gross_kj - VAPORISATION_KJ * hydrogen / 2,
    )


def _checked_fractions(where: str, basis: str, written: Mapping[str, float]) -> dict[str, float]:
    known = components(basis)
    for part, share in written.items():
        if part not in known:
            raise _unknown_component(where, basis, part)
        if isinstance(share, bool) or not isinstance(share, int | float) or not math.isfinite(share) or share < 0:
            raise FleetError(f"{where}: {part} is {shown_value(share)}; a fraction is a number from 0 to 1.")
    total = math.fsum(written.values())
    if abs(total - 1) > SUM_TOLERANCE + 1e-12:
        cure = "They look like percent: divide them by 100." if abs(total - 100) <= 1 else "Mend or complete them."
        raise FleetError(
            f"{where}: the fractions sum to {total:.6g}; they must sum to 1, give or take {SUM_TOLERANCE}. {cure}"
        )
    return {part: share / total for part, share in written.items()}


def _unknown_component(where: str, basis: str, part: str) -> FleetError:
    if basis == "mole" and part in components("mass"):
        return FleetError(
            f"{where}: {part} is a component of an oil, whose fractions are by mass; "
            f"give its heating value as well, as {GROSS_KEY}."
        )
    if basis == "mass" and part in components("mole"):
        return FleetError(
            f"{where}: {part} is a component of a gas, whose heating value follows from its composition; "
            f"remove {GROSS_KEY}, or give mass fractions of {', '.join(components('mass'))}."
        )
    return unknown_word(where, "component", part, components(basis))


def _checked_gross(where: str, gross_mj: float, fractions: Mapping[str, float]) -> float:
    """The heating value if it can be one in MJ/kg: within PLAUSIBLE_GROSS of Boie's estimate from the elements."""
    if isinstance(gross_mj, bool) or not isinstance(gross_mj, int | float) or not math.isfinite(gross_mj):
        raise FleetError(f"{where}: {GROSS_KEY} is {shown_value(gross_mj)}; it must be a number of MJ per kg.")
    estimate = _boie_mj_per_kg(fractions)
    low, high = (bound * estimate for bound in PLAUSIBLE_GROSS)
    if not low <= gross_mj <= high:
        raise FleetError(
            f"{where}: {GROSS_KEY} is {gross_mj:g}, but this composition gives about {estimate:.0f} MJ/kg "
            f"({low:.0f} to {high:.0f} is taken). 1 kWh is 3.6 MJ, 1000 Btu/lb are 2.326 MJ/kg."
        )
    return float(gross_mj)


def _boie_mj_per_kg(fractions: Mapping[str, float]) -> float:
    """Gross heat of an oil from its elements, within some percent. [MJ/kg] Boie's formula (from memory)."""
    factors = {"carbon": 35.16, "hydrogen": 116.2, "oxygen": -11.1, "nitrogen": 6.3, "sulphur": 10.5}
    return max(sum(factors[part] * share for part, share in fractions.items()), 1e-9)
