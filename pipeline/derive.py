"""Puts the combustion values and findings onto a frame of tests, each formula as it stands in combustion.py."""

from __future__ import annotations

import polars as pl

from pipeline import combustion, findings, patterns, vapour
from pipeline.combustion import O2_AMBIENT_PCT, Gas
from pipeline.fuels import FUEL_COLUMNS

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
KEYS = ("visit_no", "install_no", "stage", "firing")
STAGES, FIRINGS = ("as_found", "as_left"), ("high", "low")


def with_values(tests: pl.LazyFrame, fuel_terms: pl.DataFrame, relative_humidity_pct: float) -> pl.LazyFrame:
    """The tests with the columns of VALUES, every step on the way (for `explain`), and the constants of their fuel.

    tests: INPUTS, `fuel`, `altitude_m`; null where not recorded. The given co_air_free_ppm moves to air_free_given_ppm.
    fuel_terms: `FuelTable.frame`.   relative_humidity_pct: of the combustion air.
    A value is null where an input is missing, where the test was rejected, or where the fuel is not known.
    """
    return (
        tests.with_columns(pl.col(*INPUTS, "altitude_m").fill_nan(None))
        .rename({"co_air_free_ppm": "air_free_given_ppm"})
        .join(fuel_terms.lazy(), on="fuel", how="left", maintain_order="left")
        .with_columns(_ambient_and_co())
        .with_columns(_burnt_o2())
        .with_columns(_concentrations(relative_humidity_pct))
        .with_columns(vapour.per_mol_dry(pl.col("air_vapour_pa"), pl.col("ambient_pa")).alias("humidity"))
        .with_columns(_heats_and_water())
        .with_columns(_flame_and_dew_point())
        .with_columns(_condensate())
        .with_columns(_losses())
        .with_columns(_efficiency())
    )


def _ambient_and_co() -> list[pl.Expr]:
    air, o2 = pl.col("air_temp_c"), pl.col("o2_pct")
    air_known = air.is_between(*AIR_RANGE_C)
    o2_first = pl.coalesce(o2, combustion.o2_from_co2_pct(pl.col("co2_pct"), FUEL_COLUMNS.co2_max_pct))
    return [
        vapour.ambient_pressure_pa(pl.col("altitude_m").fill_null(0.0)).alias("ambient_pa"),
        pl.when(air_known).then(air).otherwise(ASSUMED_AIR_C).alias("air_used_c"),
        air_known.fill_null(False).alias("air_known"),
        pl.coalesce(
            "co_ppm", combustion.co_measured_ppm(pl.col("air_free_given_ppm"), o2_first).clip(lower_bound=0.0)
        ).alias("co_seen_ppm"),
    ]


def _burnt_o2() -> list[pl.Expr]:
    """O2 that all stoichiometry uses: as read or from CO2, less what CO above 2000 ppm still wants."""
    o2, co = pl.col("o2_pct"), pl.col("co_seen_ppm")
    read = pl.when((o2 >= 0) & (o2 < O2_AMBIENT_PCT)).then(combustion.o2_without_co_pct(o2, co))
    carbon_pct = pl.col("co2_pct") + findings.counted_co_pct()
    from_co2 = combustion.o2_from_co2_pct(carbon_pct, FUEL_COLUMNS.co2_max_pct)
    from_co2 = pl.when(from_co2 + findings.counted_co_pct() / 2 < O2_AMBIENT_PCT).then(from_co2)
    return [pl.when(o2.is_null()).then(from_co2).otherwise(read).alias("o2_burnt_pct")]


def _concentrations(relative_humidity_pct: float) -> list[pl.Expr]:
    o2, burnt, co = pl.col("o2_pct"), pl.col("o2_burnt_pct"), pl.col("co_seen_ppm")
    lean = (burnt >= 0) & ~findings.co2_impossible().fill_null(False)
    rejected = o2.is_not_null() & burnt.is_null()
    air_free = pl.coalesce("air_free_given_ppm", combustion.co_air_free_ppm(pl.col("co_ppm"), burnt))
    counted_pct = findings.counted_co_pct()
    co2 = combustion.co2_from_o2_pct(burnt, FUEL_COLUMNS.co2_max_pct) - counted_pct
    co2_dry = pl.when(lean & (co2 >= 0)).then(co2)
    return [
        pl.when(lean).then(combustion.excess_air_ratio(burnt, FUEL_COLUMNS)).alias("excess_air_ratio"),
        pl.when(burnt.is_not_null()).then(pl.coalesce(o2, burnt + counted_pct / 2)).alias("o2_dry_pct"),
        co2_dry.alias("co2_dry_pct"),
        pl.when(~rejected & (air_free >= 0)).then(air_free).alias("co_air_free_ppm"),
        pl.when(co >= 0).then(combustion.co_co2_ratio(co, co2_dry)).alias("co_co2_ratio"),
        vapour.air_vapour_pa(pl.col("air_used_c"), relative_humidity_pct).alias("air_vapour_pa"),
        (pl.col("flue_temp_c") - pl.col("return_temp_c")).alias("flue_over_return_k"),
    ]


