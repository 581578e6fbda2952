"""What is asked of a series' fit, by what its visits are heard, and its newest values: worked out of its readings and
cycles at hand, so that the store need not read them again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np
import polars as pl

from models.drift.cycle_sums import positions
from models.known.doubts import ASKED, Visits, doubted_cycles, silent_visits
from pipeline.schema import Series
from pipeline.stages.drift_inputs import SeriesRows, of_installs, ranges
from pipeline.store import Store

HABIT_INSTALLS = 6_000  # from as many is learnt when work is done: the chances then are known to a hundredth
OF_SOME = ("readings", "opened", "unsaid", "silent")  # of `Visits`, those that are of the installs at hand
LAST_VALUES = """
    create or replace table last_values (install_no integer, series_no integer, last_value double, last_stage varchar,
        last_on date, of_open_cycle boolean)
"""


@dataclass(frozen=True)
class Asked:
    """The open cycles of a series, those that unrecorded work may have opened since (`ASKED`, each), and by what
    its visits are heard."""

    open: pl.DataFrame
    doubted: pl.DataFrame
    visits: Visits

    @property
    def cycles(self) -> pl.DataFrame:
        """All of them."""
        return pl.concat([self.open, self.doubted], how="vertical_relaxed")

    @classmethod
    def joined(cls, parts: Sequence[Asked]) -> Asked:
        """Of all installs of a series from that of some after the other."""
        one = lambda of: pl.concat([of(part) for part in parts])
        some = {name: one(lambda part, name=name: getattr(part.visits, name)) for name in OF_SOME}
        return cls(one(lambda p: p.open), one(lambda p: p.doubted), replace(parts[0].visits, **some))

    def keep(self, folder: str | Path, series: Series) -> None:
        """Write it into a folder."""
        for name, frame in {"open": self.open, "doubted": self.doubted, **vars(self.visits)}.items():
            frame.write_ipc(file_of(folder, series, name))

    @classmethod
    def kept(cls, folder: str | Path, series: Series) -> Asked:
        """What was written there of a series."""
        one = lambda name: pl.read_ipc(file_of(folder, series, name))
        return cls(one("open"), one("doubted"), Visits(*(one(field.name) for field in fields(Visits))))


def file_of(folder: str | Path, series: Series, name: str) -> Path:
    return Path(folder) / f"asked-{name}-{series.series_no}.arrow"


class Asking:
    """Asks of one series after the other. What does not depend on the series is read once."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.visits = store.frame("select install_no, visit_no, clock_h from visit_clock").rechunk().sort("visit_no")
        self.installs = store.frame("select install_no, now_h from install_clock order by install_no").rechunk()
        every = max(1, store.scalar("select count(*) from drift_installs") // HABIT_INSTALLS)
        self.some = pl.col("install_no") % every == 0
        self.seen = self.visits.filter(self.some)
        self.usual = dict(
            store.rows(
                "select reset_class, mode(opened_by order by opened_by) from cycles "
                "where opened_by not in ('new', 'unknown') group by reset_class"
            )
        )

    def of(self, rows: SeriesRows, ends: pl.DataFrame | None = None) -> Asked:
        """Of one series, or of some consecutive installs of it. ends: its `drift_inputs.ranges`, if at hand."""
        number = rows.newest["install_no"].to_numpy()
        span = (int(number[0]), int(number[-1]) + 1) if len(number) else (0, 0)
        installs, visits = of_installs(self.installs, *span), of_installs(self.visits, *span)
        place = positions(installs["install_no"].to_numpy(), number)
        now = rows.newest.with_columns(now_h=installs["now_h"][place], value_before=rows.before(rows.newest))
        hours_open = (pl.col("now_h") - pl.col("opened_h").fill_null(0.0)).clip(0.0)
        clock = positions(visits["visit_no"].to_numpy(), rows.unsaid["visit_no"].to_numpy())
        unsaid = rows.unsaid.with_columns(clock_h=visits["clock_h"][clock])
        heard = Visits(
            self.seen,
            rows.readings.filter(self.some).select("install_no", "visit_no", "stage_order", "value"),
            rows.cycles.filter(self.some).select("install_no", "opened_visit_no"),
            rows.unsaid.filter(self.some).select("visit_no"),
            silent_visits(now, visits, unsaid, rows.read),
            ranges(self.store, [rows.series])[0] if ends is None else ends,
        )
        doubted = doubted_cycles(now, unsaid, rows.read, self.usual.get(rows.series.reset_class))
        return Asked(now.with_columns(hours_open=hours_open).select(ASKED), doubted, heard)


def last_values(rows: SeriesRows) -> pl.DataFrame:
    """Rows of last_values: the newest value of every install that was ever read. of_open_cycle is false where the
    newest visit, or a later one, set the indicator back and left no value: then the last value says nothing of now."""
    newest = rows.read.newest()
    place, install, row = (of[newest] for of in (rows.read.place, rows.read.install, rows.read.row))
    of_open_cycle = np.ones(len(row), dtype=bool)
    if rows.series.reset_class != "none":
        number = np.append(rows.newest["cycle_no"].to_numpy(), -1)
        number = number[positions(rows.newest["install_no"].to_numpy(), install)]
        of_open_cycle = rows.readings["cycle_no"].to_numpy()[row] == number
    return pl.DataFrame(
        {
            "install_no": install,
            "series_no": pl.Series(np.full(len(row), rows.series.series_no, dtype=np.int32)),
            "last_value": rows.read.value[row],
            "last_stage": pl.Series(["as_found", "as_left"]).gather(pl.Series(place % 2)),
            "last_on": pl.Series(rows.readings["day"].to_numpy()[row]).cast(pl.Date),
            "of_open_cycle": of_open_cycle,
        }
    )
