"""Rows as text, in the dialect of their file, and a few per thousand as they should not be."""

import numpy as np
import polars as pl

from pipeline.sample.draws import Draws

_TEMPERATURES = ("flue_temp", "air_temp", "supply_temp", "return_temp")
# Chance per row of each kind of slip.
VISIT_SLIPS = {
    "twice": 0.002,
    "corrected": 0.002,
    "unknown install": 0.0008,
    "no such date": 0.0008,
    "far date": 0.0004,
    "odd note": 0.004,
    "hours digit lost": 0.0015,
    "word in a number": 0.001,
}
READING_SLIPS = {
    "twice": 0.0015,
    "corrected": 0.002,
    "o2 and co2 swapped": 0.0015,
    "fahrenheit": 0.001,
    "point lost": 0.0012,
    "word in a number": 0.001,
    "visit unknown": 0.0005,
}
_ODD_NOTES = (
    'said "works fine", left at once',
    "two lines:\nfan replaced",
    "<b>gasket</b> renewed & <i>tested</i>",
    "=1+1",
    "<script>alert('x')</script>",
    "part no. 4,711; ordered",
    "naïve déjà vu – ünïcode ✓",
)


def as_text(frame: pl.DataFrame, kind: str, shape: str) -> pl.DataFrame:
    """The rows as text columns, in US units where the file's shape asks for them, decimal commas where it does."""
    if kind == "readings" and shape == "us":
        frame = frame.drop("co_ppm").rename({f"{t}_c": f"{t}_f" for t in _TEMPERATURES})
        frame = frame.with_columns((pl.col(f"{t}_f") * 1.8 + 32).round(1) for t in _TEMPERATURES)
    elif kind == "readings":
        frame = frame.drop("co_air_free_ppm")
    elif shape == "us":
        frame = frame.rename({"system_pressure_kpa": "system_pressure_psi"}).with_columns(
            (pl.col("system_pressure_psi") / 6.894757).round(1)
        )
    floats = [name for name, dtype in frame.schema.items() if dtype == pl.Float64]
    text = frame.with_columns(pl.exclude(pl.String).cast(pl.String))
    if shape == "semicolon":
        text = text.with_columns(pl.col(floats).str.replace(".", ",", literal=True))
    return text


def soiled(
    text: pl.DataFrame, kind: str, shape: str, draws: Draws, unit: np.ndarray, turn: np.ndarray
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows with slips among them, and the rows that a later file corrects, as they should be.

    unit, turn: what tells a row apart, whatever block it is written in.
    """
    slips = VISIT_SLIPS if kind == "visits" else READING_SLIPS
    u = draws.uniform(f"slip {kind}", unit, turn)
    edges = np.concatenate([[0], np.cumsum(list(slips.values()))])
    which = {name: pl.Series((u >= edges[k]) & (u < edges[k + 1])) for k, name in enumerate(slips)}
    pick = pl.Series((draws.uniform(f"which {kind}", unit, turn) * 1000).astype(np.int64))
    later = text.filter(which["corrected"])
    twice = pl.Series(np.where(which["twice"].to_numpy(), 2, 1))
    if kind == "visits":
        dirty = _soil_visits(text, which, pick)
    else:
        dirty = _soil_readings(text, which, "," if shape == "semicolon" else ".")
    rows = pl.Series(np.repeat(np.arange(len(text)), twice.to_numpy()))
    return dirty[rows], later


def _where(mask: pl.Series, then: pl.Expr, name: str) -> pl.Expr:
    return pl.when(mask).then(then).otherwise(pl.col(name)).alias(name)


def _soil_visits(text: pl.DataFrame, which: dict[str, pl.Series], pick: pl.Series) -> pl.DataFrame:
    odd = pl.lit(pl.Series(_ODD_NOTES)[pick % len(_ODD_NOTES)])
    hours = pl.col("burner_hours")
    return text.with_columns(
        _where(which["corrected"], pl.lit("none"), "exchanger_cleaning"),
        _where(which["unknown install"], pl.lit("K9") + pl.col("install_id").str.slice(2), "install_id"),
        pl.when(which["no such date"])
        .then(pl.col("visited_on").str.slice(0, 4) + "-02-30")
        .when(which["far date"])
        .then("2" + pl.lit("0") + "6" + pl.col("visited_on").str.slice(3))
        .otherwise(pl.col("visited_on"))
        .alias("visited_on"),
        _where(which["odd note"], odd, "notes"),
        _where(which["hours digit lost"], hours.str.slice(0, hours.str.len_chars() - 1), "burner_hours"),
        _where(which["word in a number"], pl.lit("n/k"), "minutes_on_site"),
    )


def _soil_readings(text: pl.DataFrame, which: dict[str, pl.Series], point: str) -> pl.DataFrame:
    flue = next(name for name in text.columns if name.startswith("flue_temp"))
    swapped, both = which["o2 and co2 swapped"], pl.col("o2_pct").is_not_null() & pl.col("co2_pct").is_not_null()
    dirty = text.with_columns(
        pl.when(swapped & both).then("co2_pct").otherwise("o2_pct").alias("o2_pct"),
        pl.when(swapped & both).then("o2_pct").otherwise("co2_pct").alias("co2_pct"),
        _where(which["word in a number"], pl.lit("--"), "flame_current_ua"),
        _where(which["visit unknown"], pl.lit("V9") + pl.col("visit_id").str.slice(2), "visit_id"),
        pl.when(which["point lost"] | which["corrected"])
        .then(pl.col(flue).str.replace(r"[.,]", ""))
        .otherwise(flue)
        .alias(flue),
    )
    if flue == "flue_temp_c":
        in_f = [f"{t}_c" for t in _TEMPERATURES]
        celsius = pl.col(in_f).str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
        shown = (celsius * 1.8 + 32).round(1).cast(pl.String).str.replace(".", point, literal=True)
        dirty = dirty.with_columns(pl.when(which["fahrenheit"]).then(shown).otherwise(pl.col(in_f)).name.keep())
    return dirty
