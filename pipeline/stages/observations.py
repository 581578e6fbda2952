"""observations: one value per row: install, series, visit and stage, with its cycle and the burner hours since that
began.

A view of one branch per series, so that asking for one series reads that series only. A visit's as-found value belongs
to the cycle before its work, its as-left value to the cycle after. Values that would mislead a fit stay, not usable.
What a test needs besides derived_values lies in observed_clock, row beside row. The macro observations_of gives the
same rows of some tests and visits: where few are wanted they are picked once, not in every branch.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
import polars as pl

from pipeline.findings import keeps_sql
from pipeline.schema import SERIES, Series
from pipeline.store import AS_BYTES, Store
from pipeline.store_threads import Work, parts

CLASSES = ("exchanger", "burner", "electrodes")
"""Reset classes of what analyser tests show."""
BARRED = {"flue": 1, "co": 2, "o2": 4, "flame": 8, "superseded": 16}
"""Bits of observed_clock.barred: the entered values mislead that indicator's fit; another test tells of the cycle."""
ROWS_AT_ONCE = 1_000_000
WHOLE_NUMBERS = {"uint8": "utinyint", "uint16": "usmallint", "int32": "integer", "int64": "bigint"}
"""Their types in numpy and in the store."""

# The value is kept as FLOAT and rounded on the way out: 4.4 as FLOAT is 4.4000001, above a limit of 4.4.
TESTED = {
    "flue_over_return_k": ("flue_over_return_k", "round(t.flue_over_return_k::double, 4)", "flue", True),
    "co_air_free_ppm": ("co_air_free_ppm", "round(t.co_air_free_ppm::double, 4)", "co", True),
    "o2_pct": ("o2_dry_pct", "round(t.o2_dry_pct::double, 4)", "o2", False),
    "flame_current_ua": ("flame_current_ua", "t.flame_current_ua::double", "flame", True),
}
"""Indicator -> its column of derived_values, its value, what a doubt about it is called, and whether it is above 0."""
AT_VISITS = {
    "trap_drain_s": ("trap_drain_found_s", "trap_drain_left_s", True),
    "condensate_ph": ("condensate_ph_found", "condensate_ph_left", False),
    "system_pressure_kpa": (None, "system_pressure_kpa", False),
}
"""Indicator -> its columns of current_visits before and after the work, and whether it is above 0."""

TEST_BRANCH = """
select t.install_no, {series_no} as series_no, '{indicator}' as indicator, '{firing}' as firing,
    t.test_no >> 2 as visit_no, t.visited_on, case when (t.test_no & 2) = 0 then 'as_found' else 'as_left' end as stage,
    ((t.test_no >> 1) & 1)::tinyint as stage_order,
    t.cyc_{reset}::integer as cycle_no, t.{reset}_mh / 1000e0 as hours_in_cycle, {value} as value,
    t.analyser_no::integer as analyser_no, {usable} as usable
from {tests} t
where (t.test_no & 1) = {low} and t.{column} is not null
"""
VISIT_BRANCH = """
select c.install_no, {series_no} as series_no, '{indicator}' as indicator, '{firing}' as firing, c.visit_no,
    c.visited_on, '{stage}' as stage, {stage_order}::tinyint as stage_order, {cycle_no} as cycle_no,
    {hours} as hours_in_cycle, v.{column}::double as value, null::integer as analyser_no,
    m.visit_id is null{above} as usable
from {visits} v
join {clock} c on c.visit_no = v.visit_no
join series_installs a on a.install_no = c.install_no and a.series_no = {series_no}
left join misled_values m on m.visit_id = v.visit_id and m.about = '{column}'
where v.{column} is not null
"""
ALL = {
    "tests": "(from derived_values positional join observed_clock)",
    "visits": "current_visits",
    "clock": "visit_clock",
}
GIVEN = {name: f"query_table({name})" for name in ALL}
"""What the branches read: for the view, and for the macro, which is told the names of tables."""


@dataclass(frozen=True)
class Tests:
    """test_no of every test, in the order of derived_values, and by visit_no and `code` the `bits` of BARRED for what
    was entered."""

    test_no: np.ndarray
    misled: pl.DataFrame


