"""Installs that are forecast together: what all their series share, and their rows of forecasts in published order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.chances.forecast import OWN_SHARE, Outlook, scaled_limits
from models.drift.cycle_sums import positions
from pipeline.schema import SERIES, Series
from pipeline.store import Store

PUBLISHED = sorted(SERIES, key=lambda series: (series.indicator, series.firing))
PLACE = np.argsort([series.series_no for series in PUBLISHED])  # by series_no, which counts from 0


def among(installs: range | None) -> str:
    """Whether install_no is one of these, or any; for SQL."""
    return "true" if installs is None else f"install_no >= {installs.start} and install_no < {installs.stop}"


def keys(rows: pl.DataFrame) -> np.ndarray:
    """A number for each install and series, in published order."""
    return rows["install_no"].to_numpy().astype(np.int64) * len(SERIES) + PLACE[rows["series_no"].to_numpy()]


@dataclass(frozen=True)
class Block:
    """installs: one row each, by number. limits: one row per install and series, in published order."""

    installs: pl.DataFrame
    limits: pl.DataFrame

    @classmethod
    def of(cls, store: Store, installs: range | None = None) -> Block:
        """Of the installs with these numbers, or of all."""
        some = among(installs)
        known = store.frame(
            f"""
            select i.install_no, i.install_id, i.area_no, i.model_no, c.hours_per_year, c.hours_rel_sd,
                c.weather_rel_sd, c.now_h, c.counted_h
            from (from current_installs where {some}) i
            join (from install_clock where {some}) c on c.install_no = i.install_no
            order by i.install_no
            """
        )
        limits = store.frame(
            "select install_no, series_no::integer as series_no, limit_low::double as limit_low, "
            f"limit_high::double as limit_high, limit_source, general from limits where {some}"
        )
        return cls(known, limits[np.argsort(keys(limits), kind="stable")])

    def place_of(self, install: np.ndarray) -> np.ndarray:
        """Rows of `installs`."""
        return positions(self.installs["install_no"].to_numpy(), install)

    def outlook(self, series: Series, cycles: pl.DataFrame, as_of: int) -> tuple[pl.DataFrame, Outlook]:
        """Cycles of a series, with model_no, and what their forecast depends on. cycles: open_cycles, or open_doubts,
        of the block, by install; those whose series does not apply are left out."""
        limits = self.limits.select("install_no", "series_no", "limit_low", "limit_high")
        limits = limits.filter(pl.col("series_no") == series.series_no)
        range_at = positions(limits["install_no"].to_numpy(), cycles["install_no"].to_numpy())
        if np.any(range_at < 0):
            cycles, range_at = cycles.filter(pl.Series(range_at >= 0)), range_at[range_at >= 0]
        at = self.place_of(cycles["install_no"].to_numpy())
        cycles = cycles.with_columns(model_no=self.installs["model_no"][at])
        own = lambda name: cycles[name].cast(pl.Float64).to_numpy()
        of_install = lambda name: self.installs[name].cast(pl.Float64).to_numpy()[at]
        low, high = (limits[name].to_numpy()[range_at] for name in ("limit_low", "limit_high"))
        low, high = scaled_limits(low, high, series.transform)
        hours_open = np.maximum(own("hours_open"), 0.0)
        since_counter = np.maximum(of_install("now_h") - of_install("counted_h"), 0.0)
        return cycles, Outlook(
            m0=own("m0"), m1=own("m1"), v00=own("v00"), v01=own("v01"), v11=own("v11"), gamma=own("gamma"),
            low=low, high=high, hours_open=hours_open, counted_open=np.maximum(hours_open - since_counter, 0.0),
            per_year=np.maximum(of_install("hours_per_year"), 1.0), rel_sd=of_install("hours_rel_sd"),
            weather_sd=of_install("weather_rel_sd"),
            own=np.where((cycles["basis"] == "install").to_numpy(), OWN_SHARE, 0.0),
            area_no=self.installs["area_no"].to_numpy()[at].astype(np.int64), as_of=as_of,
        )  # fmt: skip

    def rows(self, last: pl.DataFrame, values: pl.DataFrame, as_of: int) -> pl.DataFrame:
        """Rows of forecasts. last: last_values of the block; values: what the drift model adds, one row per install and
        series at most."""
        here = keys(self.limits)
        number = self.limits["series_no"].to_numpy()
        named = [pl.Series([getattr(series, name) for series in SERIES]) for name in ("indicator", "firing")]
        low, high, found = (pl.col(name) for name in ("limit_low", "limit_high", "last_value"))
        unknown = found.is_null() | ~pl.col("of_open_cycle") | (low.is_null() & high.is_null())
        return self.limits.with_columns(
            *at_keys(last, here),
            *at_keys(values, here),
            self.installs["install_id"][self.place_of(self.limits["install_no"].to_numpy())],
            indicator=named[0][number],
            firing=named[1][number],
            as_of=pl.lit(as_of, pl.Int32).cast(pl.Date),
        ).with_columns(
            state=pl.when(unknown).then(pl.lit("unknown"))
            .when((found < low) | (found > high)).then(pl.lit("out_of_range"))
            .otherwise(pl.lit("in_range")),
        ).drop("of_open_cycle")  # fmt: skip


def at_keys(rows: pl.DataFrame, here: np.ndarray) -> list[pl.Series]:
    """The columns of rows, but their keys, laid out by the keys here; null where there is no row."""
    at = positions(keys(rows), here)
    index = pl.Series(at).set(pl.Series(at < 0), None)
    return rows.drop("install_no", "series_no").select(pl.all().gather(index)).get_columns()
