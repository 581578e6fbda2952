"""appliance_models: every model with installs, series by series: its drift, and what that means at today's interval."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.chances.forecast import Outlook, chance_on_own_day
from models.chances.ranking import rank_models
from models.clock.hours import LoadCalendar
from models.drift.series import backward
from pipeline.schema import Series
from pipeline.store import Store

FALLBACK_INTERVAL_MONTHS = 12  # common practice, where a model states no interval
COLUMNS = {
    "model_no": pl.Int32, "series_no": pl.Int32, "rate_per_1000h": pl.Float64, "rate_low_per_1000h": pl.Float64,
    "rate_high_per_1000h": pl.Float64, "median_days_to_out": pl.Float64, "share_out_at_interval": pl.Float64,
    "rank": pl.Int32, "worse_than_fleet_p": pl.Float64,
}  # fmt: skip


def months_later(day: str, months: str) -> str:
    """SQL: the date so many months after a day; the part of a month as days."""
    return (
        f"(({day} + to_months(floor({months})::integer))::date "
        f"+ round(({months} - floor({months})) * 30.4375)::integer)"
    )


def interval_days(store: Store, as_of: int) -> pl.DataFrame:
    """The day of each install's next visit at the present interval: install_no, day; as_of where that has passed.

    Counted from the newest annual visit or commissioning, or the installation.
    """
    served_on, months = (
        "coalesce(s.served_on, i.installed_on)",
        "coalesce(nullif(m.service_interval_months, 0), $usual)",
    )
    return store.frame(
        f"""
        with served as (
            select install_no, max(visited_on) as served_on from current_visits
            where purpose is null or purpose in ('annual', 'commissioning') group by install_no
        )
        select i.install_no, greatest($as_of, {months_later(served_on, months)} - date '1970-01-01')::integer as day
        from current_installs i
        join current_models m on m.model_no = i.model_no
        left join served s on s.install_no = i.install_no
        order by i.install_no
        """,
        {"as_of": as_of, "usual": FALLBACK_INTERVAL_MONTHS},
    )


def on_models(
    series: Series,
    frame: pl.DataFrame,
    outlook: Outlook,
    days_to_out: np.ndarray,
    interval: pl.DataFrame,
    calendar: LoadCalendar,
) -> pl.DataFrame:
    """What the ranking asks of each install with an open cycle: model_no, present (value), days (to a chance of a half,
    null without a range) and chance (of being out at the next visit, null without a range).

    frame, outlook: the installs, row by row alike. days_to_out: days until the chance of having left the range reaches
    a half, inf beyond ten years, nan without a range. interval: see `interval_days`.
    """
    day = interval["day"].to_numpy()[frame["install_no"].to_numpy()].astype(np.int64)
    at_interval = np.where(np.isnan(days_to_out), np.nan, chance_on_own_day(outlook, calendar, day))
    present = backward(outlook.m0 + outlook.m1 * outlook.tau(np.zeros(len(outlook))), series.transform)
    return pl.DataFrame(
        {"model_no": frame["model_no"], "present": present, "days": days_to_out, "chance": at_interval}
    ).with_columns(pl.col("days", "chance").fill_nan(None))


def rank_series(store: Store, series: Series, told: pl.DataFrame) -> pl.DataFrame:
    """Rows of appliance_models of one series. told: `on_models` of all installs."""
    drift = store.frame(
        """
        select model_no, rate, rate_sd, minus_fleet, worse_than_fleet_p
        from model_drift where series_no = ? order by model_no
        """,
        [series.series_no],
    )
    if drift.is_empty() or told.is_empty():
        return pl.DataFrame(schema=COLUMNS)
    of_model = (
        told.group_by("model_no")
        .agg(pl.col("present").median(), pl.col("days").median(), pl.col("chance").mean())
        .with_columns(pl.when(pl.col("days").is_finite()).then(pl.col("days")))
    )
    drift = drift.join(of_model.cast({"model_no": drift.schema["model_no"]}), on="model_no", how="inner").sort(
        "model_no"
    )
    ranked = rank_models(drift, drift["present"].to_numpy(), series.transform, series.worse)
    return ranked.select(
        pl.col("model_no").cast(pl.Int32),
        pl.lit(series.series_no, pl.Int32).alias("series_no"),
        "rate_per_1000h", "rate_low_per_1000h", "rate_high_per_1000h",
        drift["days"].alias("median_days_to_out"),
        drift["chance"].alias("share_out_at_interval"),
        "rank", "worse_than_fleet_p",
    )  # fmt: skip


def write_models(store: Store, ranked: list[pl.DataFrame]) -> None:
    """Write appliance_models from the rows of all series."""
    rows = pl.concat([pl.DataFrame(schema=COLUMNS), *ranked])
    store.write("model_values", rows.with_columns(pl.selectors.float().round_sig_figs(7)))
    store.run_file("68_appliance_models.sql")
