"""What was known at a past day, and what was found after it: the ground of the rolling-origin test."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.counters import Clock, burner_clock
from models.cycle_sums import positions, rows_of
from models.doubts import doubted_cycles, silent_visits, usual_work
from models.hours import Floats, Installs, Ints, LoadCalendar
from models.read_at import ReadAt
from models.series import SeriesInputs, backward, forward

HORIZONS = {
    6: (1, 274),
    12: (274, 457),
}  # months ahead: days after the origin, up to nine months and from there to fifteen


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
    start_day: Ints  # (n,) where a cycle of unknown start begins
    clocks: dict[int, Clock] = field(default_factory=dict, init=False, repr=False)  # by day, of all series alike

    def known_at(self, day: int) -> Clock:
        """The clock from the counters read until a day, remembered."""
        if day not in self.clocks:
            seen = self.day <= day
            self.clocks[day] = burner_clock(
                self.fleet, self.at[seen], self.day[seen], self.counter[seen], self.calendar, self.start_day
            )
        return self.clocks[day]

    def hours_of(self, visits: pl.Series, day: int) -> Floats:
        """Burner hours at each of these visits by what was known at a day; nan after it, and where no visit is."""
        hours = np.full(len(self.visit_no) + 1, np.nan)
        hours[:-1][self.day <= day] = self.known_at(day).clock
        return hours[positions(self.visit_no, visits.fill_null(-1).to_numpy())]


@dataclass(frozen=True)
class Origin:
    """One series as it stood at an origin, and the readings found later in the cycles then open.

    inputs: what was known, burner hours by the counters known then.   open: per install the open cycle (install_no,
    cycle_no, opened_by, opened_day, value_before, hours_open).   doubted: those that unrecorded work may have opened
    since, as `doubts.doubted_cycles`.   silent: visits to open cycles since their last reading, as
    `doubts.silent_visits`.   visits: all until then (install_no, visit_no, clock_h).   found: one row per install:
    install_no, months, day, z; the next as-found reading in the open cycle, and the horizon it falls into.
    """

    day: int
    inputs: SeriesInputs
    clock: Clock
    open: pl.DataFrame
    doubted: pl.DataFrame
    silent: pl.DataFrame
    visits: pl.DataFrame
    found: pl.DataFrame


def stand_at(day: int, inputs: SeriesInputs, counted: Counted) -> Origin:
    """The origin at `day`.

    inputs: the whole history, with visit_no in readings, opened_visit_no (null: with the installation) in cycles, and
    the visits that leave work open, if any.
    """
    clock, known = counted.known_at(day), inputs.known_at(day)
    cycles, readings = known.cycles, known.readings
    install, cycle = (cycles[name].to_numpy() for name in ("install_no", "cycle_no"))
    place = positions(counted.install_no, install)
    began = counted.hours_of(cycles["opened_visit_no"], day)
    began = np.where(np.isnan(began), np.append(clock.start_hours, 0.0)[place], began)
    newest = _firsts(install, -cycle)
    newest = newest[place[newest] >= 0]
    now = clock.hours_at(counted.calendar, counted.fleet.area_no, np.full(len(counted.install_no), day))[place[newest]]
    still = cycles[newest].with_columns(
        now_h=pl.Series(now), hours_open=pl.Series(np.maximum(now - began[newest], 0.0))
    )
    unsaid = readings.select("install_no", "visit_no", "day").clear() if known.unsaid is None else known.unsaid
    unsaid = unsaid.with_columns(clock_h=pl.Series(counted.hours_of(unsaid["visit_no"], day)))
    unsaid = unsaid.filter(pl.col("clock_h").is_not_nan())
    read = ReadAt.of(readings)
    doubted = doubted_cycles(still, unsaid, read, usual_work(cycles["opened_by"]))
    hours = counted.hours_of(readings["visit_no"], day)
    row = rows_of(cycles, readings["install_no"].to_numpy(), readings["cycle_no"].to_numpy())
    readings = (
        readings.with_columns(
            hours=pl.Series(np.maximum(hours - np.append(began, 0.0)[row], 0.0)), z=_scaled(pl.col("value"), inputs)
        )
        .filter(pl.Series(np.isfinite(hours)))
        .sort("install_no", "cycle_no", "day", "stage_order", "visit_no")
    )
    seen = counted.day <= day
    visits = pl.DataFrame(
        {"install_no": counted.install_no[counted.at[seen]], "visit_no": counted.visit_no[seen], "clock_h": clock.clock}
    ).cast({"install_no": still.schema["install_no"], "visit_no": unsaid.schema["visit_no"]})
    silent = silent_visits(still, visits, unsaid, read)
    found = _found(day, inputs, still)
    return Origin(day, replace(known, readings=readings), clock, still, doubted, silent, visits, found)


def _firsts(install: NDArray, *then: NDArray) -> Ints:
    """Place of each install's first row in the order of `then`; installs rising."""
    order = np.lexsort((*then[::-1], install))
    return order[np.unique(install[order], return_index=True)[1]]


