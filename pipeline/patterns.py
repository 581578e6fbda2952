"""What only several tests together show: the analyser set to another fuel, a wrong fuel on record, air in the probe.

A wrong fuel moves the CO2 off the fuel's line onto that of another fuel and leaves O2 alone; air drawn into the probe
moves both along the line. So the first is looked for in the line itself, the second in what dilution cannot change:
CO air-free, flame current, flue temperature.
"""

from __future__ import annotations

import polars as pl

from pipeline.combustion import O2_AMBIENT_PCT, O2_IN_AIR_PCT
from pipeline.findings import BIT, OFF_LINE, counted_co_pct

SAME_LINE_PCT = 0.20
"""Two fuels whose CO2max differ by less are one line: analysers carry their own constants for a fuel's name."""
LEAST_SPREAD_PCT = 1.0
"""O2 must differ this much within a visit before a drifted cell can be told from another fuel's line."""
COMPUTED_SPREAD_PCT, COMPUTED_TESTS = 0.08, 8
"""An analyser whose CO2 scatters about the line with a range between quartiles no larger computes it from O2. Rounding
to one decimal alone gives 0.06; a sensor that repeats within 0.08 % (one standard deviation) gives 0.12."""
FUEL_DOUBT_VISITS = 3
O2_JUMP_PCT = 2.0
"""How much higher than its neighbours an O2 must be. Ten times what analysers allow themselves."""
SAME_FLAME, SAME_CO = 0.10, 0.25
"""Natural logarithm of a ratio within which flame current and CO air-free count as unchanged."""
TELLING_CO_PPM = 15.0
"""Less CO air-free than this says nothing: whole ppm, and a burner may well make 5 ppm at either O2."""
OTHER_FLAME, OTHER_CO, OTHER_GAP = 0.25, 0.60, 0.35
"""Logarithm of a ratio beyond which flame current, CO air-free and flue over return count as changed."""


def rounding_pct(o2_pct: pl.Expr, co2_max_pct: pl.Expr) -> pl.Expr:
    """What rounding O2 and CO2 to one decimal does to the CO2 residual, with a little for the analyser's constants."""
    return 0.07 + 0.05 * co2_max_pct / O2_IN_AIR_PCT + 0.01 * (O2_IN_AIR_PCT - o2_pct) / O2_IN_AIR_PCT * co2_max_pct


def line_pct() -> pl.Expr:
    """The CO2max that O2 and CO2 of a test imply; null where there is too much air to say. [%]"""
    co_pct = counted_co_pct()
    o2 = pl.col("o2_pct")
    usable = (o2 >= 0) & (o2 < 15) & (pl.col("co2_pct") > 0)
    return pl.when(usable).then((pl.col("co2_pct") + co_pct) / (1 - (o2 - co_pct / 2) / O2_IN_AIR_PCT))


def with_other_fuel(tests: pl.DataFrame, fuel_terms: pl.DataFrame) -> pl.DataFrame:
    """Adds `other_fuel` and the bits other_fuel_set or fuel_in_doubt; these take the place of o2_co2_disagree.

    tests: install_no, visit_no, stage, firing, O2, CO2, `co_seen_ppm`, fuel and its constants, `analyser_computes` (the
    analyser takes its CO2 from O2; null where unknown), `broken`. Whole installs, all their tests, in the order of
    visit_no and stage.
    other_fuel_set: all doubtful tests of a visit lie on one line of another fuel, and either the analyser is known to
    compute its CO2, or the tests differ enough in O2 for a drifted cell to have left the line.
    fuel_in_doubt: so at FUEL_DOUBT_VISITS visits and more, and at every visit with both values.
    """
    off = (pl.col("broken") & pl.lit(OFF_LINE, pl.Int32)) != 0
    both = tests.with_columns(line_pct().alias("line_pct")).filter(pl.col("line_pct").is_not_null())
    touched = both.filter(off).select("install_no").unique()
    if touched.is_empty():
        return tests.with_columns(pl.lit(None, pl.String).alias("other_fuel"))
    visits = (
        both.join(touched, on="install_no", how="semi")
        .group_by("install_no", "visit_no")
        .agg(
            off.all().alias("all_off"),
            pl.col("line_pct").median().alias("line_pct"),
            (pl.col("line_pct") - pl.col("line_pct").median()).abs().max().alias("scatter_pct"),
            (rounding_pct(pl.col("o2_pct"), pl.col("line_pct")) / (1 - pl.col("o2_pct") / O2_IN_AIR_PCT))
            .max()
            .alias("allowed_pct"),
            (pl.col("o2_pct").max() - pl.col("o2_pct").min()).alias("spread_pct"),
            pl.col("analyser_computes").fill_null(False).all().alias("computes"),
            pl.col("fuel").first(),
            pl.col("fuel_co2_max_pct").first(),
        )
    )
    on_line = visits.filter(pl.col("all_off") & (pl.col("scatter_pct") <= pl.col("allowed_pct"))).join(
        _nearest_line(visits, fuel_terms), on="visit_no", how="inner"
    )
    told = on_line.filter(pl.col("computes") | (pl.col("spread_pct") >= LEAST_SPREAD_PCT))
    doubt = (
        visits.join(on_line.select("visit_no", "other_fuel"), on="visit_no", how="left")
        .group_by("install_no")
        .agg(
            pl.len().alias("visits"),
            pl.col("other_fuel").null_count().alias("elsewhere"),
            pl.col("other_fuel").drop_nulls().n_unique().alias("lines"),
        )
        .filter((pl.col("visits") >= FUEL_DOUBT_VISITS) & (pl.col("elsewhere") == 0) & (pl.col("lines") == 1))
        .select("install_no", pl.lit(True).alias("in_doubt"))
    )
    marked = (
        pl.concat([told, on_line.join(doubt, on="install_no", how="semi")])
        .unique("visit_no")
        .join(doubt, on="install_no", how="left")
        .select("visit_no", "other_fuel", pl.col("in_doubt").fill_null(False))
    )
    instead = (
        pl.when("in_doubt")
        .then(pl.lit(BIT["fuel_in_doubt"], pl.Int32))
        .otherwise(pl.lit(BIT["other_fuel_set"], pl.Int32))
    )
    plain = pl.col("broken") & pl.lit(~OFF_LINE, pl.Int32)
    hit = off & pl.col("other_fuel").is_not_null()
    return (
        tests.join(marked, on="visit_no", how="left", maintain_order="left")
        .with_columns(
            pl.when(hit).then(plain | instead).otherwise(pl.col("broken")).alias("broken"),
            pl.when(hit).then("other_fuel").alias("other_fuel"),
        )
        .drop("in_doubt")
    )


