"""Puts the combustion values and findings onto tests, each formula as it stands in combustion.py: onto a frame in
memory, or as a query that the store answers."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import fields
from typing import Any

import polars as pl

from pipeline import combustion, findings, patterns, sql_formulas, vapour
from pipeline.combustion import O2_AMBIENT_PCT, Gas
from pipeline.fuels import FuelTerms

ASSUMED_AIR_C = 20.0
"""Combustion air where it was not measured: for exchanger_ntu alone, which 15 K move by 0.2 %. What depends on it more
(water, losses, efficiency, flame temperature) stays empty."""
AIR_RANGE_C = (-50.0, 60.0)
"""Combustion air outside counts as not measured: a relative humidity could not be applied to it."""
VALUES = (
    "excess_air_ratio",
    "o2_dry_pct",
    "co2_dry_pct",
    "co_air_free_ppm",
    "co_co2_ratio",
    "dew_point_c",
    "flue_h2o_pct",
    "condensate_kg_per_kwh",
    "condensing_fraction",
    "loss_sensible_pct",
    "loss_latent_pct",
    "efficiency_gross_pct",
    "efficiency_net_pct",
    "adiabatic_flame_c",
    "exchanger_ntu",
    "flue_over_return_k",
)
INPUTS = (
    "o2_pct",
    "co2_pct",
    "co_ppm",
    "co_air_free_ppm",
    "flue_temp_c",
    "air_temp_c",
    "supply_temp_c",
    "return_temp_c",
    "flame_current_ua",
)
PRODUCTS_KJ = tuple(f"products_{temp_k:.0f}k_kj" for temp_k in combustion.FLAME_NODES_K)
ENTERED = tuple(name for name in INPUTS if name not in VALUES)
FOR_FINDINGS = ("worked", "analyser_computes", "off_share")
COMPARED = ("co_air_free_ppm", "flue_over_return_k")
KEYS = ("visit_no", "install_no", "stage", "firing")


def with_values(tests: pl.LazyFrame, fuel_terms: pl.DataFrame, relative_humidity_pct: float) -> pl.LazyFrame:
    """The tests with the columns of VALUES, every step on the way (for `explain`), and the constants of their fuel.

    tests: INPUTS, `fuel`, `altitude_m`; null where not recorded. The given co_air_free_ppm moves to air_free_given_ppm.
    fuel_terms: `FuelTable.frame`.   relative_humidity_pct: of the combustion air.
    A value is null where an input is missing, where the test was rejected, or where the fuel is not known.
    """
    known = (
        tests.with_columns(pl.col(*INPUTS, "altitude_m").fill_nan(None))
        .rename({"co_air_free_ppm": "air_free_given_ppm"})
        .join(fuel_terms.lazy(), on="fuel", how="left", maintain_order="left")
    )
    for step in steps(pl, relative_humidity_pct):
        known = known.with_columns(step)
    return known


def values_sql(
    source: str, relative_humidity_pct: float, *, whole: bool = False, wanted: Collection[str] = VALUES
) -> str:
    """`with_values` as a query: all columns of `source` and those of every step.

    source: a query with INPUTS (co_air_free_ppm as air_free_given_ppm), altitude_m and the constants of the fuel; no
    NaN. What nobody asks of the query is not computed.   whole: all rows are wanted; each step is then kept from being
    written out within the next, which would work it out several times, and no condition gets past it.   wanted: the
    last columns that are asked for; steps beyond them are left out, as they would be planned all the same.
    """
    query, apart = source, " offset 0" if whole else ""
    left = set(wanted)
    for step in steps(sql_formulas, relative_humidity_pct):
        if not left:
            break
        query = f"select *, {', '.join(value.named for value in step)} from ({query}{apart})"
        left -= {value.name for value in step}
    return query


def steps(on: Any, relative_humidity_pct: float) -> list[list[Any]]:
    """Named expressions, step after step: each may use what those before it made.   on: Polars or `sql_formulas`."""
    fuel = FuelTerms(**{field.name: on.col(f"fuel_{field.name}") for field in fields(FuelTerms)})
    humidity = vapour.per_mol_dry(on.col("air_vapour_pa"), on.col("ambient_pa"))
    return [
        _ambient_and_co(on, fuel),
        _burnt_o2(on, fuel),
        _concentrations(on, fuel, relative_humidity_pct),
        [humidity.alias("humidity")],
        _heats_and_water(on, fuel),
        _flame_and_dew_point(on),
        _condensate(on, fuel),
        _losses(on, fuel),
        _efficiency(on, fuel),
    ]


def _ambient_and_co(on: Any, fuel: FuelTerms) -> list[Any]:
    air, o2 = on.col("air_temp_c"), on.col("o2_pct")
    air_known = air.is_between(*AIR_RANGE_C)
    o2_first = on.coalesce(o2, combustion.o2_from_co2_pct(on.col("co2_pct"), fuel.co2_max_pct))
    return [
        vapour.ambient_pressure_pa(on.col("altitude_m").fill_null(0.0)).alias("ambient_pa"),
        on.when(air_known).then(air).otherwise(ASSUMED_AIR_C).alias("air_used_c"),
        air_known.fill_null(False).alias("air_known"),
        on.coalesce(
            "co_ppm", combustion.co_measured_ppm(on.col("air_free_given_ppm"), o2_first).clip(lower_bound=0.0)
        ).alias("co_seen_ppm"),
    ]


def _burnt_o2(on: Any, fuel: FuelTerms) -> list[Any]:
    """O2 that all stoichiometry uses: as read or from CO2, less what CO above 2000 ppm still wants."""
    o2, co = on.col("o2_pct"), on.col("co_seen_ppm")
    read = on.when((o2 >= 0) & (o2 < O2_AMBIENT_PCT)).then(combustion.o2_without_co_pct(o2, co))
    carbon_pct = on.col("co2_pct") + findings.counted_co_pct(co)
    from_co2 = combustion.o2_from_co2_pct(carbon_pct, fuel.co2_max_pct)
    from_co2 = on.when(from_co2 + findings.counted_co_pct(co) / 2 < O2_AMBIENT_PCT).then(from_co2)
    return [on.when(o2.is_null()).then(from_co2).otherwise(read).alias("o2_burnt_pct")]


def _concentrations(on: Any, fuel: FuelTerms, relative_humidity_pct: float) -> list[Any]:
    o2, burnt, co = on.col("o2_pct"), on.col("o2_burnt_pct"), on.col("co_seen_ppm")
    lean = (burnt >= 0) & ~findings.co2_impossible(findings.Entered.of(on)).fill_null(False)
    rejected = o2.is_not_null() & burnt.is_null()
    air_free = on.coalesce("air_free_given_ppm", combustion.co_air_free_ppm(on.col("co_ppm"), burnt))
    counted_pct = findings.counted_co_pct(co)
    co2 = combustion.co2_from_o2_pct(burnt, fuel.co2_max_pct) - counted_pct
    co2_dry = on.when(lean & (co2 >= 0)).then(co2)
    return [
        on.when(lean).then(combustion.excess_air_ratio(burnt, fuel)).alias("excess_air_ratio"),
        on.when(burnt.is_not_null()).then(on.coalesce(o2, burnt + counted_pct / 2)).alias("o2_dry_pct"),
        co2_dry.alias("co2_dry_pct"),
        on.when(~rejected & (air_free >= 0)).then(air_free).alias("co_air_free_ppm"),
        on.when(co >= 0).then(combustion.co_co2_ratio(co, co2_dry)).alias("co_co2_ratio"),
        vapour.air_vapour_pa(on.col("air_used_c"), relative_humidity_pct).alias("air_vapour_pa"),
        (on.col("flue_temp_c") - on.col("return_temp_c")).alias("flue_over_return_k"),
    ]


def gas(on: Any, fuel: FuelTerms) -> Gas:
    """The flue gas of each test, from the columns excess_air_ratio and humidity."""
    return combustion.flue_gas(on.col("excess_air_ratio"), on.col("humidity"), fuel)


def _where_air_is_known(on: Any, value: Any) -> Any:
    return on.when(on.col("air_known")).then(value)


def _heats_and_water(on: Any, fuel: FuelTerms) -> list[Any]:
    air_kj = combustion.air_enthalpy_kj(gas(on, fuel), on.col("air_used_c"))
    h2o_pct = _where_air_is_known(on, combustion.flue_h2o_pct(gas(on, fuel)))
    return [
        air_kj.alias("air_kj"),
        (fuel.net_kj + air_kj).alias("flame_kj"),
        *(
            combustion.products_enthalpy_kj(gas(on, fuel), temp_k).alias(name)
            for name, temp_k in zip(PRODUCTS_KJ, combustion.FLAME_NODES_K, strict=True)
        ),
        h2o_pct.alias("flue_h2o_pct"),
        combustion.water_pa(h2o_pct, on.col("ambient_pa")).alias("water_pa"),
        vapour.saturation_pressure_pa(on.col("flue_temp_c")).alias("flue_vapour_pa"),
    ]


def _flame_and_dew_point(on: Any) -> list[Any]:
    flame_c = combustion.adiabatic_flame_c(on.col("flame_kj"), [on.col(name) for name in PRODUCTS_KJ])
    return [
        flame_c.alias("flame_used_c"),
        vapour.saturation_temperature_c(on.col("water_pa")).alias("dew_point_c"),
    ]


def _condensate(on: Any, fuel: FuelTerms) -> list[Any]:
    flame, flue, water = on.col("flame_used_c"), on.col("flue_temp_c"), on.col("return_temp_c")
    saturation, ambient = on.col("flue_vapour_pa"), on.col("ambient_pa")
    condensed = combustion.condensate_mol(gas(on, fuel), on.col("water_pa"), saturation, ambient)
    return [
        _where_air_is_known(on, flame).alias("adiabatic_flame_c"),
        condensed.alias("condensed_mol"),
        combustion.exchanger_ntu(flame, flue, water).alias("exchanger_ntu"),
    ]


def _losses(on: Any, fuel: FuelTerms) -> list[Any]:
    condensed = on.col("condensed_mol")
    sensible = combustion.loss_sensible_pct(gas(on, fuel), condensed, on.col("flue_temp_c"), on.col("air_kj"), fuel)
    return [
        combustion.condensate_kg_per_kwh(condensed, fuel).alias("condensate_kg_per_kwh"),
        combustion.condensing_fraction(condensed, fuel).alias("condensing_fraction"),
        sensible.alias("loss_sensible_pct"),
        combustion.loss_latent_pct(condensed, fuel).alias("loss_latent_pct"),
    ]


def _efficiency(on: Any, fuel: FuelTerms) -> list[Any]:
    gross = combustion.efficiency_gross_pct(on.col("loss_sensible_pct"), on.col("loss_latent_pct"))
    return [
        gross.alias("efficiency_gross_pct"),
        combustion.efficiency_net_pct(gross, fuel).alias("efficiency_net_pct"),
    ]


def with_rules(tests: pl.LazyFrame, values: Sequence[str] = VALUES) -> pl.DataFrame:
    """The result of `with_values` with `broken`, the rules that each test breaks by itself.

    tests: also FOR_FINDINGS; the columns that `with_patterns` adds are there, empty.   values: those of VALUES that are
    wanted; `with_patterns` needs COMPARED.
    """
    needed = (*KEYS, *FOR_FINDINGS, "analyser_id", *ENTERED, *values, "fuel", "fuel_co2_max_pct", "co_seen_ppm")
    empty = (pl.lit(None, dtype).alias(name) for name, dtype in findings.PATTERN_COLUMNS.items())
    return (
        tests.with_columns(findings.broken_rules().alias("broken"), *empty)
        .select(*needed, "broken", *findings.PATTERN_COLUMNS)
        .collect(engine="streaming")
    )


def with_patterns(tests: pl.DataFrame, fuel_terms: pl.DataFrame) -> pl.DataFrame:
    """The result of `with_rules` with what several tests show together.

    tests: whole installs, in the order of visit_no, stage and firing.
    """
    return patterns.with_air_in_probe(patterns.with_other_fuel(tests.drop(findings.PATTERN_COLUMNS), fuel_terms))
