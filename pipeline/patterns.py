"""What only several tests together show: the analyser set to another fuel, a wrong fuel on record, air in the probe.

A wrong fuel moves the CO2 off the fuel's line onto that of another fuel and leaves O2 alone; air drawn into the probe
moves both along the line. So the first is looked for in the line itself, the second in what dilution cannot change:
CO air-free, flame current, flue temperature.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.combustion import O2_AMBIENT_PCT, O2_IN_AIR_PCT
from pipeline.findings import BIT, OFF_LINE, counted_co_pct

SAME_LINE_PCT = 0.25
"""Two lines whose CO2max differ by less are one: analysers carry their own constants for a fuel's name."""
COMPUTED_SCATTER_PCT, COMPARED_VISITS = 0.075, 6
"""An analyser whose CO2max scatters less within a visit (one standard deviation) computes its CO2 from O2. Rounding to
one decimal alone gives 0.045; a sensor that repeats within 0.08 % CO2 gives 0.11."""
ROUNDING_SD_PCT = 0.1 / 12**0.5
"""Standard deviation of rounding to one decimal."""
MISFIT = 9.0
"""Largest mean square of standardised differences that still counts as rounding."""
LEAST_SPREAD_PCT = 1.0
"""O2 must differ this much within a visit before a drifted cell can be told from another fuel's line."""
FUEL_DOUBT_VISITS = 3
ANALYSER_OFF_SHARE = 0.5
"""An analyser off the line at more of its tests is itself at fault, not the record of an install."""
O2_JUMP_PCT = 2.0
"""How much higher than its neighbours an O2 must be. Ten times what analysers allow themselves."""
SAME_FLAME, SAME_CO = 0.10, 0.25
"""Natural logarithm of a ratio within which flame current and CO air-free count as unchanged."""
TELLING_CO_PPM = 15.0
"""Less CO air-free than this says nothing: whole ppm, and a burner may well make 5 ppm at either O2."""
OTHER_FLAME, OTHER_CO, OTHER_GAP = 0.25, 0.60, 0.35
"""Logarithm of a ratio beyond which flame current, CO air-free and flue over return count as changed."""


def line_pct() -> pl.Expr:
    """The CO2max that O2 and CO2 of a test imply; null where there is too much air to say. [%]"""
    co_pct = counted_co_pct()
    o2 = pl.col("o2_pct")
    usable = (o2 >= 0) & (o2 < 13) & (pl.col("co2_pct") > 0)
    return pl.when(usable).then((pl.col("co2_pct") + co_pct) / (1 - (o2 - co_pct / 2) / O2_IN_AIR_PCT))


def with_other_fuel(tests: pl.DataFrame, fuel_terms: pl.DataFrame) -> pl.DataFrame:
    """Adds `other_fuel` and the bits other_fuel_set or fuel_in_doubt; these take the place of o2_co2_disagree.

    tests: whole installs, all their tests, in the order of visit_no and stage; of the analyser `analyser_computes`
    (takes its CO2 from O2; null where unknown) and `off_share` (of all its tests).
    other_fuel_set: all tests of a visit are off the line and on that of one other fuel, and the analyser is known to
    compute its CO2; where that is not known, one other fuel must fit the tests better than one shift of the O2 cell.
    fuel_in_doubt: FUEL_DOUBT_VISITS and more, and every visit with both values, on one line of another fuel, with
    analysers that are not off everywhere. A measured CO2 can only mean this.
    """
    off = (pl.col("broken") & pl.lit(OFF_LINE, pl.Int32)) != 0
    both = tests.with_columns(line_pct().alias("line_pct")).filter(pl.col("line_pct").is_not_null())
    touched = both.filter(off).select("install_no").unique()
    if touched.is_empty():
        return tests.with_columns(pl.lit(None, pl.String).alias("other_fuel"))
    visits = _lines_of_visits(both.join(touched, on="install_no", how="semi"), off)
    one_line = visits.filter("all_off", (pl.col("misfit") <= MISFIT) | ~pl.col("computes"))
    told = one_line.filter(
        pl.col("computes")
        | (pl.col("computes").is_null() & (pl.col("spread_pct") >= LEAST_SPREAD_PCT) & pl.col("fits_fuel_better"))
    )
    set_otherwise = _nearest_line(told, fuel_terms, "visit_no").with_columns(pl.lit(False).alias("in_doubt"))
    doubt = _nearest_line(_lines_of_installs(visits), fuel_terms, "install_no")
    doubted = (
        visits.select("install_no", "visit_no")
        .join(doubt, on="install_no", how="inner")
        .select("visit_no", "other_fuel", pl.lit(True).alias("in_doubt"))
    )
    marked = pl.concat([doubted, set_otherwise.join(doubted, on="visit_no", how="anti")])
    instead = (
        pl.when("in_doubt")
        .then(pl.lit(BIT["fuel_in_doubt"], pl.Int32))
        .otherwise(pl.lit(BIT["other_fuel_set"], pl.Int32))
    )
    hit = off & pl.col("other_fuel").is_not_null()
    return (
        tests.join(marked, on="visit_no", how="left", maintain_order="left")
        .with_columns(
            pl.when(hit).then((pl.col("broken") & pl.lit(~OFF_LINE, pl.Int32)) | instead).otherwise(pl.col("broken")),
            pl.when(hit).then("other_fuel").alias("other_fuel"),
        )
        .drop("in_doubt")
    )