def _nearest_line(visits: pl.DataFrame, fuel_terms: pl.DataFrame) -> pl.DataFrame:
    """visit_no, other_fuel: the fuel whose CO2max is nearest to the visit's line, if near and not the visit's own."""
    lines = fuel_terms.select(pl.col("fuel").alias("other_fuel"), pl.col("fuel_co2_max_pct").alias("other_max_pct"))
    return (
        visits.select("visit_no", "line_pct", pl.col("fuel_co2_max_pct").alias("own_max_pct"))
        .join(lines, how="cross")
        .with_columns((pl.col("line_pct") - pl.col("other_max_pct")).abs().alias("away_pct"))
        .filter(
            (pl.col("away_pct") <= SAME_LINE_PCT)
            & ((pl.col("other_max_pct") - pl.col("own_max_pct")).abs() > SAME_LINE_PCT)
        )
        .sort("visit_no", "away_pct", "other_fuel")
        .unique("visit_no", keep="first", maintain_order=True)
        .select("visit_no", "other_fuel")
    )


def with_air_in_probe(tests: pl.DataFrame) -> pl.DataFrame:
    """Adds `neighbour_o2_pct`, `unchanged` and the bit air_in_probe.

    tests: as for `with_other_fuel`, with co_air_free_ppm (derived), flame_current_ua, flue_over_return_k, `worked`
    (burner adjusted or exchanger cleaned at the visit).
    Tests whose CO2 is off the line are left out: their O2 may be wrong in another way.
    A test is suspect if its O2 lies O2_JUMP_PCT above that of the same firing at the visits before and after, and,
    towards one of its neighbours with no work in between, what dilution cannot change is unchanged. With one neighbour
    alone to go by, CO air-free and flame current must both say so.
    """
    series = ["install_no", "firing"]
    compared = (
        tests.with_row_index("row")
        .filter(_O2_READ & ((pl.col("broken") & pl.lit(OFF_LINE, pl.Int32)) == 0))
        .select("row", *series, "visit_no", "stage", "worked", "o2_pct", *_UNDILUTED)
    )
    quiet_jump = pl.col("jump") & pl.col("quiet") & ~pl.col("changed")
    told_by_one = quiet_jump & (pl.col("same_co") | pl.col("same_flame"))
    told_by_both = quiet_jump & pl.col("same_co") & pl.col("same_flame")
    found = (
        pl.concat(_neighbours(compared))
        .with_columns(_compared())
        .group_by("row")
        .agg(
            (pl.col("jump") | (pl.col("side") == "other_stage")).all().alias("above"),
            pl.col("jump").sum().alias("jumps"),
            told_by_one.any().alias("told_by_one"),
            told_by_both.any().alias("told_by_both"),
            pl.col("o2_pct_beside").filter(told_by_one).min().alias("neighbour_o2_pct"),
            (told_by_one & pl.col("same_co")).any().alias("co_told"),
            (told_by_one & pl.col("same_flame")).any().alias("flame_told"),
        )
        .filter(
            pl.col("above") & pl.when(pl.col("jumps") > 1).then(pl.col("told_by_one")).otherwise(pl.col("told_by_both"))
        )
        .select(
            "row",
            "neighbour_o2_pct",
            pl.concat_str(
                pl.when("co_told").then(pl.lit("CO air-free")),
                pl.when("flame_told").then(pl.lit("the flame current")),
                separator=" and ",
                ignore_nulls=True,
            ).alias("unchanged"),
        )
    )
    marked = pl.when(pl.col("neighbour_o2_pct").is_not_null()).then(pl.lit(BIT["air_in_probe"], pl.Int32))
    return (
        tests.with_row_index("row")
        .join(found, on="row", how="left", maintain_order="left")
        .with_columns(pl.col("broken") | marked.otherwise(pl.lit(0, pl.Int32)))
        .drop("row")
    )


