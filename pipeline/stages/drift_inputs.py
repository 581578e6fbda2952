"""Series of the store as the drift model wants them; shared by the fit and by its test on the past.

What is asked for several series at once is one statement for all of them, and comes back in their order: a small
fleet's statements cost more than its rows.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from models.doubts import Visits, doubted_cycles, silent_visits
from models.forecast import scaled_limits
from models.series import SeriesInputs
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
    numbers, visits = numbers_of(members), of != "drift"
    readings = store.frame(
        f"select series_no, {READING_COLUMNS}{', visit_no' * visits} from {of}_readings where series_no in {numbers} "
        "order by series_no, install_no, cycle_no, day, stage_order, visit_no"
    )
    cycles = store.frame(
        f"select series_no, {CYCLE_COLUMNS}{', opened_visit_no' * visits} from {of}_cycles "
        f"where series_no in {numbers} order by series_no, install_no, cycle_no"
    )
    unsaid: list[pl.DataFrame | None] = [None] * len(members)
    if visits:
        frame = store.frame(
            f"select series_no, install_no, visit_no, day from {of}_unsaid where series_no in {numbers} "
            "order by series_no, visit_no"
        )
        unsaid = list(of_each(frame, members))
    return [
        SeriesInputs(
            series_no=series.series_no,
            indicator=series.indicator,
            firing=series.firing,
            transform=series.transform,
            worse=series.worse,
            readings=read,
            cycles=opened,
            installs=installs,
            unsaid=left_open,
        )
        for series, read, opened, left_open in zip(
            members, of_each(readings, members), of_each(cycles, members), unsaid, strict=True
        )
    ]


def numbers_of(members: Sequence[Series]) -> str:
    """Their numbers as a list of SQL."""
    return f"({', '.join(str(series.series_no) for series in members)})"


def of_each(rows: pl.DataFrame, members: Sequence[Series]) -> list[pl.DataFrame]:
    """The rows of each series, without its number."""
    parts = rows.partition_by("series_no", as_dict=True, include_key=False)
    none = rows.clear().drop("series_no")
    return [parts.get((series.series_no,), none) for series in members]


def open_cycles(store: Store, members: Sequence[Series]) -> list[pl.DataFrame]:
    """The cycle open at as_of of every install a series applies to, with the value found before the work that opened
    it."""
    rows = store.frame(
        f"""
        select o.series_no, o.install_no, o.cycle_no, o.opened_by, o.opened_day, before.value as value_before,
            o.hours_open
        from drift_now o
        left join (
            select series_no, visit_no, cycle_no, value from observations
            where series_no in {numbers_of(members)} and stage_order = 0 and usable
        ) before on before.series_no = o.series_no and before.visit_no = o.opened_visit_no
            and before.cycle_no < o.cycle_no
        where o.series_no in {numbers_of(members)} order by o.series_no, o.install_no
        """
    )
    return of_each(rows, members)


def open_doubts(store: Store, members: Sequence[Series]) -> list[pl.DataFrame]:
    """The cycles that a visit may have opened without saying so, where nothing was read since; as `open_cycles`."""
    numbers = numbers_of(members)
    unsaid = store.frame(
        "select series_no, install_no, visit_no, day, clock_h from drift_left_open "
        f"where series_no in {numbers} order by all"
    )
    left_open = f"(from drift_left_open where series_no in {numbers})"
    readings = store.frame(
        f"""
        select r.series_no, r.install_no, r.visit_no, r.stage_order, r.value
        from drift_readings r semi join {left_open} u on u.series_no = r.series_no and u.install_no = r.install_no
        where r.series_no in {numbers} order by r.series_no, r.install_no, r.visit_no, r.stage_order
        """
    )
    usual = dict(
        store.rows(
            "select reset_class, mode(opened_by order by opened_by) from cycles "
            "where opened_by not in ('new', 'unknown') group by reset_class"
        )
    )
    now, unsaid_of, read = (
        of_each(rows, members) for rows in (cycles_now(store, members, left_open), unsaid, readings)
    )
    works = [usual.get(series.reset_class) for series in members]
    return [doubted_cycles(*own) for own in zip(now, unsaid_of, read, works, strict=True)]


def cycles_now(store: Store, members: Sequence[Series], among: str) -> pl.DataFrame:
    """series_no, install_no, cycle_no, opened_visit_no, now_h of the open cycles of the installs and series of a
    relation."""
    return store.frame(
        f"""
        select o.series_no, o.install_no, o.cycle_no, o.opened_visit_no, c.now_h
        from drift_now o
        join install_clock c on c.install_no = o.install_no
        semi join {among} a on a.series_no = o.series_no and a.install_no = o.install_no
        where o.series_no in {numbers_of(members)} order by o.series_no, o.install_no
        """
    )


def visits_of(store: Store, members: Sequence[Series]) -> list[Visits]:
    """By what the visits of each series are heard. When work is done is learnt from all installs, or every so
    many-th."""
    numbers = numbers_of(members)
    every = max(1, store.scalar("select count(*) from drift_installs") // HABIT_INSTALLS)
    some = f"install_no % {every} = 0"
    visits = store.frame(f"select install_no, visit_no, clock_h from visit_clock where {some} order by visit_no")
    readings, opened, unsaid = (
        of_each(
            store.frame(f"select series_no, {columns} from {of} where series_no in {numbers} and {some} order by all"),
            members,
        )
        for of, columns in (
            ("drift_readings", "visit_no, stage_order, install_no, value"),
            ("drift_opened", "install_no, opened_visit_no"),
            ("drift_unsaid", "visit_no"),
        )
    )
    each = zip(readings, opened, unsaid, silent_since(store, members), ranges(store, members), strict=True)
    return [Visits(visits, *own) for own in each]


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


def silent_since(store: Store, members: Sequence[Series]) -> list[pl.DataFrame]:
    """`doubts.silent_visits` of all open cycles of each series."""
    numbers = numbers_of(members)
    # few installs were visited in their open cycle without anything read since
    store.run(f"""
        create or replace temp table heard_visits as
        select d.series_no, v.install_no, v.visit_no, v.clock_h
        from visit_clock v
        join drift_now d on d.series_no in {numbers} and d.install_no = v.install_no
            and v.visit_no > coalesce(d.opened_visit_no, -1)
        left join (
            select series_no, install_no, max(visit_no) as visit_no from drift_readings
            where series_no in {numbers} group by series_no, install_no
        ) r on r.series_no = d.series_no and r.install_no = v.install_no
        where v.visit_no >= coalesce(r.visit_no, -1)
    """)
    asked = (
        cycles_now(store, members, "heard_visits"),
        store.frame("select * from heard_visits order by series_no, visit_no"),
        store.frame(
            f"select series_no, install_no, visit_no from drift_left_open where series_no in {numbers} order by all"
        ),
        store.frame(f"""
            select r.series_no, r.install_no, r.visit_no, r.stage_order, r.value from drift_readings r
            semi join heard_visits h on h.series_no = r.series_no and h.visit_no = r.visit_no
            where r.series_no in {numbers} order by all
        """),
    )
    store.run("drop table heard_visits")
    return [silent_visits(*rows) for rows in zip(*(of_each(frame, members) for frame in asked), strict=True)]