def _found(day: int, inputs: SeriesInputs, still: pl.DataFrame) -> pl.DataFrame:
    """`Origin.found` of the cycles that were still open."""
    columns = ("install_no", "cycle_no", "day", "visit_no", "stage_order")
    install, cycle, read, visit, stage = (inputs.readings[name].to_numpy() for name in columns)
    later = np.flatnonzero((read > day) & (stage == 0))
    later = later[rows_of(still, install[later], cycle[later]) >= 0]
    # The next reading only: one after it would be of the installs whose next was good enough to leave alone.
    following = later[_firsts(install[later], read[later], visit[later])]
    months = np.zeros(len(following), np.int32)
    for horizon, (low, high) in HORIZONS.items():
        months[(read[following] >= day + low) & (read[following] < day + high)] = horizon
    found = inputs.readings[following].with_columns(months=pl.Series(months), z=_scaled(pl.col("value"), inputs))
    return found.filter(pl.col("months") > 0).select("install_no", "months", "day", "z").drop_nulls("z")


def _scaled(value: pl.Expr, inputs: SeriesInputs) -> pl.Expr:
    """On the scale of the fit; null where that has no number."""
    if inputs.transform == "identity":
        return value.cast(pl.Float64)
    return pl.when(value > 0).then(value.cast(pl.Float64).log())


STEPS = (5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)


def reading_step(values: Floats) -> float | None:
    """The step in which readings are written down: the coarsest of which nearly all are multiples; None: none."""
    some = values[np.isfinite(values)][:5000]
    for step in STEPS:
        if len(some) and (np.abs(some / step - np.round(some / step)) < 1e-3).mean() > 0.95:
            return step
    return None


def reading_edges(low: Floats, high: Floats, inputs: SeriesInputs) -> tuple[Floats, Floats]:
    """Where on the scale of the fit a reading begins to be written down as out of range.

    A reading of 5.0 is not below 5.0: with readings to a tenth the true edge lies at 4.95. Without a step, the range.
    """
    step = reading_step(inputs.readings["value"].cast(pl.Float64).to_numpy())
    if step is None:
        return low, high
    own_low, own_high = (backward(np.clip(x, -700, 700), inputs.transform) for x in (low, high))
    edge_low = (np.ceil(own_low / step - 1e-6) - 0.5) * step
    edge_high = (np.floor(own_high / step + 1e-6) + 0.5) * step
    with np.errstate(invalid="ignore"):
        out_low = np.where(np.isfinite(low), forward(edge_low, inputs.transform), low)
        out_high = np.where(np.isfinite(high), forward(edge_high, inputs.transform), high)
    return np.where(np.isnan(out_low), -np.inf, out_low), out_high


def features(
    origin: Origin, counted: Counted, low: Floats, high: Floats, edges: tuple[Floats, Floats]
) -> tuple[pl.DataFrame, NDArray[np.bool_]]:
    """What any forecaster may use, one row per found reading, and whether that reading was out of range.

    low, high: the range on the scale of the fit, -inf and inf where open, in the order of counted.install_no.
    edges: of `reading_edges`.
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
            edge_low=pl.Series(edges[0][at]),
            edge_high=pl.Series(edges[1][at]),
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