def _lines_of_visits(both: pl.DataFrame, off: pl.Expr) -> pl.DataFrame:
    """One row per visit: its line, how well one line fits its tests, and whether that fits better than one O2 shift."""
    o2, line, own = pl.col("o2_pct"), pl.col("line_pct"), pl.col("fuel_co2_max_pct")
    line_sd = ROUNDING_SD_PCT * (1 + (line / O2_IN_AIR_PCT).pow(2)).sqrt() / (1 - o2 / O2_IN_AIR_PCT)
    shift = o2 - O2_IN_AIR_PCT * (1 - pl.col("co2_pct") / own)
    shift_sd = ROUNDING_SD_PCT * (1 + (O2_IN_AIR_PCT / own).pow(2)).sqrt()
    line_squares = ((line - line.mean()) / line_sd).pow(2).sum()
    shift_squares = ((shift - shift.mean()) / shift_sd).pow(2).sum()
    computes = pl.col("analyser_computes")
    return both.group_by("install_no", "visit_no", maintain_order=True).agg(
        off.all().alias("all_off"),
        line.mean().alias("line_pct"),
        (line_squares / pl.max_horizontal(pl.len() - 1, 1)).alias("misfit"),
        (shift_squares > line_squares).alias("fits_fuel_better"),
        (o2.max() - o2.min()).alias("spread_pct"),
        pl.when(computes.is_null().any()).then(None).otherwise(computes.all()).alias("computes"),
        pl.col("off_share").max().fill_null(0.0).alias("off_share"),
        own.first(),
    )


def _lines_of_installs(visits: pl.DataFrame) -> pl.DataFrame:
    """One row per install whose visits all lie off its fuel and on one line."""
    line = pl.col("line_pct")
    return (
        visits.group_by("install_no", maintain_order=True)
        .agg(
            pl.len().alias("visits"),
            (pl.col("all_off") & (pl.col("off_share") < ANALYSER_OFF_SHARE)).all().alias("all_off"),
            ((line - line.median()).abs().max() <= 2 * SAME_LINE_PCT).alias("one_line"),
            line.median().alias("line_pct"),
            pl.col("fuel_co2_max_pct").first(),
        )
        .filter("all_off", "one_line", pl.col("visits") >= FUEL_DOUBT_VISITS)
    )


