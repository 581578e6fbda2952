"""Series of the store as the drift model wants them; shared by the fit and by its test on the past."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from models.series import SeriesInputs
from pipeline.schema import Series
from pipeline.store import Store

READING_COLUMNS = "install_no, cycle_no, day, hours, value, stage_order, analyser_no, unsure"
CYCLE_COLUMNS = "install_no, cycle_no, opened_by, opened_day, value_before, also_cleaned"


def series_inputs(store: Store, members: Sequence[Series], installs: pl.DataFrame) -> list[SeriesInputs]:
    """Of each series; the views behind them are read once for all. installs: drift_installs."""
    numbers = ", ".join(str(series.series_no) for series in members)
    readings = store.frame(
        f"select series_no, {READING_COLUMNS} from drift_readings where series_no in ({numbers}) "
        "order by series_no, install_no, cycle_no, day, stage_order, visit_no"
    )
    cycles = store.frame(
        f"select series_no, {CYCLE_COLUMNS} from drift_cycles where series_no in ({numbers}) "
        "order by series_no, install_no, cycle_no"
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
    return store.frame(
        f"""
        select install_no, cycle_no, opened_by, opened_day, value_before, hours_open
        from drift_doubts where series_no = {series.series_no} order by install_no
        """
    )
