"""What was known at a past day, and what was found after it: the ground of the rolling-origin test."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.counters import Clock, Installs, burner_clock
from models.hours import Floats, Ints, LoadCalendar
from models.series import SeriesInputs

HORIZONS = {6: (91, 274), 12: (274, 457)}  # months ahead: days after the origin, centred on the half year and the year


@dataclass(frozen=True)
class Counted:
    """The counters of a sample of installs.

    install_no: (n,) rising.   fleet: what the clock needs of each.   visit_no, at, day, counter: per visit, sorted by
    install, day and order; `at` is the place of the visit's install in install_no.
    """

    install_no: Ints
    fleet: Installs
    visit_no: Ints
    at: Ints
    day: Ints
    counter: Floats
    calendar: LoadCalendar

    def known_at(self, day: int) -> tuple[Clock, pl.DataFrame]:
        """The clock from the counters read until a day, and (visit_no, clock_h) of the visits until then."""
        seen = self.day <= day
        clock = burner_clock(self.fleet, self.at[seen], self.day[seen], self.counter[seen], self.calendar)
        return clock, pl.DataFrame({"visit_no": self.visit_no[seen], "clock_h": clock.clock})


@dataclass(frozen=True)
class Origin:
    """One series as it stood at an origin, and the readings found later in the cycles then open.

    inputs: what was known, burner hours by the counters known then.   open: per install the open cycle (install_no,
    cycle_no, opened_by, opened_day, value_before, hours_open).   found: one row per install and horizon: install_no,
    months, day, z; the first as-found reading of that horizon in the open cycle.
    """

    day: int
    inputs: SeriesInputs
    clock: Clock
    open: pl.DataFrame
    found: pl.DataFrame


def stand_at(day: int, inputs: SeriesInputs, counted: Counted) -> Origin:
    """The origin at `day`.

    inputs: the whole history, with visit_no in readings and opened_visit_no (null: with the installation) in cycles.
    """
    clock, visits = counted.known_at(day)
    known = inputs.known_at(day)
    opened = known.cycles.join(
        visits.rename({"visit_no": "opened_visit_no", "clock_h": "opened_h"}), on="opened_visit_no", how="left"
    ).with_columns(pl.col("opened_h").fill_null(0.0))
    began = opened.select("install_no", "cycle_no", "opened_h")
    readings = (
        known.readings.join(visits, on="visit_no", how="inner")
        .join(began, on=["install_no", "cycle_no"], how="left")
        .with_columns(
            hours=(pl.col("clock_h") - pl.col("opened_h").fill_null(0.0)).clip(0.0), z=_scaled(pl.col("value"), inputs)
        )
        .sort("install_no", "cycle_no", "day", "stage_order", "visit_no")
    )
    now = pl.DataFrame(
        {
            "install_no": counted.install_no.astype(np.int32),
            "now_h": clock.hours_at(counted.calendar, counted.fleet.area_no, np.full(len(counted.install_no), day)),
        }
    )
    still = (
        opened.sort("install_no", "cycle_no")
        .group_by("install_no", maintain_order=True)
        .last()
        .join(now.cast({"install_no": opened.schema["install_no"]}), on="install_no", how="inner")
        .with_columns(hours_open=(pl.col("now_h") - pl.col("opened_h")).clip(0.0))
        .sort("install_no")
    )
    later = inputs.readings.filter((pl.col("day") > day) & (pl.col("stage_order") == 0)).join(
        still.select("install_no", "cycle_no"), on=["install_no", "cycle_no"], how="semi"
    )
    parts = []
    for months, (low, high) in HORIZONS.items():
        inside = later.filter(pl.col("day").is_between(day + low, day + high - 1))
        first = inside.sort("install_no", "day", "visit_no").unique("install_no", keep="first", maintain_order=True)
        parts.append(first.select("install_no", pl.lit(months, pl.Int32).alias("months"), "day", "value"))
    found = pl.concat(parts)
    found = found.select("install_no", "months", "day", z=_scaled(pl.col("value"), inputs)).drop_nulls("z")
    return Origin(day, replace(known, readings=readings), clock, still, found)


def _scaled(value: pl.Expr, inputs: SeriesInputs) -> pl.Expr:
    """On the scale of the fit; null where that has no number."""
    if inputs.transform == "identity":
        return value.cast(pl.Float64)
    return pl.when(value > 0).then(value.cast(pl.Float64).log())


def features(origin: Origin, counted: Counted, low: Floats, high: Floats) -> tuple[pl.DataFrame, NDArray[np.bool_]]:
    """What any forecaster may use, one row per found reading, and whether that reading was out of range.

    low, high: the range on the scale of the fit, -inf and inf where open, in the order of counted.install_no.
    """
    inputs, found = origin.inputs, origin.found
    own = (
        inputs.readings.join(origin.open.select("install_no", "cycle_no"), on=["install_no", "cycle_no"], how="semi")
        .drop_nulls("z")
        .group_by("install_no", maintain_order=True)
        .agg(
            last_z=pl.col("z").last(),
            last_h=pl.col("hours").last() / 1000,
            last_day=pl.col("day").last(),
            first_z=pl.col("z").first(),
            count=pl.len(),
            mean_z=pl.col("z").mean(),
            mean_h=pl.col("hours").mean() / 1000,
            szh=((pl.col("z") - pl.col("z").mean()) * (pl.col("hours") - pl.col("hours").mean())).sum() / 1000,
            shh=((pl.col("hours") - pl.col("hours").mean()) ** 2).sum() / 1e6,
        )
    )
    at = np.searchsorted(counted.install_no, found["install_no"].to_numpy())
    area = counted.fleet.area_no[at]
    ahead = counted.calendar.years(area, found["day"].to_numpy()) - counted.calendar.years(area, np.array(origin.day))
    frame = (
        found.with_columns(
            at=pl.Series(at),
            load_ahead=pl.Series(np.maximum(ahead, 0.0)),
            low=pl.Series(low[at]),
            high=pl.Series(high[at]),
            per_year=pl.Series(origin.clock.hours_per_year[at]),
            days_ahead=pl.col("day") - origin.day,
        )
        .join(
            origin.open.select("install_no", "cycle_no", "hours_open", "opened_by", "value_before"),
            on="install_no",
            how="left",
        )
        .join(own, on="install_no", how="left")
        .join(inputs.installs, on="install_no", how="left")
        .with_columns(
            before_z=_scaled(pl.col("value_before"), inputs),
            age=(pl.lit(origin.day) / 365.25 + 1970 - pl.col("installed_year"))
            if "installed_year" in inputs.installs.columns
            else pl.lit(None, pl.Float64),
            then_h=(pl.col("hours_open") + pl.col("per_year") * pl.col("load_ahead")) / 1000,
            slope=pl.when((pl.col("count") > 1) & (pl.col("shh") > 0.01)).then(pl.col("szh") / pl.col("shh")),
            since=(pl.lit(origin.day) - pl.col("last_day")),
        )
        .with_columns(gap_high=pl.col("high") - pl.col("last_z"), gap_low=pl.col("last_z") - pl.col("low"))
    )
    z = frame["z"].to_numpy()
    return frame, (z > frame["high"].to_numpy()) | (z < frame["low"].to_numpy())
