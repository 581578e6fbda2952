"""What the fit expects, for pictures: a model's band over burner hours, and an install's over the coming months."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl

from models.tails import Z80
from pipeline.store import Store

BAND = ("m0", "m1", "v00", "v01", "v11", "gamma", "transform", "factor", "shift")  # what `expected` and `in_units` ask


def model_curves(store: Store) -> pl.DataFrame:
    """The fitted band of each drawn model over burner hours: middle and the span of 80 % of its installs.

    That of a mixture, installs whose cycles run over different powers of the hours among them: the mean of their
    values, and of their variances with that of the values among themselves.
    """
    bands = store.frame(
        "select * from page_model_bands join page_series using (series_no) order by series_no, model_no, gamma"
    )
    reach = store.frame("select series_no, model_no, max(hours) as reach from page_model_points group by all")
    hours = pl.DataFrame({"step": np.linspace(0, 1, 25)})
    grid = (
        bands.join(reach, on=["series_no", "model_no"])
        .join(hours, how="cross")
        .with_columns((pl.col("reach") * pl.col("step")).alias("hours"))
    )
    mid, variance = expected(pl.col("hours"))
    of_all = pl.col("series_no", "model_no", "hours", "transform", "factor", "shift")
    mean = lambda value: (value * pl.col("installs")).sum() / pl.col("installs").sum()
    mixed = (
        grid.with_columns(mid.alias("mid"), variance.alias("variance"))
        .group_by(of_all, maintain_order=True)
        .agg(mean(pl.col("mid")), mean(pl.col("variance") + (pl.col("mid") - mean(pl.col("mid"))) ** 2))
    )
    return in_units(mixed, pl.col("mid"), pl.col("variance")).select(
        "series_no", "model_no", "hours", "q10", "q50", "q90"
    )


def expected(hours: pl.Expr) -> tuple[pl.Expr, pl.Expr]:
    """Mean and variance on the scale of the fit, of rows with m0, m1, v00, v01, v11 and gamma."""
    tau = (hours.clip(0) / 1000).pow(pl.col("gamma"))
    variance = pl.col("v00") + 2 * tau * pl.col("v01") + tau * tau * pl.col("v11")
    return pl.col("m0") + pl.col("m1") * tau, variance


def in_units(frame: pl.DataFrame, mid: pl.Expr, variance: pl.Expr) -> pl.DataFrame:
    """Adds q10, q50, q90 in the units shown to rows with transform, factor and shift."""
    wide = Z80 * variance.clip(0).sqrt()

    def unit(z: pl.Expr) -> pl.Expr:
        return pl.when(pl.col("transform") == "log").then(z.clip(-30, 30).exp()).otherwise(z) * pl.col(
            "factor"
        ) + pl.col("shift")

    return frame.with_columns(unit(mid - wide).alias("q10"), unit(mid).alias("q50"), unit(mid + wide).alias("q90"))


def fans(store: Store, as_of: date, months: int = 12) -> pl.DataFrame:
    """What each drawn series of a card will do over the coming months if nobody visits.

    Returns install_no, series_no, on, low, middle, high: middle and the span of 80 %, in the units shown.

    Burner hours of a month are the install's hours per year times the area's share for that calendar month.
    """
    cycles = store.frame(
        "select * from page_card_cycles semi join page_card_pictures using (install_no, series_no) "
        "join page_series using (series_no) order by install_no, series_no"
    )
    if cycles.is_empty():
        return pl.DataFrame(
            schema={
                "install_no": pl.Int32,
                "series_no": pl.Int32,
                "on": pl.Date,
                "low": pl.Float64,
                "middle": pl.Float64,
                "high": pl.Float64,
            }
        )
    firsts = pl.select(pl.lit(as_of).dt.offset_by(pl.format("{}mo", pl.int_range(months + 1)))).to_series()
    load = cycles["load"].to_numpy()  # (n, 12)
    run = np.zeros((cycles.height, months + 1))
    for k in range(months):
        run[:, k + 1] = run[:, k] + load[:, firsts[k].month - 1]
    ahead = (
        run * cycles["hours_per_year"].fill_null(0).to_numpy()[:, None]
        + cycles["hours_open"].fill_null(0).to_numpy()[:, None]
    )
    rows = np.repeat(np.arange(cycles.height), months + 1)
    long = cycles.select("install_no", "series_no", *BAND)[rows].with_columns(
        pl.Series("ahead", ahead.ravel()), pl.Series("on", np.tile(firsts.to_numpy(), cycles.height))
    )
    return in_units(long, *expected(pl.col("ahead"))).select(
        "install_no",
        "series_no",
        "on",
        pl.col("q10").alias("low"),
        pl.col("q50").alias("middle"),
        pl.col("q90").alias("high"),
    )
