"""Units: to SI on load, known by the suffix of a column; to the units shown on publish.

One table for each direction. A temperature *difference* has no offset (K -> °F difference is x 1.8 only),
which is why K and °C are two different units here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl

KELVIN_PER_FAHRENHEIT = 5 / 9
KPA_PER_PSI = 6.894757293168361  # NIST SP 811, B.8: psi to Pa
KW_PER_KBTUH = 0.29307107017222  # NIST SP 811, B.8: Btu (IT) per hour to W, exact 1055.05585262 J / 3600 s
M_PER_FT = 0.3048  # exact
KG_PER_LB = 0.45359237  # exact
MG_L_PER_GPG = 64.79891 / 3.785411784  # a grain in a US gallon, both exact
KG_PER_US_GALLON = 3.785411784 * 0.998  # of water near 20 °C


@dataclass(frozen=True)
class Unit:
    """A linear conversion: target = value * factor + offset."""

    name: str
    factor: float
    offset: float = 0.0

    def apply(self, value: pl.Expr) -> pl.Expr:
        return value if (self.factor, self.offset) == (1.0, 0.0) else value * self.factor + self.offset

    def number(self, value: float) -> float:
        return value * self.factor + self.offset


# suffix written by the user -> (suffix of ours, factor, offset)
SUFFIXES: dict[str, tuple[str, float, float]] = {
    "f": ("c", KELVIN_PER_FAHRENHEIT, -32 * KELVIN_PER_FAHRENHEIT),
    "psi": ("kpa", KPA_PER_PSI, 0.0),
    "bar": ("kpa", 100.0, 0.0),
    "kbtuh": ("kw", KW_PER_KBTUH, 0.0),
    "ft": ("m", M_PER_FT, 0.0),
    "gpg": ("mg_l", MG_L_PER_GPG, 0.0),
    "lb": ("kg", KG_PER_LB, 0.0),
}

# unit inside -> (unit shown under "us", factor, offset); what is not listed is shown as it is
SHOWN_US: dict[str, Unit] = {
    "°C": Unit("°F", 1.8, 32.0),
    "K": Unit("°F difference", 1.8),
    "kPa": Unit("psi", 1 / KPA_PER_PSI),
    "kW": Unit("kBtu/h", 1 / KW_PER_KBTUH),
    "m": Unit("ft", 1 / M_PER_FT),
    "mg/L": Unit("gpg", 1 / MG_L_PER_GPG),
    "kg": Unit("lb", 1 / KG_PER_LB),
    "kg/kWh": Unit("gal per 100 000 Btu", 1e5 / 3412.14 / KG_PER_US_GALLON),
}

# how our columns end -> how they end in the unit shown under "us"; the longer one first
ENDINGS_US = {
    "_kg_per_kwh": "_gal_per_100k_btu", "_mg_l": "_gpg", "_kpa": "_psi", "_kw": "_kbtuh", "_kg": "_lb",
    "_c": "_f", "_k": "_f", "_m": "_ft",
}  # fmt: skip


def other_forms(column: str) -> dict[str, Unit]:
    """The other-unit forms of one of our columns: header -> conversion to our unit.

    column: a name that carries its unit, as `flue_temp_c`; gives {"flue_temp_f": Unit("f", ...)}.
    """
    forms = {}
    for suffix, (ours, factor, offset) in SUFFIXES.items():
        if column.endswith(f"_{ours}"):
            forms[column.removesuffix(ours) + suffix] = Unit(suffix, factor, offset)
    return forms


def shown_unit(unit: str, system: str) -> Unit:
    """How a quantity held in `unit` is shown under units "si" or "us"; the identity where nothing changes."""
    if system == "us" and unit in SHOWN_US:
        return SHOWN_US[unit]
    return Unit(unit, 1.0)


def shown_name(column: str, unit: str, system: str) -> str:
    """A column that is held in `unit` and named for it, named for the unit shown: `flue_temp_c` as `flue_temp_f`."""
    if shown_unit(unit, system).name == unit:
        return column
    ours = next((ending for ending in ENDINGS_US if column.endswith(ending)), "")
    return column.removesuffix(ours) + ENDINGS_US.get(ours, "")


def to_shown(value: pl.Expr, unit: str, system: str) -> pl.Expr:
    """A column in `unit`, as an expression in the unit shown."""
    return shown_unit(unit, system).apply(value)


def masses_shown(text: str, system: str) -> str:
    """A text of the plan with its masses, written in kg with one decimal, in the unit shown."""
    mass = shown_unit("kg", system)
    if mass.name == "kg":
        return text
    return re.sub(r"(\d+(?:\.\d+)?) kg\b", lambda m: f"{mass.number(float(m[1])):.1f} {mass.name}", text)
