"""The clock: burner hours of every visit, the cycles they fall into, the observations and the limits."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from datetime import date
from functools import partial

import numpy as np
import polars as pl
from threadpoolctl import threadpool_limits

from models.clock.counters import Clock, burner_clock
from models.clock.cycle_numbers import as_found
from models.clock.hours import Installs, LoadCalendar, day_number
from models.clock.yearly_hours import BASES
from models.mapper import Mapper
from pipeline.schema import SERIES, columns_of
from pipeline.settings import Settings
from pipeline.stages.observations import (
    ClockOfTests,
    hours_type,
    number_type,
    observing,
    read_tests,
    thousandths,
    view_observations,
)
from pipeline.store import Store
from pipeline.store_threads import MOST_THREADS, Work, in_threads

MISTYPED = "counter_impossible"
OPENED_BY = ("new", "adjusted", *columns_of("visits")["exchanger_cleaning"].allowed)
"""What work opens cycles of the exchanger and the burner; by its number from 1 on, 0 for nothing."""
NEW, ADJUSTED, NONE = (1 + OPENED_BY.index(word) for word in ("new", "adjusted", "none"))
OPENED = {name: f"by_{name}" for name in ("exchanger", "burner")}
RESETS = ("exchanger", "burner", "electrodes", "trap", "media")
MARKS = ("clock_exact", "commissioned", *(f"rst_{name}" for name in RESETS))
"""Bits of visit_marks.marks, in this order: a column for each would take as long to write as all of them."""
HOURS = ("clock", "open_trap", "open_media")
VISIT_CLOCK = """
create or replace view visit_clock as
select visit_no, install_no, visited_on, {hours}, {marks}, {numbers}, {opened}
from visit_marks
""".format(
    hours=", ".join(f"{name}_mh / 1000e0 as {name}_h" for name in HOURS),
    marks=", ".join(f"(marks & {1 << bit}) <> 0 as {name}" for bit, name in enumerate(MARKS)),
    numbers=", ".join(f"cyc_{name}::integer as cyc_{name}" for name in RESETS),
    opened=", ".join(f"{list(OPENED_BY)}[{by}] as {by}" for by in OPENED.values()),
)


def load_calendar(store: Store) -> LoadCalendar:
    """The areas' load through the year, by area_no."""
    loads = store.frame("select area_no, load from current_areas order by area_no")
    return LoadCalendar(np.array(loads["load"].to_list(), float).reshape(-1, 12))


def as_of_day(store: Store) -> int:
    """The day the forecast is made for, in days from 1970-01-01."""
    told = store.fact("as_of")
    if told is None:
        raise ValueError("run_facts holds no as_of; the check stage sets it. Run the stages in their order.")
    return day_number(date.fromisoformat(told))


def cycles(store: Store, settings: Settings) -> None:
    """Give every visit its burner hours and cycles, every install its hours per year, every series its range.

    Writes series, install_clock, visit_marks, clock_findings, misled_values, observed_clock, limit_rules and the views
    visit_clock, cycles, observations, series_installs and limits.
    """
    store.write("series", pl.DataFrame([asdict(s) for s in SERIES]))
    store.run_file("55_misled_values.sql")
    with store.joins_as_written(), ThreadPoolExecutor(min(store.threads, MOST_THREADS)) as pool:
        side_by_side = lambda work, blocks: list(pool.map(work, blocks))
        clocks = Work(partial(_clocks, side_by_side))
        (on_installs, on_visits, mistyped), tests = in_threads(store, [clocks, Work(read_tests)])
        clock, *_ = in_threads(
            store,
            [
                Work(lambda _: ClockOfTests.of(on_visits, tests)),
                Work(partial(_write_visit_marks, on_visits)),
                Work(lambda own: _findings(own, mistyped)),
                Work(lambda own: own.write("install_clock", on_installs)),
            ],
        )
        in_threads(store, observing(store, clock))
        store.run(VISIT_CLOCK)
        store.run_file("41_series.sql")
        store.run_file("50_cycles.sql")
        view_observations(store)
        store.run_file("60_limits.sql")


