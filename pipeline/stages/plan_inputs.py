"""What the plan reads from the store, as arrays with one row per install."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TypeGuard

import holidays
import numpy as np
import polars as pl

from models.drift.cycle_sums import positions
from models.plan.renewal import FreshCycles
from models.plan.tasks import CLASSES
from models.plan.visit_weeks import Chances, combined_chance
from models.tails import chance_below
from pipeline.schema import SERIES, Series
from pipeline.settings import PlanSettings
from pipeline.stages.model_ranking import months_later
from pipeline.stages.plan_readings import excused, read_out_of_range
from pipeline.store import Store

DEFAULT_INTERVAL_MONTHS = 12.0
MONTH_DAYS = 365.25 / 12
CURVE_MONTHS = 36
BATCH = 20_000  # installs whose chances are held at a time, one array per series: few enough to stay near at hand
MOST_BEGIN_OUT = 0.5

INSTALLS = """
    with served as (
        select install_no, max(visited_on) as last_visit_on,
            max(visited_on) filter (where purpose is null or purpose in ('annual', 'commissioning')) as last_service_on
        from current_visits group by install_no
    ), due as (
        select install_no, min(due_on) as due_on,
            arg_min(series_no, (coalesce(due_on, date '9999-12-31') - date '1970-01-01') * 1e4
                + round((1 - coalesce(p_out_now, 0)) * 1e3) * 10 + series_no)
                filter (where p_out_now is not null or state = 'out_of_range') as lead_no,
            bool_or(p_out_now is not null) as foreseen
        from forecasts group by install_no
    ), dated as (
        select i.install_no, i.install_id, i.area_id, i.area_no, i.model_id, i.model_no, i.media_kg,
            m.exchanger_design, coalesce(m.exchanger_material, '') as exchanger_material,
            coalesce(m.condensing, false) as condensing, m.base_visit_minutes, m.exchanger_cleaning_minutes,
            m.trap_cleaning_minutes, s.last_visit_on, coalesce(s.last_service_on, i.installed_on) as began_on,
            case when m.service_interval_months > 0 then m.service_interval_months else $usual end as months,
            d.due_on, d.lead_no, coalesce(d.foreseen, false) as foreseen, coalesce(r.co_out, false) as co_out,
            coalesce(r.co_likely_out, false) as co_likely_out, coalesce(r.out_now, false) as out_now,
            coalesce(r.at_once, false) as at_once, coalesce(r.excess, 0.0) as excess,
            coalesce(r.limit_doubted_out, false) as limit_doubted_out,
            coalesce(r.limit_doubted, false) as limit_doubted, coalesce(r.pressure_out, false) as pressure_out
        from current_installs i join current_models m using (model_no)
        left join served s using (install_no) left join due d using (install_no)
        left join plan_readings r using (install_no)
    )
    select *,
        {interval_on} as interval_on,
        {latest_on} as latest_on
    from dated order by install_no
""".format(interval_on=months_later("began_on", "months"), latest_on=months_later("began_on", "(months * $factor)"))
CURVES = """
    select install_no, series_no, first_month, p_out from forecast_curve
    where install_no between $first and $last
"""
CHANCES_NOW = """
    select install_no, series_no, p_out_now from forecasts
    where p_out_now is not null and install_no between $first and $last
"""

LEVELS = """
    select o.install_no, o.m0, o.v00, f.limit_low, f.limit_high
    from open_cycles o join forecasts f on f.install_no = o.install_no and f.series_no = o.series_no
    where o.series_no = ? and f.p_out_now is not null
