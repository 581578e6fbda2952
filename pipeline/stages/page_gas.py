"""What belongs together in flue gas, for the sheets of limits: O2 beside CO2, excess air and CO as read."""

from __future__ import annotations

import polars as pl

from pipeline import fuels
from pipeline.combustion import co2_from_o2_pct, co_measured_ppm, excess_air_ratio
from pipeline.findings import co2_bound_pct


def gas_pairs(known: fuels.FuelTable, names: list[str]) -> pl.DataFrame:
    """O2 and what belongs to it for each fuel; those whose composition is not known are left out.

    Columns: fuel, o2_pct, co2_pct, co2_bound_pct (how far from co2_pct a test may lie; both null for a fuel without
    carbon), excess_air_pct, co_at_limit_factor (CO as read over CO air-free).
    """
    o2 = pl.DataFrame({"o2_pct": [k / 2 for k in range(31)]})
    found = [
        o2.with_columns(pl.lit(name).alias("fuel")).with_columns(
            _of_carbon(known[name], co2_from_o2_pct(pl.col("o2_pct"), known[name].terms().co2_max_pct)).alias(
                "co2_pct"
            ),
            _of_carbon(known[name], co2_bound_pct(known[name].terms().co2_max_pct)).alias("co2_bound_pct"),
            (100 * (excess_air_ratio(pl.col("o2_pct"), known[name].terms()) - 1)).alias("excess_air_pct"),
            co_measured_ppm(pl.lit(1.0), pl.col("o2_pct")).alias("co_at_limit_factor"),
        )
        for name in names
        if name in known
    ]
    return (
        pl.concat(found)
        if found
        else pl.DataFrame(
            schema={
                "o2_pct": pl.Float64,
                "fuel": pl.String,
                "co2_pct": pl.Float64,
                "co2_bound_pct": pl.Float64,
                "excess_air_pct": pl.Float64,
                "co_at_limit_factor": pl.Float64,
            }
        )
    )


def _of_carbon(fuel: fuels.Fuel, value: pl.Expr) -> pl.Expr:
    """The value, or null where the fuel makes no CO2."""
    return value if fuel.co2_max_pct > 0 else pl.lit(None, pl.Float64)