def read_tests(store: Store) -> Tests:
    """Reads derived_values, current_visits, misled_values."""
    return Tests(np.asarray(store.db.sql("select test_no from derived_values").fetchnumpy()["test_no"]), _misled(store))


def observing(store: Store, clock: ClockOfTests) -> list[Work]:
    """Make the table observed_clock; returns the works that fill it, side by side, row for row of derived_values."""
    kinds = lambda of, c: WHOLE_NUMBERS[of[c].dtype.name] + AS_BYTES
    numbers = ", ".join(f"cyc_{c} {kinds(clock.numbers, c)}, {c}_mh {kinds(clock.opened, c)}" for c in CLASSES)
    store.run(f"create or replace table observed_clock (visited_on date, {numbers}, barred utinyint{AS_BYTES})")

    def fill(first: int, beyond: int, own: Store) -> None:
        own.run("begin transaction")
        own.append_stream("observed_clock", clock.rows(first, beyond))

    rows = len(clock.test_no)
    return [Work(partial(fill, first, min(beyond, rows)), "observed_clock") for first, beyond in parts(store, rows)]


def view_observations(store: Store) -> None:
    """The view observations and the macro observations_of: of observed_clock, derived_values, visit_clock and
    series_installs."""
    store.run(f"create or replace view observations as {_union(ALL)}")
    store.run(f"create or replace macro observations_of({', '.join(GIVEN)}) as table ({_union(GIVEN)})")


def number_type(visits: pl.DataFrame) -> type[pl.DataType]:
    """The smallest type that holds every cycle number of visit_clock, and the next."""
    most = 1 + int(visits.select(pl.col("^cyc_.*$")).to_numpy().max(initial=0))
    return pl.UInt8 if most < 1 << 8 else pl.UInt16 if most < 1 << 16 else pl.Int32


def hours_type(visits: pl.DataFrame) -> type[pl.DataType]:
    """The smallest type that holds every hour of visit_clock in thousandths."""
    return pl.Int32 if visits["clock_h"].to_numpy().max(initial=0.0) < 2.1e6 else pl.Int64


def thousandths(hours: pl.Series, kind: type[pl.DataType]) -> pl.Series:
    """Hours rounded to three decimals as whole numbers, which take less to write than DOUBLE, and are the same again
    divided by 1000."""
    return (hours * 1000).round().cast(kind)


def _union(sources: dict[str, str]) -> str:
    return " union all ".join(branch for series in SERIES for branch in _branches(series, sources))


def _branches(series: Series, sources: dict[str, str]) -> Iterator[str]:
    common = {"series_no": series.series_no, "indicator": series.indicator, "firing": series.firing} | sources
    if series.indicator in TESTED:
        column, value, about, above_zero = TESTED[series.indicator]
        usable = f"(t.barred & {BARRED[about] | BARRED['superseded']}) = 0"
        usable += f" and {keeps_sql(about, 't.broken')}" * (about != "flame") + f" and t.{column} > 0" * above_zero
        low = int(series.firing == "low")
        yield TEST_BRANCH.format(**common, low=low, reset=series.reset_class, column=column, value=value, usable=usable)
        return
    found, left, above_zero = AT_VISITS[series.indicator]
    reset = None if series.reset_class == "none" else series.reset_class
    for order, entered in enumerate((found, left)):
        if entered is None:
            continue
        cycle_no, hours = "0", "c.clock_h"
        if reset:
            cycle_no = f"c.cyc_{reset}" + f" + c.rst_{reset}::integer" * order
            hours = f"c.clock_h - c.open_{reset}_h"
            hours = f"case when c.rst_{reset} then 0.0 else {hours} end" if order else hours
        yield VISIT_BRANCH.format(
            **common, stage=("as_found", "as_left")[order], stage_order=order, cycle_no=cycle_no, hours=hours,
            column=entered, above=f" and v.{entered} > 0" * above_zero,
        )  # fmt: skip