"""


@dataclass(frozen=True)
class Calendar:
    """The weeks of the horizon. mondays: their first days; working_days: (weeks,) days worked in each; last_worked: the
    last weekday that is, Monday being 0."""

    as_of: date
    mondays: list[date]
    working_days: np.ndarray
    last_worked: int

    @property
    def first_monday(self) -> int:
        return (self.mondays[0] - self.as_of).days


def week_calendar(as_of: date, plan: PlanSettings) -> Calendar:
    """Weeks from the Monday on or after as_of; public holidays are not worked."""
    first = as_of + timedelta(days=-as_of.weekday() % 7)
    mondays = [first + timedelta(days=7 * w) for w in range(plan.horizon_weeks)]
    free: set[date] = set()
    if plan.holidays_country:
        years = range(first.year, mondays[-1].year + 2)
        free = set(holidays.country_holidays(plan.holidays_country, subdiv=plan.holidays_subdivision, years=years))
    days = [sum(m + timedelta(days=d) not in free for d in plan.worked) for m in mondays]
    return Calendar(as_of, mondays, np.array(days, float), plan.worked[-1])


@dataclass(frozen=True)
class Fleet:
    """frame: one row per install, by install_no; the arrays follow it. Days count from as_of.

    latest, interval, began: (n,) days; length: (n,) of the present interval [d]; begins_out: (n,) chance that a
    cycle begins
    out of range; tasks_due: for each of CLASSES (n,) bool; lead: (n,) series_no or -1. chances: of any series;
    sound: without those whose limit is doubted; the weeks are chosen by these.
    """

    as_of: date
    frame: pl.DataFrame
    chances: Chances
    sound: Chances
    latest: np.ndarray
    interval: np.ndarray
    began: np.ndarray
    length: np.ndarray
    begins_out: np.ndarray
    tasks_due: dict[str, np.ndarray]
    lead: np.ndarray

    def cycles(self, rows: np.ndarray) -> FreshCycles:
        """Cycles from their start, of some of the installs."""
        return FreshCycles.of(self.sound.rows(rows), -self.began[rows], self.begins_out[rows])


def read_fleet(store: Store, as_of: date, plan: PlanSettings, tolerance: float) -> Fleet:
    """Installs with their dates, combined chances, and the tasks likely to fall due before the visit after next."""
    factor = plan.longest_interval_factor
    read_out_of_range(store)
    frame = store.frame(INSTALLS, {"usual": DEFAULT_INTERVAL_MONTHS, "factor": factor})

    def days(column: str, missing: float) -> np.ndarray:
        return frame.select(
            (pl.col(column) - pl.lit(as_of)).dt.total_days().cast(pl.Float64).fill_null(missing)
        ).to_series().to_numpy().copy()  # fmt: skip

    length = frame["months"].cast(pl.Float64).to_numpy() * MONTH_DAYS
    began = days("began_on", np.nan)
    began = np.where(np.isnan(began), -length, began)  # neither visited nor dated: due now
    interval, latest = days("interval_on", -1.0), days("latest_on", -1.0)
    due = days("due_on", np.inf)
    wanted = np.clip(np.minimum(due, latest), 0, None)
    number = frame["install_no"].to_numpy()
    doubted = {series: np.searchsorted(number, installs) for series, installs in excused(store)}
    nodes = None
    total = np.zeros((0, 0), np.float32)
    tasks_due = {name: np.zeros(len(number), bool) for name in CLASSES}
    highest = np.full(len(number), -1.0)
    lead = frame["lead_no"].fill_null(-1).to_numpy().astype(np.int64)
    undated = ~np.isfinite(due)
    laid_aside: list[tuple[np.ndarray, np.ndarray]] = []
    for install, series, chance, first_month in curves(store, number):
        if nodes is None:
            nodes = np.r_[0.0, month_days(as_of, first_month, chance.shape[1] - 1)]
            total = np.zeros((len(number), chance.shape[1]), np.float32)
        place = positions(number, install)
        for k in np.unique(series):
            here = series == k
            row, p = place[here], np.clip(chance[here], 0, 1)
            stays = np.log1p(-np.minimum(p, 1 - 1e-7))
            total[row] += stays
            if k in doubted:
                excuse = np.isin(row, doubted[k])
                laid_aside.append((row[excuse], stays[excuse]))
            own = Chances(nodes, p)
            out = own.at_each(wanted[row] + length[row]) > tolerance
            for name in _classes(int(k)):
                tasks_due[name][row] |= out
            p_interval = own.at_each(np.clip(interval[row], 0, None))
            better = undated[row] & (p_interval > highest[row])
            highest[row[better]], lead[row[better]] = p_interval[better], k
    if nodes is None:  # nothing is forecast: every install waits for its interval
        nodes = np.r_[0.0, month_days(as_of, _next_month(as_of), CURVE_MONTHS)]
        total = np.zeros((len(number), len(nodes)), np.float32)
    chances = sound = Chances(nodes, _rising(total))
    if laid_aside:
        for row, stays in laid_aside:
            total[row] -= stays
        fewer = np.unique(np.concatenate([row for row, _ in laid_aside]))
        sound = Chances(nodes, chances.chance.copy())
        sound.chance[fewer] = _rising(total[fewer])
    begins = begins_out(store, number, doubted)
    return Fleet(as_of, frame, chances, sound, latest, interval, began, length, begins, tasks_due, lead)


def _rising(log_in_range: np.ndarray) -> np.ndarray:
    """Chances that any series is out, which do not fall with time, from the sums of log(1 - p). (n, k) -> (n, k)"""
    return np.maximum.accumulate(combined_chance(log_in_range), axis=1)


def _classes(series_no: int) -> tuple[str, ...]:
    series = SERIES[series_no]
    if series.indicator == "co_air_free_ppm":
        return ("exchanger", "burner")  # either clears it
    return (series.reset_class,) if series.reset_class in CLASSES else ()


def curves(store: Store, number: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray, date]]:
    """Batches of (install_no, series_no, chances now and by month, first month), all series of an install in one.

    number: install_no of the installs, rising.
    """
    for start in range(0, len(number), BATCH):
        some = number[start : start + BATCH]
        within = {"first": int(some[0]), "last": int(some[-1])}
        curve, now = store.frame(CURVES, within), store.frame(CHANCES_NOW, within)
        key, row, row_now = np.intersect1d(_keys(curve), _keys(now), assume_unique=True, return_indices=True)
        if not len(key):
            continue
        later = curve["p_out"]
        if isinstance(later.dtype, pl.List):
            months = later.list.len().unique().sort().to_list()
            if len(months) != 1:
                raise ValueError(f"forecast_curve: p_out has rows of {months} months; all must have as many.")
            later = later.cast(pl.Array(pl.Float32, months[0]))
        ahead = later.to_numpy()
        chance = np.empty((len(key), ahead.shape[1] + 1), np.float32)
        chance[:, 0] = now["p_out_now"].to_numpy()[row_now]
        chance[:, 1:] = ahead if np.array_equal(row, np.arange(len(ahead))) else ahead[row]
        yield key // len(SERIES), key % len(SERIES), chance, curve["first_month"][0]


def _keys(frame: pl.DataFrame) -> np.ndarray:
    """install_no and series_no as one number."""
    return frame["install_no"].to_numpy().astype(np.int64) * len(SERIES) + frame["series_no"].to_numpy()


def begins_out(store: Store, number: np.ndarray, doubted: dict[int, np.ndarray]) -> np.ndarray:
    """Chance that an install's next cycle begins out of range, from the level at which the present ones began, (n,).

    A new cycle's level differs from the present one's by two cycles' own effects, hence twice their variance. At
    most a half: what a
    visit has left out of range once, another may still mend. doubted: rows left out, by series_no.
    """
    log_in = np.zeros(len(number))
    if store.has("open_cycles") and store.has("drift_fit"):
        for series in SERIES:
            known = store.frame(LEVELS, [series.series_no])
            if known.is_empty():
                continue
            spread = store.scalar("select psi_json from drift_fit where series_no = ?", [series.series_no])
            own = json.loads(spread)["cycle"][0][0] if spread else 0.0

            def column(name: str, missing: float, known: pl.DataFrame = known, series: Series = series) -> np.ndarray:
                values = known[name].cast(pl.Float64).to_numpy()
                with np.errstate(divide="ignore", invalid="ignore"):
                    scaled = np.log(values) if series.transform == "log" and name.startswith("limit") else values
                return np.where(np.isnan(scaled), missing, scaled)

            level, sd = column("m0", 0.0), np.sqrt(np.maximum(column("v00", 0.0) + 2 * own, 1e-12))
            low, high = (column("limit_low", -np.inf) - level) / sd, (level - column("limit_high", np.inf)) / sd
            out = chance_below(low) + chance_below(high)
            row = positions(number, known["install_no"].to_numpy())
            out[np.isin(row, doubted.get(series.series_no, np.zeros(0, np.int64)))] = 0.0
            log_in[row] += np.log1p(-np.clip(out, 0, 1 - 1e-9))
    return np.minimum(combined_chance(log_in), MOST_BEGIN_OUT)


def month_days(as_of: date, first_month: date, months: int) -> np.ndarray:
    """Days after as_of of the firsts of the months from `first_month` on, (months,)."""
    start = np.datetime64(first_month, "M") + np.arange(months)
    return (start.astype("datetime64[D]") - np.datetime64(as_of)).astype(float)


def _next_month(as_of: date) -> date:
    return (as_of.replace(day=1) + timedelta(days=32)).replace(day=1)


def read_capacity(store: Store, calendar: Calendar) -> dict[str, np.ndarray]:
    """Hours available per area that capacity.csv names, (weeks,) each; nan where nothing is known.

    A week that is not given gets the median of the weeks that are, in the share of its working days: an area that
    states some weeks works in the others too, but not on public holidays. Weeks that are given without hours say that
    these are closed, and nothing of others: where no week has any, the others' hours are not known.
    """
    share = calendar.working_days / max(float(calendar.working_days.max()), 1.0)
    rows = store.frame(
        "select area_id, date_trunc('week', week)::date as week, sum(hours_available) as hours from current_capacity "
        "where hours_available is not null group by all order by all"
    )
    capacity: dict[str, np.ndarray] = {}
    for (area,), part in rows.group_by("area_id", maintain_order=True):
        given = dict(zip(part["week"], part["hours"], strict=True))
        usual = float(np.median([hours for hours in given.values() if hours > 0] or [np.nan]))
        hours = np.array([float(given.get(m, usual * s)) for m, s in zip(calendar.mondays, share, strict=True)])
        if not np.isnan(hours).all():
            capacity[str(area)] = hours
    return capacity


def known_throughout(hours: np.ndarray | None) -> TypeGuard[np.ndarray]:
    """Whether an area's hours are known in every week: what one more is worth follows from no others."""
    return hours is not None and not np.isnan(hours).any()
