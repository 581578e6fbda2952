"""Water: ambient pressure, saturation, the vapour that air brings along.

Saturation is region 4 of IAPWS-IF97, whose two directions are both explicit; the real-gas enhancement in air
(about +0.4 %) is left out.
"""

from __future__ import annotations

import polars as pl

from pipeline.enthalpy import ZERO_C
from pipeline.sql_formulas import when_any

SEA_LEVEL_PA = 101_325.0
LEAST_PA = 10.0
# IAPWS R7-97(2012), table 34.
_N = (
    1167.0521452767,
    -724213.16703206,
    -17.073846940092,
    12020.824702470,
    -3232555.0322333,
    14.915108613530,
    -4823.2657361591,
    405113.40542057,
    -0.23855557567849,
    650.17534844798,
)


def ambient_pressure_pa(altitude_m: pl.Expr) -> pl.Expr:
    """Pressure of the standard atmosphere. [Pa]

    altitude_m: -500 to 11,000. [m]
    Source: ISO 2533 as printed in ASHRAE Fundamentals 2017, chapter 1, equation 3.
    """
    return SEA_LEVEL_PA * (1 - 2.25577e-5 * altitude_m).pow(5.2559)


def saturation_pressure_pa(temp_c: pl.Expr) -> pl.Expr:
    """Vapour pressure of water over liquid. [Pa]

    temp_c: 0 to 373; extrapolates to -40 (supercooled) well enough for the vapour in air. [°C]
    Source: IAPWS R7-97(2012), equation 30.
    """
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    temp_k = temp_c + ZERO_C
    theta = temp_k + n9 / (temp_k - n10)
    a = (theta + n1) * theta + n2
    b = (n3 * theta + n4) * theta + n5
    c = (n6 * theta + n7) * theta + n8
    return 1e6 * (2 * c / ((b.pow(2) - 4 * a * c).sqrt() - b)).pow(2).pow(2)


def saturation_temperature_c(pressure_pa: pl.Expr) -> pl.Expr:
    """Temperature at which water vapour of this pressure condenses. [°C]

    pressure_pa: 611 to 22e6 (0 to 374 °C); extrapolates to 30 Pa within 0.1 K, null below LEAST_PA. [Pa]
    Source: IAPWS R7-97(2012), equation 31.
    """
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    beta = (pressure_pa / 1e6).sqrt().sqrt()
    e = (beta + n3) * beta + n6
    f = (n1 * beta + n4) * beta + n7
    g = (n2 * beta + n5) * beta + n8
    d = -2 * g / (f + (f.pow(2) - 4 * e * g).sqrt())
    temp_k = (n10 + d - ((n10 + d).pow(2) - 4 * (n9 + n10 * d)).sqrt()) / 2
    return when_any(pressure_pa >= LEAST_PA).then(temp_k - ZERO_C)


def air_vapour_pa(air_temp_c: pl.Expr, relative_humidity_pct: pl.Expr | float) -> pl.Expr:
    """Partial pressure of the vapour in the combustion air. [Pa]

    air_temp_c: -40 to 60. [°C]   relative_humidity_pct: 0 to 100. [%]
    """
    return relative_humidity_pct / 100 * saturation_pressure_pa(air_temp_c)


def per_mol_dry(vapour_pa: pl.Expr, pressure_pa: pl.Expr) -> pl.Expr:
    """Vapour in a moist gas. [mol per mol of dry gas]   vapour_pa: its partial pressure, below pressure_pa. [Pa]"""
    return vapour_pa / (pressure_pa - vapour_pa)
