"""Series of the store as the drift model wants them; shared by the fit and by its test on the past."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from models.doubts import doubted_cycles
from models.series import SeriesInputs
from pipeline.schema import Series
from pipeline.store import Store

READING_COLUMNS = "install_no, cycle_no, day, hours, value, stage_order, analyser_no, unsure"
CYCLE_COLUMNS = "install_no, cycle_no, opened_by, opened_day, value_before, also_cleaned"


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
    now = store.frame(
        f"""
        select o.install_no, o.cycle_no, o.opened_visit_no, c.now_h
        from drift_now o
        join install_clock c on c.install_no = o.install_no
        semi join (from drift_left_open where series_no = {k}) u on u.install_no = o.install_no
        where o.series_no = {k} order by o.install_no
        """
    )
    readings = store.frame(
        f"""
        select r.install_no, r.visit_no, r.stage_order, r.value
        from observations r
        semi join (from drift_left_open where series_no = {k}) u on u.install_no = r.install_no
        where r.series_no = {k} and r.usable and r.value is not null and r.hours_in_cycle is not null
        order by r.install_no, r.visit_no, r.stage_order
        """
    )
    usual = store.scalar(
        "select mode(opened_by order by opened_by) from cycles "
        f"where reset_class = '{series.reset_class}' and opened_by not in ('new', 'unknown')"
    )
    return doubted_cycles(now, unsaid, readings, usual)