def _clocks(mapper: Mapper, store: Store) -> tuple[pl.DataFrame, pl.DataFrame, np.ndarray]:
    """install_clock and visit_clock, and the visit_no of counters that were not taken."""
    calendar, as_of = load_calendar(store), as_of_day(store)
    installs = store.frame(
        """
        select install_no, model_no, design_no, area_no, installed_on,
            (installed_on - date '1970-01-01')::integer as installed_day, burner_hours_per_year
        from current_installs order by install_no
        """
    )
    numbered = " ".join(f"when '{word}' then {place + 1}" for place, word in enumerate(OPENED_BY))
    visits = store.frame(
        f"""
        select visit_no, install_no, visited_on, burner_hours,
            coalesce(purpose = 'commissioning', false) as commissioned,
            (case exchanger_cleaning {numbered} else 0 end)::utinyint as cleaning,
            coalesce(burner_adjusted, false) as burner, coalesce(electrodes_cleaned, false) as electrodes,
            coalesce(trap_cleaned, false) as trap, coalesce(media_renewed, false) as media
        from current_visits
        """
    )
    visits = visits[np.argsort(visits["visit_no"].to_numpy())]  # DuckDB would sort all columns
    model, design, area, installed = (
        installs[c].to_numpy().astype(np.int64) for c in ("model_no", "design_no", "area_no", "installed_day")
    )
    fleet = Installs(
        model,
        design,
        area,
        installed,
        installs["burner_hours_per_year"].cast(pl.Float64).fill_null(np.nan).to_numpy(),
    )
    install_no = visits["install_no"].to_numpy().astype(np.int64)
    day = visits["visited_on"].to_physical().to_numpy().astype(np.int64)
    counter = visits["burner_hours"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    start_day = record_starts(fleet.installed_day, install_no, day)
    with threadpool_limits(1):  # matrices of a few columns: more threads wait for each other, and round differently
        clock = burner_clock(fleet, install_no, day, counter, calendar, start_day, mapper)

    on_installs = _install_clock(installs, visits, fleet, clock, start_day, calendar, as_of)
    return on_installs, _visit_clock(visits, on_installs, clock, mapper), clock.mistyped


def record_starts(installed_day: np.ndarray, install_no: np.ndarray, day: np.ndarray) -> np.ndarray:
    """The day from which each install's history is known at all; (installs,).

    What was done before the fleet's records begin is unknown, and an install was hardly left alone for all that time.
    So a cycle of unknown start begins with the records (their first hundredth left out), or with a later installation.
    """
    if not len(day):
        return installed_day
    start = np.full(len(installed_day), int(np.quantile(day, 0.01, method="lower")))
    first = np.flatnonzero(np.append(True, install_no[1:] != install_no[:-1]))
    start[install_no[first]] = np.minimum(start[install_no[first]], day[first])
    return np.maximum(start, installed_day)


def _visit_clock(visits: pl.DataFrame, installs: pl.DataFrame, clock: Clock, mapper: Mapper) -> pl.DataFrame:
    """visit_clock: one row per visit: burner hours since installation, and where the visit stands in the cycles of each
    reset class.

    cyc_*: cycle number as found; as left it is one more where rst_* is true.   open_*_h: clock at the opening of the
    cycle as found. A first visit that commissions opens no second cycle: cycle 0 is then the new appliance's own.
    """
    install, visit = visits["install_no"].to_numpy(), visits["visit_no"].to_numpy()
    place = np.searchsorted(installs["install_no"].to_numpy(), install)
    begun = visit == installs["commissioned_visit_no"].fill_null(-1).to_numpy()[place]
    started = installs["started_h"].to_numpy()[place]
    commissioned, cleaning = visits["commissioned"].to_numpy(), visits["cleaning"].to_numpy()
    cleaned, adjusted = (cleaning != 0) & (cleaning != NONE), visits["burner"].to_numpy()
    renewed = commissioned & ~begun
    work = {"exchanger": cleaned, "burner": cleaned | adjusted}
    work |= {name: visits[name].to_numpy() for name in ("electrodes", "trap", "media")}
    resets = {name: ~begun & (renewed | done) for name, done in work.items()}
    hours = clock.clock.round(3)
    found = mapper(lambda done: as_found(install, hours, done, started), list(resets.values()))
    cycles = dict(zip(resets, found, strict=True))
    by = {"by_exchanger": np.where(renewed, NEW, cleaning), "by_burner": np.where(adjusted, ADJUSTED, cleaning)}
    by["by_burner"] = np.where(renewed, NEW, by["by_burner"])
    return visits.select(
        "visit_no",
        "install_no",
        "visited_on",
        pl.Series("clock_h", hours),
        pl.Series("clock_exact", clock.exact),
        "commissioned",
        *(pl.Series(f"cyc_{name}", number) for name, (number, _) in cycles.items()),
        *(pl.Series(f"rst_{name}", done) for name, done in resets.items()),
        *(pl.Series(f"open_{name}_h", opened) for name, (_, opened) in cycles.items()),
        **{OPENED[name]: pl.Series(np.where(resets[name], by[OPENED[name]], 0).astype(np.uint8)) for name in OPENED},
    )


def _write_visit_marks(on_visits: pl.DataFrame, store: Store) -> None:
    """visit_marks: what the view visit_clock is made from. What tests need of their visit stands beside the tests."""
    marks = pl.sum_horizontal(pl.col(name).cast(pl.Int16) * (1 << bit) for bit, name in enumerate(MARKS))
    small = pl.col(*(f"cyc_{name}" for name in RESETS)).cast(number_type(on_visits))
    hours = (thousandths(on_visits[f"{name}_h"], hours_type(on_visits)).alias(f"{name}_mh") for name in HOURS)
    packed = on_visits.select(
        "visit_no", "install_no", "visited_on", small, *OPENED.values(), marks.alias("marks"), *hours
    )
    as_bytes = [*(f"{name}_mh" for name in HOURS), *(f"cyc_{name}" for name in RESETS), *OPENED.values(), "marks"]
    store.write("visit_marks", packed, as_bytes)


def _install_clock(
    installs: pl.DataFrame,
    visits: pl.DataFrame,
    fleet: Installs,
    clock: Clock,
    start_day: np.ndarray,
    calendar: LoadCalendar,
    as_of: int,
) -> pl.DataFrame:
    """One row per install: hours per year, the clock at as_of, the newest counter, and how its first cycle began."""
    install_no, commissioned = visits["install_no"].to_numpy(), visits["commissioned"].to_numpy()
    first = np.flatnonzero(np.append(True, install_no[1:] != install_no[:-1])) if len(install_no) else np.empty(0, int)
    begun = first[commissioned[first]]
    begins = pl.DataFrame(
        {
            "install_no": install_no[begun],
            "commissioned_visit_no": visits["visit_no"].to_numpy()[begun],
            "commissioned_day": visits["visited_on"].to_physical().to_numpy()[begun],
            "commissioned_h": clock.clock[begun].round(3),
        }
    )
    now = clock.hours_at(calendar, fleet.area_no, np.full(len(fleet.area_no), as_of))
    out = installs.select("install_no").with_columns(
        start_day=pl.Series(start_day),
        start_h=pl.Series(clock.start_hours.round(3)),
        hours_per_year=pl.Series(clock.hours_per_year.round(2)),
        hours_rel_sd=pl.Series(clock.rel_sd.round(5)),
        weather_rel_sd=pl.lit(round(clock.weather_sd, 5)),
        basis=pl.Series([BASES[b] for b in range(len(BASES))]).gather(pl.Series(clock.basis)),
        now_h=pl.Series(now.round(3)),
        counted_h=pl.Series(clock.counted_hours.round(3)),
        counted_on=pl.Series(clock.counted_day).cast(pl.Int32).cast(pl.Date),
    )
    begins = begins.cast({"install_no": out["install_no"].dtype})
    return out.join(begins, on="install_no", how="left", maintain_order="left").select(
        "install_no",
        "hours_per_year",
        "hours_rel_sd",
        "weather_rel_sd",
        "basis",
        "now_h",
        "counted_h",
        "counted_on",
        "commissioned_visit_no",
        started_by=pl.when(pl.col("commissioned_visit_no").is_null()).then(pl.lit("unknown")).otherwise(pl.lit("new")),
        started_on=pl.coalesce(pl.col("commissioned_day"), pl.col("start_day")).cast(pl.Int32).cast(pl.Date),
        started_h=pl.coalesce(pl.col("commissioned_h"), pl.col("start_h")),
    )


def _findings(store: Store, mistyped: np.ndarray) -> None:
    """clock_findings: the counters that were not taken, in the columns of findings.   mistyped: their visit_no."""
    store.write("mistyped_counters", pl.DataFrame({"visit_no": mistyped.astype(np.int32)}))
    store.run(
        f"""
        create or replace table clock_findings as
        select
            f.name as file, v.line, 'burner_hours' as "column", v.burner_hours::varchar as value, '{MISTYPED}' as rule,
            'the counter cannot have run that far since the visit before, or fits neither that visit nor the next; '
                || 'the hours of this visit are estimated' as message,
            v.visit_id, null::varchar as stage, null::varchar as firing, v.install_id, v.technician_id,
            null::varchar as analyser_id, false as misleads
        from (select * from current_visits semi join mistyped_counters using (visit_no)) v
        left join input_files f on f.file_id = v.file_id
        order by v.visit_no;
        drop table mistyped_counters
        """
    )
