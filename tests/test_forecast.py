"""Chances and dates from posteriors: against formulas written out, simulation, and the stage's own outputs."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_store import made_store, with_last_values
from scipy.optimize import brentq
from scipy.stats import norm, t

from models.chances.forecast import (
    Outlook,
    chance_on,
    chance_on_own_day,
    chance_out,
    horizon_day,
    last_days_within,
    scaled_limits,
    value_ahead,
)
from models.chances.present_rates import drift_rates
from models.clock.hours import LoadCalendar, day_number, first_of_months
from models.tails import DF, chance_below
from pipeline.settings import Settings
from pipeline.stages import forecast as stage
from pipeline.stages.cycles import cycles
from pipeline.stages.forecast import forecast

FLAT = LoadCalendar(np.full((1, 12), 1 / 12))
AS_OF = day_number(date(2025, 1, 1))
VALUE = t(DF, scale=np.sqrt((DF - 2) / DF))  # a true value, in standard deviations from what is told of it


def outlook(**given_values) -> Outlook:
    usual = {
        "m0": 2.3, "m1": 0.1, "v00": 0.01, "v01": 0.0, "v11": 0.0004, "gamma": 1.0, "low": -np.inf,
        "high": np.log(30), "hours_open": 1000.0, "counted_open": 1000.0, "per_year": 2000.0, "rel_sd": 0.0,
        "weather_sd": 0.0, "own": 0.0, "area_no": 0,
    }  # fmt: skip
    values = {
        k: np.atleast_1d(np.asarray(v, int if k == "area_no" else float)) for k, v in (usual | given_values).items()
    }
    n = max(len(v) for v in values.values())
    return Outlook(**{k: np.resize(v, n) for k, v in values.items()}, as_of=AS_OF)


def drawn(seed: int, n: int = 40, two_sided: bool = False) -> tuple[Outlook, LoadCalendar]:
    """Outlooks of every kind: sure and unsure, good and bad, with months without load."""
    rng = np.random.default_rng(seed)
    load = rng.gamma(1, 1, (5, 12))
    load[0, 5:8], load[1, 11], load[2, 0] = 0, 0, 0
    sd0, sd1, corr = rng.uniform(0.01, 0.5, n), rng.uniform(0.003, 0.2, n), rng.uniform(-0.95, 0.95, n)
    hours = rng.uniform(0, 8000, n) * (rng.random(n) > 0.2)
    return Outlook(
        rng.normal(0, 0.4, n), rng.normal(0.03, 0.08, n), sd0**2, corr * sd0 * sd1, sd1**2,
        rng.choice([0.5, 0.7, 1.0, 1.4, 2.0], n), np.full(n, -0.8 if two_sided else -np.inf), np.full(n, 0.9), hours,
        np.minimum(hours, rng.uniform(0, 8000, n)), rng.uniform(300, 4000, n), rng.uniform(0.02, 0.4, n),
        np.full(n, 0.06), rng.uniform(0, 1, n), rng.integers(0, 5, n), AS_OF + int(rng.integers(0, 365)),
    ), LoadCalendar(load)  # fmt: skip


# The formula of the degradation path, written out (Lu & Meeker 1993, eq. for a normal rate; level added), t's tails.
def test_the_chance_is_the_formula():
    o = outlook(v01=-0.001)
    for years in (0.0, 0.5, 3.0):
        tau = 1.0 + 2.0 * years
        z = (2.3 + 0.1 * tau - np.log(30)) / np.sqrt(0.01 - 0.002 * tau + 0.0004 * tau**2)
        assert chance_out(o, np.array([years]))[0] == pytest.approx(VALUE.cdf(z), abs=1e-4)


def test_the_chance_agrees_with_simulated_drift_paths_with_unsure_hours():
    rng = np.random.default_rng(11)
    o = outlook(m1=0.25, rel_sd=0.2, weather_sd=0.1, counted_open=600.0, v01=0.0005)
    years, paths = 2.0, 400_000
    level, rate = rng.multivariate_normal([2.3, 0.25], [[0.01, 0.0005], [0.0005, 0.0004]], paths).T
    since = 0.4 + 2.0 * years  # thousand hours since the counter
    hours = (
        0.6 + since * (1 + 0.2 * rng.standard_normal(paths)) + 0.1 * np.sqrt(2.0 * since) * rng.standard_normal(paths)
    )
    out = (level + rate * hours > np.log(30)).mean()
    # 400,000 paths: standard error 0.0008. The hours enter to first order, hence a little more.
    assert in_normal_paths(chance_out(o, np.array([years]))) == pytest.approx(out, abs=0.005)
    assert in_normal_paths(chance_out(outlook(m1=0.25, v01=0.0005), np.array([years]))) != pytest.approx(out, abs=0.01)


@settings(max_examples=30)
@given(*[st.floats(0.0, 0.4)] * 2, st.floats(0.0, 3.0), st.floats(-0.9, 0.9))
def test_the_variance_ahead_is_that_of_a_product_of_independent_errors(rel_sd, weather_sd, years, corr):
    """Var(level + rate h) of an unsure rate and, apart from it, unsure hours: exact where the clock is the hours."""
    v01 = corr * 0.1 * 0.02
    o = outlook(m1=0.25, rel_sd=rel_sd, weather_sd=weather_sd, counted_open=600.0, v01=v01)
    mean, variance = value_ahead(o, np.array([years]))
    hours = 1.0 + 2.0 * years
    # 0.4 thousand hours since the counter; of weather, years add up, each of 2 thousand hours.
    of_hours = (rel_sd * (hours - 0.6)) ** 2 + (weather_sd * 2.0) ** 2 * (hours - 0.6) / 2.0
    assert mean == pytest.approx(2.3 + 0.25 * hours)
    told = 0.01 + 2 * v01 * hours + 0.0004 * hours**2 + (0.25**2 + 0.0004) * of_hours
    assert variance == pytest.approx(told, rel=1e-9)


def in_normal_paths(chance: np.ndarray) -> float:
    """The chance as it were if the same deviate had a normal distribution."""
    return float(norm.cdf(brentq(lambda z: chance_below(z) - chance[0], -9, 9)))


def test_two_ends_add_up_and_a_power_of_the_hours_is_applied():
    o = outlook(m0=5.2, m1=0.0, v00=0.25, v11=0.01, low=3.0, high=7.0, gamma=0.5)
    tau = np.sqrt(1.0 + 2.0 * 4)
    sd = np.sqrt(0.25 + 0.01 * tau**2)
    wanted = VALUE.sf((7 - 5.2) / sd) + VALUE.cdf((3 - 5.2) / sd)
    assert chance_out(o, np.array([4.0]))[0] == pytest.approx(wanted, abs=1e-4)


@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_chances_never_fall_and_dates_agree_with_them_to_the_day(seed, two_sided):
    o, calendar = drawn(seed, two_sided=two_sided)
    fine = chance_on(o, calendar, np.arange(o.as_of, o.as_of + 4000, 13))
    assert (np.diff(fine, axis=1) >= -1e-12).all()
    assert ((fine >= 0) & (fine <= 1)).all()
    end = horizon_day(o.as_of)
    tolerances = (0.02, 0.1, 0.5, 0.9)
    days = last_days_within(o, calendar, tolerances)
    assert (np.diff(days, axis=1) >= 0).all()
    for k, q in enumerate(tolerances):
        day = days[:, k]
        at, after = chance_on_own_day(o, calendar, day), chance_on_own_day(o, calendar, day + 1)
        inside = (day >= o.as_of) & (day <= end)
        assert (at[inside] <= q).all()
        assert (after[inside] > q).all()
        assert (chance_on_own_day(o, calendar, np.full(len(o), o.as_of))[day < o.as_of] > q).all()
        assert (chance_on_own_day(o, calendar, np.full(len(o), end))[day > end] <= q).all()


@settings(max_examples=30)
@given(st.integers(0, 2**32 - 1))
def test_having_left_is_the_largest_chance_so_far(seed):
    o, calendar = drawn(seed, n=20)
    o = replace(o, weather_sd=np.zeros(20))  # its first-order size is taken at as_of, which moves here
    days = np.arange(o.as_of, o.as_of + 500)
    running = chance_on(o, calendar, days)
    each = np.stack([chance_out(_from(o, calendar, int(d)), np.zeros(len(o))) for d in days[::2]], axis=1)
    # At one day alone the chance of being out is below that of having left by then, and somewhere reaches it.
    assert (running[:, ::2] >= each - 1e-9).all()
    assert running[:, -2] == pytest.approx(each.max(axis=1), abs=2e-3)


def _from(o: Outlook, calendar: LoadCalendar, day: int) -> Outlook:
    """The same posterior asked from a later day on: the hours moved, so nothing before that day counts."""
    ahead = calendar.years(o.area_no, np.array(day)) - calendar.years(o.area_no, np.array(o.as_of))
    return replace(o, hours_open=o.hours_open + o.per_year * ahead, as_of=day)


def test_unsure_hours_widen_the_forecast():
    sure, unsure = outlook(), outlook(rel_sd=0.3, counted_open=0.0)
    early, late = (last_days_within(o, FLAT, (0.1, 0.9))[0] for o in (unsure, sure))
    assert early[0] < late[0]
    assert early[1] > late[1]


def test_an_error_of_hours_cancels_where_the_rate_was_learnt_in_them():
    """Drift per year is what was seen: in what units the years were counted does not matter."""
    ahead = np.array([2.0])
    sure, alone = outlook(v11=0.0), outlook(v11=0.0, rel_sd=0.3, own=1.0, counted_open=0.0)
    assert chance_out(alone, ahead) == pytest.approx(chance_out(sure, ahead))
    pooled, partly = (value_ahead(replace(alone, own=np.full(1, own)), ahead)[1] for own in (0.0, 0.75))
    assert value_ahead(sure, ahead)[1] < partly < pooled


def in_doubt() -> tuple[Outlook, Outlook, Outlook, np.ndarray]:
    """Cycles that go on, the same begun anew at lower levels, and both together for every other install."""
    n = 8
    goes_on = outlook(m0=np.linspace(2.6, 3.2, n), rel_sd=0.1)
    anew = outlook(m0=np.full(n, 2.4), v00=0.05, hours_open=300.0, counted_open=0.0)
    doubt = np.array([0.0, 0.3, 0.0, 0.6, 0.0, 0.95, 0.0, 0.05])
    return goes_on, anew, replace(goes_on, doubt=doubt, restarted=anew.rows(np.flatnonzero(doubt))), doubt


def test_where_a_visit_left_its_work_open_both_ways_are_weighed():
    goes_on, anew, both, q = in_doubt()
    ahead = np.linspace(0, 6, 60) * np.ones((len(q), 1))
    expected = (1 - q)[:, None] * chance_out(goes_on, ahead) + q[:, None] * chance_out(anew, ahead)
    assert chance_out(both, ahead) == pytest.approx(expected)
    assert (np.diff(chance_out(both, ahead), axis=1) >= 0).all()
    for part in (slice(3, 7), np.array([5, 1, 2]), q > 0.5, slice(0, 1)):
        assert chance_out(both.rows(part), ahead[part]) == pytest.approx(expected[part])
    (m1, v1), (m2, v2), (mean, variance) = (value_ahead(o, ahead[:, 30]) for o in (goes_on, anew, both))
    assert mean == pytest.approx((1 - q) * m1 + q * m2)
    assert variance == pytest.approx((1 - q) * (v1 + m1**2) + q * (v2 + m2**2) - mean**2)


def test_dates_where_work_was_left_open_are_those_of_the_curve():
    _, _, both, _ = in_doubt()
    chances = (0.05, 0.1, 0.5, 0.9)
    days = last_days_within(both, FLAT, chances)
    end = horizon_day(AS_OF)
    for k, chance in enumerate(chances):
        on, after = (chance_on_own_day(both, FLAT, days[:, k] + more) for more in (0, 1))
        assert (on[days[:, k] >= AS_OF] <= chance).all()
        assert (after[days[:, k] <= end] > chance).all()
    assert ((days > AS_OF) & (days < end)).sum() > 10


def test_an_error_of_hours_that_the_rate_was_learnt_in_is_in_the_rate():
    alone = outlook(rel_sd=0.3, own=1.0, v11=0.0)
    _, low, high = drift_rates(alone, "identity")
    # A rate of 0.1 per counted hour when hours are 30 % uncertain: 0.03.
    assert high[0] - low[0] == pytest.approx(2 * 1.2816 * 0.03, rel=1e-3)
    pooled = drift_rates(replace(alone, own=np.zeros(1)), "identity")
    assert pooled[2][0] == pytest.approx(pooled[1][0])


def test_a_limit_that_the_log_scale_cannot_show_is_always_or_never_passed():
    low, high = scaled_limits([0.0, np.nan, 2.0], [-1.0, np.nan, 30.0], "log")
    assert low.tolist() == [-np.inf, -np.inf, np.log(2.0)]
    assert high[1] == np.inf
    o = outlook(low=low, high=high)
    assert chance_out(o, np.zeros(3))[:2].tolist() == [1.0, 0.0]
    assert last_days_within(o, FLAT, (0.1,))[:2, 0].tolist() == [AS_OF - 1, horizon_day(AS_OF) + 1]


@pytest.mark.parametrize(
    ("m1", "sd1", "level_sd", "corr"),
    [(0.1, 0.02, 0.1, 0.0), (0.02, 0.05, 0.3, 0.5), (0.1, 0.05, 0.25, -0.6), (0.05, 0.04, 0.6, 0.3)],
)
def test_rates_cover_what_drawn_levels_and_rates_give(m1, sd1, level_sd, corr):
    rng = np.random.default_rng(5)
    cov = [[level_sd**2, corr * level_sd * sd1], [corr * level_sd * sd1, sd1**2]]
    o = outlook(m1=m1, v00=level_sd**2, v01=cov[0][1], v11=sd1**2, hours_open=0.0)
    level, rate = rng.multivariate_normal([2.3, m1], cov, 400_000).T
    own_unit = np.exp(level) * rate
    middle, low, high = (r[0] for r in drift_rates(o, "log"))
    assert middle == pytest.approx(np.exp(2.3) * m1)
    # Expansion or quadrature: each tail of 10 % is met to one percentage point.
    assert (own_unit < low).mean() == pytest.approx(0.1, abs=0.01)
    assert (own_unit > high).mean() == pytest.approx(0.1, abs=0.01)
    assert ((own_unit >= low) & (own_unit <= high)).mean() == pytest.approx(0.8, abs=0.02)


def test_rates_with_a_power_are_the_slope_at_the_present_hours():
    o = outlook(gamma=0.5, hours_open=4000.0, v00=1e-8, v11=1e-8)

    def value(h: float) -> float:
        return float(np.exp(2.3 + 0.1 * (h / 1000) ** 0.5))

    slope = (value(4001.0) - value(3999.0)) / 2 * 1000
    assert drift_rates(o, "log")[0][0] == pytest.approx(slope, rel=1e-5)
    plain, low, high = drift_rates(outlook(), "identity")
    assert plain[0] == 0.1
    assert high[0] - low[0] == pytest.approx(2 * 1.2816 * 0.02, rel=1e-4)


MODEL_DRIFT = pl.DataFrame(
    {
        "model_no": [0],
        "series_no": [0],
        "rate": [0.14],
        "rate_sd": [0.02],
        "minus_fleet": [0.0],
        "worse_than_fleet_p": [0.5],
    },
    schema_overrides={"model_no": pl.Int32, "series_no": pl.Int32},
)


def forecast_store(visits, tests, open_cycles, **kwargs):
    store = made_store([{"media_kg": 2.0}, {}], visits, tests, **kwargs)
    cycles(store, Settings())
    columns = ("install_no", "series_no", "m0", "m1", "v00", "v01", "v11", "gamma", "hours_open", "basis", "readings")
    store.write("open_cycles", pl.DataFrame([dict(zip(columns, row, strict=True)) for row in open_cycles]))
    store.run("create or replace table open_doubts as select *, 0::double as chance from open_cycles limit 0")
    with_last_values(store)
    store.write("model_drift", MODEL_DRIFT)
    forecast(store, Settings())
    return store


FLUE = [(i, 0, 2.3, 0.15, 0.01, 0.0, 0.001, 1.0, 800.0, "install" if i == 0 else "model", 3 - 3 * i) for i in (0, 1)]


def test_every_install_and_series_has_a_row_and_the_dates_agree_with_the_curve():
    visits = [{"install_no": 0, "visited_on": "2024-06-01", "exchanger_cleaning": "none", "system_pressure_kpa": 200.0}]
    tests = [{"visit_no": 0, "stage": "as_found", "flue_over_return_k": 12.0}]
    store = forecast_store(visits, tests, FLUE)
    rows = store.frame("select * from forecasts order by install_no, series_no")
    assert rows.height == 9 + 8
    flue = rows.filter(pl.col("series_no") == 0)
    assert flue["state"].to_list() == ["in_range", "unknown"]
    assert flue["basis"].to_list() == ["install", "model"]
    assert flue["last_value"].to_list() == [12.0, None]
    pressure = rows.filter(pl.col("series_no") == 8)
    assert pressure["state"].to_list() == ["out_of_range", "unknown"]
    assert pressure["p_out_now"].to_list() == [None, None]
    assert rows.filter(pl.col("series_no") == 3)["due_on"].to_list() == [None, None]
    curve = store.frame("select * from forecast_curve order by install_no")
    assert curve["first_month"].to_list() == [date(2025, 2, 1)] * 2
    firsts = [date.fromordinal(719163 + int(d)) for d in first_of_months(AS_OF, 36)]
    for row, chances in zip(flue.iter_rows(named=True), curve["p_out"].to_list(), strict=True):
        assert len(chances) == 36
        for on, chance in zip(firsts, chances, strict=True):
            assert (chance <= 0.10) == (on <= row["due_on"])
            assert (chance >= 0.50) == (on >= row["out_p50_on"])


def test_rows_lie_as_they_are_published_however_many_installs_are_forecast_at_once(monkeypatch):
    visits = [{"install_no": i, "visited_on": "2024-06-01", "exchanger_cleaning": "none"} for i in (0, 1)]
    tests = [{"visit_no": i, "stage": "as_found", "flue_over_return_k": 12.0, "o2_dry_pct": 5.0} for i in (0, 1)]
    oxygen = [(i, 3, 5.0, 0.1, 0.04, 0.0, 0.001, 1.0, 800.0, "install", 2) for i in (0, 1)]
    together, apart = [], []
    for told, at_once in ((together, 125_000), (apart, 1)):
        monkeypatch.setattr(stage, "AT_ONCE", at_once)
        store = forecast_store(visits, tests, FLUE + oxygen)
        told += [store.frame(f"from {name}") for name in ("forecasts", "curve_values", "model_values")]
    assert all(one.equals(other) for one, other in zip(together, apart, strict=True))
    rows, curves, _ = together
    key = ["install_id", "indicator", "firing"]
    assert rows.equals(rows.sort(key))
    named = curves.join(rows.select("install_no", "series_no", *key).cast({"series_no": pl.Int32}),
                        on=["install_no", "series_no"], maintain_order="left")  # fmt: skip
    assert named.height == 4
    assert named.equals(named.sort(key))


def test_a_value_before_work_without_a_value_after_it_says_nothing_of_now():
    visits = [
        {"install_no": 0, "visited_on": "2024-06-01", "exchanger_cleaning": "brush"},
        {"install_no": 1, "visited_on": "2024-06-01", "exchanger_cleaning": "brush"},
    ]
    tests = [
        {"visit_no": 0, "stage": "as_found", "flue_over_return_k": 45.0},
        {"visit_no": 1, "stage": "as_found", "flue_over_return_k": 45.0},
        {"visit_no": 1, "stage": "as_left", "flue_over_return_k": 31.0},
    ]
    store = forecast_store(visits, tests, FLUE)
    rows = store.rows("select last_value, last_stage, state from forecasts where series_no = 0 order by install_no")
    assert rows == [(45.0, "as_found", "unknown"), (31.0, "as_left", "out_of_range")]


def test_a_series_without_a_range_keeps_its_rate_but_has_no_forecast():
    store = forecast_store(
        [], [], [(0, 0, 4.5, 0.1, 0.01, 0.0, 0.001, 1.0, 800.0, "fleet", 0)], models=[{"condensing": False}]
    )
    row = store.frame("select * from forecasts where series_no = 0 and install_no = 0").row(0, named=True)
    assert row["state"] == "unknown"
    assert [row[c] for c in ("limit_high", "p_out_now", "due_on", "out_p50_on")] == [None] * 4
    assert row["rate_per_1000h"] > 0
    assert store.scalar("select count(*) from forecast_curve") == 0
