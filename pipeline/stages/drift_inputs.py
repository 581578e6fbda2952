"""Series of the store as the drift model wants them; shared by the fit and by its test on the past.

What is asked for several series at once is one statement for all of them, and comes back in their order: a small
fleet's statements cost more than its rows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from models.chances.forecast import scaled_limits
from models.drift.joint import last_rows
from models.drift.series import SeriesInputs
from models.known.read_at import ReadAt
from pipeline.schema import Series
from pipeline.store import Store

READING_COLUMNS = "install_no, cycle_no, day, hours, value, stage_order, analyser_no, visit_no"
OPENED_COLUMNS = "install_no, cycle_no, opened_by, opened_day, opened_visit_no, opened_h, also_cleaned"
CYCLE_COLUMNS = ("install_no", "cycle_no", "opened_by", "opened_day", "value_before", "also_cleaned")


@dataclass(frozen=True)
class SeriesRows:
    """What there is of one series. readings: READING_COLUMNS of drift_values; cycles: OPENED_COLUMNS of drift_opened,
    by install and number; unsaid: drift_unsaid, by visit."""

    series: Series
    readings: pl.DataFrame
    cycles: pl.DataFrame
    unsaid: pl.DataFrame

    def blocks(self, size: int) -> Iterator[SeriesRows]:
        """The rows of so many installs after the other: what is worked out of them then stays in the cache. Readings
        by install."""
        last = [int(rows["install_no"][-1]) for rows in (self.readings, self.cycles) if rows.height]
        for first in range(0, max(last, default=0) + 1, size):
            own = (of_installs(rows, first, first + size) for rows in (self.readings, self.cycles, self.unsaid))
            yield SeriesRows(self.series, *own)

    @cached_property
    def read(self) -> ReadAt:
        return ReadAt.of(self.readings)

    @property
    def unsure(self) -> pl.Series:
        """Whether the visit of each reading leaves open that work was done which would have set the series back."""
        return pl.Series("unsure", marked(self.unsaid["visit_no"].to_numpy(), self.readings["visit_no"].to_numpy()))

    def before(self, cycles: pl.DataFrame) -> pl.Series:
        """What was found, in the cycle before, at the visit that opened each of the cycles."""
        row = self.read.found(cycles["opened_visit_no"].fill_null(-1).to_numpy())
        of_cycle = np.append(self.readings["cycle_no"].to_numpy(), 0)[row]
        row = np.where(of_cycle < cycles["cycle_no"].to_numpy(), row, -1)
        return pl.Series("value_before", self.read.values(row), nan_to_null=True)

    @cached_property
    def newest(self) -> pl.DataFrame:
        """The newest cycle of each install, by install."""
        return self.cycles[last_rows(*(self.cycles[name].to_numpy() for name in ("install_no", "cycle_no")))]

    def inputs(self, installs: pl.DataFrame, visits: bool = False, before: pl.Series | None = None) -> SeriesInputs:
        """As the fit sees it; readings in its order. installs: drift_installs, or some of them. visits: with visit_no
        of readings, opened_visit_no of cycles, and unsaid. before: of the cycles, if at hand."""
        s, readings = self.series, self.readings.with_columns(self.unsure)
        cycles = self.cycles.with_columns(self.before(self.cycles) if before is None else before)
        if not visits:
            readings, cycles = readings.drop("visit_no"), cycles.select(CYCLE_COLUMNS)
        of = s.series_no, s.indicator, s.firing, s.transform, s.worse
        return SeriesInputs(*of, readings, cycles, installs, unsaid=self.unsaid if visits else None)


def series_rows(store: Store, members: Sequence[Series], of: str = "drift") -> list[SeriesRows]:
    """Of each series, readings in the order of the fit; the views behind them are read once for all. of: names the
    relations they come from, as in `drift_values`."""
    asked = (
        (READING_COLUMNS, "values", "install_no, cycle_no, day, stage_order, visit_no"),
        (OPENED_COLUMNS, "opened", "install_no, cycle_no"),
        ("install_no, visit_no, day", "unsaid", "visit_no"),
    )
    told = (
        store.frame(
            f"select series_no, {columns} from {of}_{name} where series_no in {numbers_of(members)} "
            f"order by series_no, {order}"
        )
        for columns, name, order in asked
    )
    return [SeriesRows(*own) for own in zip(members, *(of_each(rows, members) for rows in told), strict=True)]


def of_installs(rows: pl.DataFrame, first: int, end: int) -> pl.DataFrame:
    """Of rows that lie by install, those of the installs from the first on up to the end."""
    number = rows["install_no"].to_numpy()
    start, stop = np.searchsorted(number, np.array([first, end], dtype=number.dtype)).tolist()
    return rows[start:stop]


def marked(few: np.ndarray, numbers: np.ndarray) -> np.ndarray:
    """Which of the numbers, all from 0, are among the few."""
    table = np.zeros(max(int(few.max(initial=0)), int(numbers.max(initial=0))) + 1, dtype=bool)
    table[few] = True
    return table[numbers]


def numbers_of(members: Sequence[Series]) -> str:
    """Their numbers as a list of SQL."""
    return f"({', '.join(str(series.series_no) for series in members)})"


def of_each(rows: pl.DataFrame, members: Sequence[Series]) -> list[pl.DataFrame]:
    """The rows of each series, without its number."""
    parts = rows.partition_by("series_no", as_dict=True, include_key=False)
    none = rows.clear().drop("series_no")
    return [parts.get((series.series_no,), none) for series in members]


def ranges(store: Store, members: Sequence[Series], installs: str = "drift_installs") -> list[pl.DataFrame]:
    """install_no, low, high on the scale of the fit (-inf, inf where open), of the installs of a relation."""
    numbers = numbers_of(members)
    limits = store.frame(
        f"""
        select s.series_no, i.install_no, l.limit_low, l.limit_high
        from (select series_no::integer as series_no from series where series_no in {numbers}) s
        cross join (select install_no from {installs}) i
        left join (from limits where series_no in {numbers}) l
            on l.install_no = i.install_no and l.series_no = s.series_no
        order by s.series_no, i.install_no
        """
    )
    return [scaled(rows, series) for rows, series in zip(of_each(limits, members), members, strict=True)]


def scaled(limits: pl.DataFrame, series: Series) -> pl.DataFrame:
    low, high = (limits[name].cast(pl.Float64).to_numpy() for name in ("limit_low", "limit_high"))
    low, high = scaled_limits(low, high, series.transform)
    return limits.select("install_no", low=pl.Series(low), high=pl.Series(high))