def gas() -> Gas:
    """The flue gas of each test, from the columns excess_air_ratio and humidity."""
    return combustion.flue_gas(pl.col("excess_air_ratio"), pl.col("humidity"), FUEL_COLUMNS)


def _where_air_is_known(value: pl.Expr) -> pl.Expr:
    return pl.when(pl.col("air_known")).then(value)


def _heats_and_water() -> list[pl.Expr]:
    air_kj = combustion.air_enthalpy_kj(gas(), pl.col("air_used_c"))
    h2o_pct = _where_air_is_known(combustion.flue_h2o_pct(gas()))
    return [
        air_kj.alias("air_kj"),
        (FUEL_COLUMNS.net_kj + air_kj).alias("flame_kj"),
        *(
            combustion.products_enthalpy_kj(gas(), temp_k).alias(name)
            for name, temp_k in zip(PRODUCTS_KJ, combustion.FLAME_NODES_K, strict=True)
        ),
        h2o_pct.alias("flue_h2o_pct"),
        combustion.water_pa(h2o_pct, pl.col("ambient_pa")).alias("water_pa"),
        vapour.saturation_pressure_pa(pl.col("flue_temp_c")).alias("flue_vapour_pa"),
    ]


def _flame_and_dew_point() -> list[pl.Expr]:
    flame_c = combustion.adiabatic_flame_c(pl.col("flame_kj"), [pl.col(name) for name in PRODUCTS_KJ])
    return [
        flame_c.alias("flame_used_c"),
        vapour.saturation_temperature_c(pl.col("water_pa")).alias("dew_point_c"),
    ]


def _condensate() -> list[pl.Expr]:
    flame, flue, water = pl.col("flame_used_c"), pl.col("flue_temp_c"), pl.col("return_temp_c")
    condensed = combustion.condensate_mol(gas(), pl.col("water_pa"), pl.col("flue_vapour_pa"), pl.col("ambient_pa"))
    return [
        _where_air_is_known(flame).alias("adiabatic_flame_c"),
        condensed.alias("condensed_mol"),
        combustion.exchanger_ntu(flame, flue, water).alias("exchanger_ntu"),
    ]


def _losses() -> list[pl.Expr]:
    condensed = pl.col("condensed_mol")
    sensible = combustion.loss_sensible_pct(gas(), condensed, pl.col("flue_temp_c"), pl.col("air_kj"), FUEL_COLUMNS)
    return [
        combustion.condensate_kg_per_kwh(condensed, FUEL_COLUMNS).alias("condensate_kg_per_kwh"),
        combustion.condensing_fraction(condensed, FUEL_COLUMNS).alias("condensing_fraction"),
        sensible.alias("loss_sensible_pct"),
        combustion.loss_latent_pct(condensed, FUEL_COLUMNS).alias("loss_latent_pct"),
    ]


def _efficiency() -> list[pl.Expr]:
    gross = combustion.efficiency_gross_pct(pl.col("loss_sensible_pct"), pl.col("loss_latent_pct"))
    return [
        gross.alias("efficiency_gross_pct"),
        combustion.efficiency_net_pct(gross, FUEL_COLUMNS).alias("efficiency_net_pct"),
    ]


def with_rules(tests: pl.LazyFrame) -> pl.DataFrame:
    """The result of `with_values` with `broken`, the rules that each test breaks by itself.

    tests: also FOR_FINDINGS; the columns that `with_patterns` adds are there, empty.
    """
    needed = (*KEYS, *FOR_FINDINGS, "analyser_id", *ENTERED, *VALUES, "fuel", "fuel_co2_max_pct", "co_seen_ppm")
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


def derived_rows(tests: pl.DataFrame) -> pl.DataFrame:
    """The rows of the table `derived_values`, from the result of `with_rules` or `with_patterns`."""
    broken = pl.col("broken")
    return tests.select(
        "visit_no",
        "install_no",
        pl.col("stage").cast(pl.Enum(STAGES)),
        pl.col("firing").cast(pl.Enum(FIRINGS)),
        *(pl.col(name).cast(pl.Float32) for name in VALUES),
        findings.named(tests["broken"]).alias("findings"),
        *(findings.keeps(fit, broken).alias(f"keep_{fit}") for fit in ("flue", "co", "o2")),
        "flame_current_ua",
        "analyser_id",
    )
