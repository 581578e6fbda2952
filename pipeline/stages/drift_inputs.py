"""Series of the store as the drift model wants them; shared by the fit and by its test on the past."""

from __future__ import annotations

import polars as pl

from models.series import SeriesInputs
from pipeline.schema import Series
from pipeline.store import Store


def series_inputs(store: Store, series: Series, installs: pl.DataFrame | None = None) -> SeriesInputs:
    """One series; `installs` (drift_installs) may be handed over to be read once for all series."""
    k = series.series_no
    return SeriesInputs(
        series_no=k,
        indicator=series.indicator,
        firing=series.firing,
        transform=series.transform,
        worse=series.worse,
        readings=store.frame(
            "select install_no, cycle_no, day, hours, value, stage_order, analyser_no, unsure from drift_readings "
            f"where series_no = {k} order by install_no, cycle_no, day, stage_order, visit_no"
        ),
        cycles=store.frame(
            "select install_no, cycle_no, opened_by, opened_day, value_before, also_cleaned from drift_cycles "
            f"where series_no = {k} order by install_no, cycle_no"
        ),
        installs=store.frame("select * from drift_installs") if installs is None else installs,
    )


def open_cycles(store: Store, series: Series) -> pl.DataFrame:
    """The cycle open at as_of of every install the series applies to, with the value found before the work that
    opened it."""
    k = series.series_no
    return store.frame(
        f"""
        select o.install_no, o.cycle_no, o.opened_by, o.opened_day, c.value_before, o.hours_open
        from drift_open o
        left join drift_cycles c
            on c.series_no = {k} and c.install_no = o.install_no and c.cycle_no = o.cycle_no
            and c.value_before is not null
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