def _nearest_line(lines: pl.DataFrame, fuel_terms: pl.DataFrame, key: str) -> pl.DataFrame:
    """key, other_fuel: the fuel whose CO2max is nearest to `line_pct`, if it is near and another line than the own."""
    fuels = fuel_terms.select(pl.col("fuel").alias("other_fuel"), pl.col("fuel_co2_max_pct").alias("other_max_pct"))
    return (
        lines.select(key, "line_pct", pl.col("fuel_co2_max_pct").alias("own_max_pct"))
        .join(fuels, how="cross")
        .with_columns((pl.col("line_pct") - pl.col("other_max_pct")).abs().alias("away_pct"))
        .filter(
            pl.col("away_pct") <= SAME_LINE_PCT,
            (pl.col("other_max_pct") - pl.col("own_max_pct")).abs() > SAME_LINE_PCT,
        )
        .sort(key, "away_pct", "other_fuel")
        .unique(key, keep="first", maintain_order=True)
        .select(key, "other_fuel")
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
    compared = (
        tests.with_row_index("row")
        .filter(_O2_READ & ((pl.col("broken") & pl.lit(OFF_LINE, pl.Int32)) == 0))
        .select("row", *_SERIES, "visit_no", "stage", "worked", "o2_pct", *_UNDILUTED)
    )
    beside = pl.concat(_neighbours(compared))
    jumps = beside.filter("jump").select("row").unique()  # a test that lies above none of its neighbours is not suspect
    quiet_jump = pl.col("jump") & pl.col("quiet") & ~pl.col("changed")
    found = (
        beside.join(jumps, on="row", how="semi")
        .with_columns(_compared())
        .with_columns(
            (pl.col("jump") | (pl.col("side") == "other_stage")).alias("above"),
            (quiet_jump & (pl.col("same_co") | pl.col("same_flame"))).alias("told_by_one"),
            (quiet_jump & pl.col("same_co") & pl.col("same_flame")).alias("told_by_both"),
        )
        .group_by("row")
        .agg(
            pl.col("above").all(),
            pl.col("jump").sum().alias("jumps"),
            pl.col("told_by_one", "told_by_both").any(),
            pl.col("o2_pct_beside").filter("told_by_one").min().alias("neighbour_o2_pct"),
            (pl.col("told_by_one") & pl.col("same_co")).any().alias("co_told"),
            (pl.col("told_by_one") & pl.col("same_flame")).any().alias("flame_told"),
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


def jumping_installs(place: np.ndarray, o2: np.ndarray, install_of_visit: np.ndarray) -> np.ndarray:
    """install_no where an O2 lies O2_JUMP_PCT above that of the same firing at the visits before and after (where there
    are such), or above the other stage of its own visit with none to compare: what `with_air_in_probe` may name.

    place: of the tests of one firing, twice the visit_no and one more as left.   o2: hundredths of a per cent; int16,
    below 0 where it was not read.   install_of_visit: install_no by visit_no.
    """
    at_place = np.full(2 * len(install_of_visit), -1, np.int16)
    at_place[place] = o2
    there = np.flatnonzero(at_place >= 0)
    o2, visit = at_place[there], there >> 1
    install = install_of_visit[visit]

    def above(step: int) -> tuple[np.ndarray, np.ndarray]:
        """Whether the test `step` places on is the same install's, and the O2 lies above it."""
        same, jump = np.zeros(len(o2), bool), np.zeros(len(o2), bool)
        here, beside = (slice(step, None), slice(None, -step)) if step > 0 else (slice(None, step), slice(-step, None))
        same[here] = install[here] == install[beside]
        jump[here] = same[here] & (o2[here] - o2[beside] >= round(100 * O2_JUMP_PCT))
        return same, jump

    sides, jumps = np.ones(len(o2), bool), np.zeros(len(o2), bool)
    for step in (1, -1):
        (same, jump), (same_beyond, jump_beyond) = above(step), above(2 * step)
        own_visit = np.zeros(len(o2), bool)
        here, beside = (slice(1, None), slice(None, -1)) if step > 0 else (slice(None, -1), slice(1, None))
        own_visit[here] = visit[here] == visit[beside]
        sides &= np.where(own_visit, ~same_beyond | jump_beyond, ~same | jump)
        jumps |= jump | (own_visit & jump_beyond)
    return np.unique(install[sides & jumps])


_O2_READ = (pl.col("o2_pct") >= 0) & (pl.col("o2_pct") < O2_AMBIENT_PCT)
_SERIES = ("install_no", "firing")
_UNDILUTED = ("co_air_free_ppm", "flame_current_ua", "flue_over_return_k")


def _neighbours(tests: pl.DataFrame) -> list[pl.DataFrame]:
    """Each test beside the other stage of its visit, the last of the visit before, the first of the visit after; with
    `jump`, whether its O2 lies that much above, and `quiet`, whether no work came in between."""
    measured = ["stage", "worked", "o2_pct", *_UNDILUTED]
    beside = {name: f"{name}_beside" for name in measured}
    visit = ["visit_no", "firing"]
    ordered = tests.sort(*_SERIES, "visit_no", "stage")

    def from_other_visit(edge: pl.DataFrame, step: int) -> pl.DataFrame:
        """edge: one test per visit; moved by `step` visits within its series and set beside the tests there."""
        same = pl.all_horizontal(pl.col(name) == pl.col(name).shift(step) for name in _SERIES)
        moved = edge.select(
            *visit, same.alias("same"), *(pl.col(name).shift(step).alias(new) for name, new in beside.items())
        )
        return ordered.join(moved.filter("same").drop("same"), on=visit, how="inner")

    left, found = pl.col("stage") == "as_left", pl.col("stage") == "as_found"
    left_beside, found_beside = pl.col("stage_beside") == "as_left", pl.col("stage_beside") == "as_found"
    idle, idle_beside = ~pl.col("worked"), ~pl.col("worked_beside")
    own = ordered.select(*visit, *(pl.col(name).alias(new) for name, new in beside.items()))
    other = ordered.join(own, on=visit, how="inner").filter(pl.col("stage") != pl.col("stage_beside"))
    last, first = (ordered.unique(visit, keep=keep, maintain_order=True) for keep in ("last", "first"))
    sides = {
        "other_stage": (other, idle),
        "before": (from_other_visit(last, 1), (found | idle) & (left_beside | idle_beside)),
        "after": (from_other_visit(first, -1), (left | idle) & (found_beside | idle_beside)),
    }
    jump = pl.col("o2_pct") - pl.col("o2_pct_beside") >= O2_JUMP_PCT
    return [
        frame.with_columns(pl.lit(side).alias("side"), quiet.alias("quiet"), jump.alias("jump"))
        for side, (frame, quiet) in sides.items()
    ]


def _compared() -> list[pl.Expr]:
    def apart(name: str) -> pl.Expr:
        here, beside = pl.col(name), pl.col(f"{name}_beside")
        return pl.when((here > 0) & (beside > 0)).then((here / beside).log().abs())

    co, flame, gap = (apart(name) for name in _UNDILUTED)
    telling_co = pl.max_horizontal("co_air_free_ppm", "co_air_free_ppm_beside") >= TELLING_CO_PPM
    changed = (flame > OTHER_FLAME).fill_null(False) | (gap > OTHER_GAP).fill_null(False)
    return [
        (telling_co & (co <= SAME_CO)).fill_null(False).alias("same_co"),
        (flame <= SAME_FLAME).fill_null(False).alias("same_flame"),
        (changed | (telling_co & (co > OTHER_CO)).fill_null(False)).alias("changed"),
    ]