@dataclass(frozen=True)
class ClockOfTests:
    """What observed_clock is made from: by test its number, the place of its visit and what bars it, in the order of
    derived_values; by visit the day, the cycles as found, hours since their opening, and what is set back."""

    test_no: np.ndarray
    at: np.ndarray
    barred: np.ndarray
    day: np.ndarray
    numbers: dict[str, np.ndarray]
    opened: dict[str, np.ndarray]
    resets: dict[str, np.ndarray]

    @classmethod
    def of(cls, visits: pl.DataFrame, tests: Tests) -> ClockOfTests:
        """visits: visit_clock, in order."""
        at = _places(visits["visit_no"].to_numpy(), tests.test_no >> 2)
        number, hours = number_type(visits), hours_type(visits)
        clock = thousandths(visits["clock_h"], hours)
        return cls(
            tests.test_no,
            at,
            _barred(visits, tests, at),
            visits["visited_on"].to_physical().to_numpy(),
            {c: visits[f"cyc_{c}"].cast(number).to_numpy() for c in CLASSES},
            {c: (clock - thousandths(visits[f"open_{c}_h"], hours)).to_numpy() for c in CLASSES},
            {c: visits[f"rst_{c}"].to_numpy() for c in CLASSES},
        )

    def rows(self, first: int, beyond: int) -> Iterator[pl.DataFrame]:
        """The rows of observed_clock of these tests."""
        for begin in range(first, beyond, ROWS_AT_ONCE):
            rows = slice(begin, min(begin + ROWS_AT_ONCE, beyond))
            at, left = self.at[rows], (self.test_no[rows] & 2) != 0
            columns = {"visited_on": pl.Series(self.day[at]).cast(pl.Date)}
            for c in CLASSES:
                anew = left & self.resets[c][at]
                columns[f"cyc_{c}"] = pl.Series(self.numbers[c][at] + anew)
                columns[f"{c}_mh"] = pl.Series(np.where(anew, self.opened[c].dtype.type(0), self.opened[c][at]))
            yield pl.DataFrame({**columns, "barred": self.barred[rows]})


def _barred(visits: pl.DataFrame, tests: Tests, at: np.ndarray) -> np.ndarray:
    """Bits of BARRED of every test; uint8.   at: the place of its visit."""
    test, misled = tests.test_no, np.zeros(4 * len(visits), np.uint8)
    place = _places(visits["visit_no"].to_numpy(), tests.misled["visit_no"].to_numpy())
    misled[place * 4 + tests.misled["code"].to_numpy()] = tests.misled["bits"].to_numpy()
    barred = misled[at * 4 + (test & 3)]
    # At a commissioning the test before the work tells nothing of the new cycle, if one after it was made.
    anew = np.flatnonzero((visits["commissioned"] & ~visits["rst_burner"]).to_numpy()[at])
    place, after_work = at[anew] * 2 + (test[anew] & 1), (test[anew] & 2) != 0
    left_too = np.zeros(2 * len(visits), bool)
    left_too[place[after_work]] = True
    barred[anew[~after_work & left_too[place]]] |= BARRED["superseded"]
    return barred


def _places(visit_no: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Where each of `wanted` stands in visit_no, which ascends; in a store it counts from 0 without gaps."""
    if len(visit_no) and visit_no[0] == 0 and visit_no[-1] == len(visit_no) - 1:
        return wanted
    return np.searchsorted(visit_no, wanted)


def _misled(store: Store) -> pl.DataFrame:
    """Bits of BARRED by visit_no and `code`, 2 for as left plus 1 for low fire."""
    names = " ".join(f"when '{about}' then {bit}" for about, bit in BARRED.items())
    return store.frame(
        f"""
        select v.visit_no,
            bit_or(case m.about when 'flame_current_ua' then {BARRED["flame"]} {names} else 0 end) as bits,
            (m.stage = 'as_left')::integer * 2 + (m.firing = 'low')::integer as code
        from current_visits v join misled_values m on m.visit_id = v.visit_id
        where m.stage is not null and m.firing is not null
        group by all
        """
    )
