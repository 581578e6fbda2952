"""Enthalpies of the flue-gas species: the NASA polynomials, read from gas_enthalpies.csv.

Source: McBride, Gordon and Reno, NASA TM-4513 (1993), as in the file nasa_gas.yaml of Cantera. With T in K,
h/R = a6 + a1 T + a2 T²/2 + a3 T³/3 + a4 T⁴/4 + a5 T⁵/5; one set of coefficients below 1000 K and one above.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files
from typing import Any, cast

import polars as pl

GAS_CONSTANT = 8.314462618
"""[J/mol K]"""
ZERO_C = 273.15
REFERENCE_K = 298.15
"""Where enthalpies are zero: the temperature at which heating values are defined."""


@cache
def _ranges(gas: str) -> list[tuple[float, float, tuple[float, ...]]]:
    """(from_k, to_k, a1 … a6) of one gas, coldest first."""
    with files("pipeline").joinpath("gas_enthalpies.csv").open("r", encoding="utf-8") as handle:
        rows = [row for row in csv.DictReader(handle) if row["gas"] == gas]
    return [(float(row["from_k"]), float(row["to_k"]), tuple(float(row[f"a{n}"]) for n in range(1, 7))) for row in rows]


@cache
def coefficients(gas: str, hot: bool = False) -> tuple[float, ...]:
    """c0 … c5 of h = c0 + c1 T + … + c5 T⁵ [kJ/mol], T in K, h(25 °C) = 0; `hot` for the set above 1000 K."""
    cold_set, hot_set = (a for _, _, a in _ranges(gas))

    def plain(a: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(GAS_CONSTANT / 1000 * term for term in (a[5], *(a[n] / (n + 1) for n in range(5))))

    zero = sum(c * REFERENCE_K**n for n, c in enumerate(plain(cold_set)))
    c0, *rest = plain(hot_set if hot else cold_set)
    return (c0 - zero, *rest)


def enthalpy_kj(gas: str, temp_c: pl.Expr) -> pl.Expr:
    """Enthalpy of one mole above 25 °C. [kJ/mol]

    gas: N2, O2, CO2, H2O (as vapour) or SO2.
    temp_c: -70 to 700; SO2 from 25, below by extrapolation. [°C]
    """
    temp_k = temp_c + ZERO_C
    *lower, value = coefficients(gas)
    result: Any = value
    for c in reversed(lower):
        result = result * temp_k + c
    return cast("pl.Expr", result)


def enthalpy_at_kj(gas: str, temp_k: float) -> float:
    """Enthalpy of one mole above 25 °C at a fixed temperature, 200 to 5000 K. [kJ/mol]"""
    return sum(c * temp_k**n for n, c in enumerate(coefficients(gas, hot=temp_k > 1000)))