def o2_marks(tests: pl.DataFrame) -> pl.DataFrame:
    """What `jumping_installs` needs of the tests, 11 bytes each: place (visit, stage), install_no, high, o2."""
    return tests.filter(_O2_READ).select(
        (pl.col("visit_no").cast(pl.UInt32) * 2 + (pl.col("stage") == "as_left").cast(pl.UInt32)).alias("place"),
        pl.col("install_no").cast(pl.Int32),
        (pl.col("firing") == "high").alias("high"),
        (pl.col("o2_pct") * 100).round().cast(pl.Int16).alias("o2"),
    )


def jumping_installs(marks: pl.DataFrame) -> pl.DataFrame:
    """install_no where an O2 lies O2_JUMP_PCT above one of the two of its firing before or after.

    marks: `o2_marks` of all tests, in any order.
    """
    install, o2 = pl.col("install_no"), pl.col("o2")
    above = pl.lit(False)
    for step in (-2, -1, 1, 2):
        same = install == install.shift(step)
        above = above | (same & (o2 - o2.shift(step) >= round(100 * O2_JUMP_PCT))).fill_null(False)
    firings = [marks.lazy().filter(pl.col("high") == high).sort("place") for high in (True, False)]
    found = [firing.filter(above).select(install.unique()).collect() for firing in firings]
    return pl.concat(found).unique().sort("install_no")


def off_line_installs(tests: pl.DataFrame) -> pl.DataFrame:
    """install_no of the tests whose CO2 another fuel might explain."""
    off = (pl.col("broken") & pl.lit(OFF_LINE, pl.Int32)) != 0
    return tests.filter(off).select(pl.col("install_no").cast(pl.Int32).unique())


_O2_READ = (pl.col("o2_pct") >= 0) & (pl.col("o2_pct") < O2_AMBIENT_PCT)
_UNDILUTED = ("co_air_free_ppm", "flame_current_ua", "flue_over_return_k")


def _neighbours(tests: pl.DataFrame) -> list[pl.DataFrame]:
    """Each test beside the other stage of its visit, the last of the visit before, the first of the visit after."""
    series = ["install_no", "firing"]
    measured = ["stage", "worked", "o2_pct", *_UNDILUTED]
    beside = {name: f"{name}_beside" for name in measured}
    ordered = tests.sort(*series, "visit_no", "stage")
    per_visit = ordered.group_by(*series, "visit_no", maintain_order=True)

    def from_other_visit(edge: pl.DataFrame, step: int) -> pl.DataFrame:
        """edge: one test per visit; moved by `step` visits within its series and set beside the tests there."""
        moved = edge.select(
            *series, "visit_no", *(pl.col(name).shift(step).over(series).alias(new) for name, new in beside.items())
        ).filter(pl.col("stage_beside").is_not_null())
        return ordered.join(moved, on=[*series, "visit_no"], how="inner")

    left, found = pl.col("stage") == "as_left", pl.col("stage") == "as_found"
    left_beside, found_beside = pl.col("stage_beside") == "as_left", pl.col("stage_beside") == "as_found"
    idle, idle_beside = ~pl.col("worked"), ~pl.col("worked_beside")
    other = ordered.join(
        ordered.select(*series, "visit_no", *(pl.col(name).alias(new) for name, new in beside.items())),
        on=[*series, "visit_no"],
        how="inner",
    ).filter(pl.col("stage") != pl.col("stage_beside"))
    sides = {
        "other_stage": (other, idle),
        "before": (from_other_visit(per_visit.last(), 1), (found | idle) & (left_beside | idle_beside)),
        "after": (from_other_visit(per_visit.first(), -1), (left | idle) & (found_beside | idle_beside)),
    }
    return [
        frame.with_columns(pl.lit(side).alias("side"), quiet.alias("quiet")) for side, (frame, quiet) in sides.items()
    ]


def _compared() -> list[pl.Expr]:
    def apart(name: str) -> pl.Expr:
        here, beside = pl.col(name), pl.col(f"{name}_beside")
        return pl.when((here > 0) & (beside > 0)).then((here / beside).log().abs())

    co, flame, gap = (apart(name) for name in _UNDILUTED)
    telling_co = pl.max_horizontal("co_air_free_ppm", "co_air_free_ppm_beside") >= TELLING_CO_PPM
    changed = (flame > OTHER_FLAME).fill_null(False) | (gap > OTHER_GAP).fill_null(False)
    return [
        (pl.col("o2_pct") - pl.col("o2_pct_beside") >= O2_JUMP_PCT).alias("jump"),
        (telling_co & (co <= SAME_CO)).fill_null(False).alias("same_co"),
        (flame <= SAME_FLAME).fill_null(False).alias("same_flame"),
        (changed | (telling_co & (co > OTHER_CO)).fill_null(False)).alias("changed"),
    ]
