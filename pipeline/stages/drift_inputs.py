"""Series of the store as the drift model wants them; shared by the fit and by its test on the past."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from models.doubts import Hearing, doubted_cycles, heard, silent_visits
from models.forecast import scaled_limits
from models.series import SeriesInputs
from models.work_habit import WorkHabit, habit_of
from pipeline.schema import Series
from pipeline.store import Store

READING_COLUMNS = "install_no, cycle_no, day, hours, value, stage_order, analyser_no, unsure"
CYCLE_COLUMNS = "install_no, cycle_no, opened_by, opened_day, value_before, also_cleaned"
HABIT_INSTALLS = 6_000  # from as many is learnt when work is done: the chances then are known to a hundredth


def series_inputs(
    store: Store, members: Sequence[Series], installs: pl.DataFrame, of: str = "drift"
) -> list[SeriesInputs]:
    """Of each series; the views behind them are read once for all. installs: drift_installs, or some of them.

    of: names the relations they come from, as in `drift_readings`. Other than these also have the visits (visit_no in
    readings, opened_visit_no in cycles) and those that leave work open.
    """
    numbers = ", ".join(str(series.series_no) for series in members)
    visits = of != "drift"
    readings = store.frame(
        f"select series_no, {READING_COLUMNS}{', visit_no' * visits} from {of}_readings where series_no in ({numbers}) "
        "order by series_no, install_no, cycle_no, day, stage_order, visit_no"
    )
    cycles = store.frame(
        f"select series_no, {CYCLE_COLUMNS}{', opened_visit_no' * visits} from {of}_cycles "
        f"where series_no in ({numbers}) order by series_no, install_no, cycle_no"
    )
    unsaid = None
    if visits:
        unsaid = store.frame(
            f"select series_no, install_no, visit_no, day from {of}_unsaid where series_no in ({numbers}) "
            "order by series_no, visit_no"
        )
    return [
        SeriesInputs(
            series_no=series.series_no,
            indicator=series.indicator,
            firing=series.firing,
            transform=series.transform,
            worse=series.worse,
            readings=own(readings, series),
            cycles=own(cycles, series),
            installs=installs,
            unsaid=None if unsaid is None else own(unsaid, series),
        )
        for series in members
    ]


def own(rows: pl.DataFrame, series: Series) -> pl.DataFrame:
    return rows.filter(pl.col("series_no") == series.series_no).drop("series_no")


def open_cycles(store: Store, series: Series) -> pl.DataFrame:
    """The cycle open at as_of of every install the series applies to, with the value found before the work that
    opened it."""
    k = series.series_no
    return store.frame(
        f"""
        select o.install_no, o.cycle_no, o.opened_by, o.opened_day, before.value as value_before, o.hours_open
        from drift_now o
        left join (
            select visit_no, cycle_no, value from observations where series_no = {k} and stage_order = 0 and usable
        ) before on before.visit_no = o.opened_visit_no and before.cycle_no < o.cycle_no
        where o.series_no = {k} order by o.install_no
        """
    )


def open_doubts(store: Store, series: Series) -> pl.DataFrame:
    """The cycles that a visit may have opened without saying so, where nothing was read since; as `open_cycles`."""
    k = series.series_no
    unsaid = store.frame(
        f"select install_no, visit_no, day, clock_h from drift_left_open where series_no = {k} order by all"
    )
    left_open = f"(from drift_left_open where series_no = {k})"
    readings = store.frame(
        f"""
        select r.install_no, r.visit_no, r.stage_order, r.value
        from drift_readings r semi join {left_open} u on u.install_no = r.install_no
        where r.series_no = {k} order by r.install_no, r.visit_no, r.stage_order
        """
    )
    usual = store.scalar(
        "select mode(opened_by order by opened_by) from cycles "
        f"where reset_class = '{series.reset_class}' and opened_by not in ('new', 'unknown')"
    )
    return doubted_cycles(cycles_now(store, series, left_open), unsaid, readings, usual)


def cycles_now(store: Store, series: Series, among: str) -> pl.DataFrame:
    """install_no, cycle_no, opened_visit_no, now_h of the open cycles of the installs of a relation."""
    return store.frame(
        f"""
        select o.install_no, o.cycle_no, o.opened_visit_no, c.now_h
        from drift_now o
        join install_clock c on c.install_no = o.install_no
        semi join {among} a on a.install_no = o.install_no
        where o.series_no = {series.series_no} order by o.install_no
        """
    )


def work_habit(store: Store, series: Series) -> WorkHabit:
    """When the work that sets a series back is done, as the installs it applies to tell it, or every so many-th."""
    k = series.series_no
    every = max(1, store.scalar("select count(*) from drift_installs") // HABIT_INSTALLS)
    some = f"install_no % {every} = 0"
    return habit_of(
        visits=store.frame(f"select install_no, visit_no, clock_h from visit_clock where {some} order by visit_no"),
        readings=store.frame(
            f"select install_no, visit_no, stage_order, value from drift_readings where series_no = {k} and {some} "
            "order by visit_no, stage_order"
        ),
        opened=store.frame(
            f"select install_no, opened_visit_no from drift_opened where series_no = {k} and {some} order by all"
        ),
        unsaid=store.frame(f"select visit_no from drift_unsaid where series_no = {k} and {some} order by all"),
        ranges=ranges(store, series, f"(from drift_installs where {some})"),
        transform=series.transform,
    )


def ranges(store: Store, series: Series, installs: str = "drift_installs") -> pl.DataFrame:
    """install_no, low, high on the scale of the fit (-inf, inf where open), of the installs of a relation."""
    limits = store.frame(
        f"""
        select i.install_no, l.limit_low, l.limit_high
        from {installs} i left join limits l on l.install_no = i.install_no and l.series_no = {series.series_no}
        order by i.install_no
        """
    )
    low, high = (
        limits[name].cast(pl.Float64).fill_null(float("nan")).to_numpy() for name in ("limit_low", "limit_high")
    )
    low, high = scaled_limits(low, high, series.transform)
    return limits.select("install_no", low=pl.Series(low), high=pl.Series(high))


def silent_since(store: Store, series: Series) -> pl.DataFrame:
    """`doubts.silent_visits` of all open cycles of a series."""
    k = series.series_no
    # few installs were visited in their open cycle without anything read since
    store.run(f"""
        create or replace temp table heard_visits as
        select v.install_no, v.visit_no, v.clock_h
        from visit_clock v
        join drift_now d on d.series_no = {k} and d.install_no = v.install_no
            and v.visit_no > coalesce(d.opened_visit_no, -1)
        left join (
            select install_no, max(visit_no) as visit_no from drift_readings where series_no = {k} group by install_no
        ) r on r.install_no = v.install_no
        where v.visit_no >= coalesce(r.visit_no, -1)
    """)
    silent = silent_visits(
        now=cycles_now(store, series, "heard_visits"),
        visits=store.frame("select * from heard_visits order by visit_no"),
        unsaid=store.frame(f"select install_no, visit_no from drift_left_open where series_no = {k} order by all"),
        readings=store.frame(f"""
            select r.install_no, r.visit_no, r.stage_order, r.value from drift_readings r
            semi join heard_visits h on h.visit_no = r.visit_no where r.series_no = {k} order by all
        """),
    )
    store.run("drop table heard_visits")
    return silent


def after_visits(
    store: Store, series: Series, known: pl.DataFrame, opened: pl.DataFrame, open_share: float, sigma: float
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """`doubts.heard` of the open cycles among the posteriors known. opened: as `open_cycles`."""
    by = Hearing(work_habit(store, series), open_share, sigma, series.transform)
    return heard(known, opened, silent_since(store, series), ranges(store, series), by)
