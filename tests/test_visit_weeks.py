"""Week costs and age replacement, against other software, closed forms and plain numerical integration."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from models.plan.renewal import FreshCycles, day_price, hour_price
from models.plan.visit_weeks import Chances, combined_chance, week_costs, windows

NODES = np.r_[0.0, 14.0 + 30.5 * np.arange(36)]


def weibull(eta: np.ndarray, beta: float, age: np.ndarray, nodes: np.ndarray = NODES) -> Chances:
    return Chances(nodes, -np.expm1(-(((age[:, None] + nodes) / eta[:, None]) ** beta)))


def power_law(scale: float, power: float, ages: np.ndarray) -> np.ndarray:
    """Rate of an intensity whose integral is (t / scale) ** power."""
    return power * ages ** (power - 1) / scale**power


# The package `reliability` (M. Reid), optimal_replacement_time with q=1: a renewal every t with small repairs in
# between that change nothing else, (cost_CM + cost_PM (t / alpha) ** beta) / t as it computes it. Days out of range run
# up like the repairs.
@pytest.mark.parametrize(("alpha", "beta", "price"), [(400.0, 2.5, 3.0), (900.0, 1.8, 1.6), (250.0, 4.0, 9.0)])
def test_best_age_is_that_of_the_reliability_package(alpha: float, beta: float, price: float) -> None:
    import matplotlib as mpl

    mpl.use("Agg")
    from reliability.Repairable_systems import optimal_replacement_time

    other = optimal_replacement_time(
        cost_PM=1.0, cost_CM=price, weibull_alpha=alpha, weibull_beta=beta, q=1,
        show_time_plot=False, show_ratio_plot=False, print_results=False)  # fmt: skip
    nodes = np.linspace(0, 3 * alpha, 4000)
    cycles = FreshCycles.of(Chances(nodes, power_law(alpha, beta, 1.0 + nodes)[None]), np.array([1.0]))
    best = cycles.best_age(np.array([price]))
    # Both are exact up to the straight line between nodes, 0.02 % of the age.
    assert best[0] == pytest.approx(other.ORT, rel=1e-3)
    assert cycles.cost_rate(best, np.array([price]))[0] == pytest.approx(other.min_cost, rel=1e-3)


@settings(max_examples=30, deadline=None)
@given(st.floats(300, 3000), st.floats(1.2, 6.0), st.floats(5, 700), st.floats(0.2, 40.0))
@example(3000.0, 6.0, 5.0, 40.0)  # never worth it within the forecast
def test_best_age_is_where_a_numerical_search_finds_it(eta: float, beta: float, age: float, price: float) -> None:
    cycles = FreshCycles.of(weibull(np.array([eta]), beta, np.array([age])), np.array([age]))
    best = float(cycles.best_age(np.array([price]))[0])
    end = age + NODES[-1]

    def rate(x: float) -> float:
        return float(cycles.cost_rate(np.array([x]), np.array([price]))[0])

    grid = np.geomspace(1.0, end, 400)
    rates = np.array([rate(x) for x in grid])
    if not np.isfinite(best):
        assert rates.argmin() == len(grid) - 1  # cost still falls where the forecast ends
    else:
        assert rate(best) <= rates.min() * (1 + 1e-9)


def test_at_the_best_age_the_chance_is_the_long_run_cost_per_day() -> None:
    # Barlow & Hunter 1960: the first-order condition of renewal-reward, F(T) = (c + D(T)) / T.
    eta, age, price = np.array([500.0, 900.0, 1500.0]), np.array([200.0, 30.0, 330.0]), np.array([12.0, 30.0, 8.0])
    cycles = FreshCycles.of(weibull(eta, 3.0, age), age)
    best = cycles.best_age(price)
    assert cycles.chance_at(best) == pytest.approx(cycles.cost_rate(best, price), rel=1e-9)
    assert cycles.worth(best) == pytest.approx(price, rel=1e-9)


def test_age_at_chance_inverts_chance_at_age() -> None:
    age = np.array([100.0, 100.0, 700.0])
    cycles = FreshCycles.of(weibull(np.array([400.0, 800.0, 700.0]), 2.5, age), age)
    for chance in (0.01, 0.1, 0.3, 0.7):
        reached = cycles.age_at_chance(chance)
        known = np.isfinite(reached)
        assert known.any()
        assert cycles.chance_at(np.where(known, reached, 1.0))[known] == pytest.approx(chance, rel=1e-5)
    assert not np.isfinite(FreshCycles.of(Chances(NODES, np.full((1, 37), 0.05)), np.ones(1)).age_at_chance(0.1)[0])


def test_days_out_is_the_integral_of_the_chance() -> None:
    chances = weibull(np.array([500.0, 1200.0]), 2.0, np.array([0.0, 300.0]))
    days = np.array([0.0, 3.0, 14.0, 100.0, 777.7, NODES[-1], NODES[-1] + 50])
    for i in range(2):
        by_quadrature = [
            integrate.quad(lambda t, i=i: float(np.interp(t, NODES, chances.chance[i])), 0, d,
                           points=[x for x in NODES if 0 < x < d] or None, limit=200)[0] for d in days]  # fmt: skip
        assert chances.days_out(days)[i] == pytest.approx(by_quadrature, rel=1e-6)
    for k, day in enumerate(days):
        assert chances.days_out_each(np.full(2, day)) == pytest.approx(chances.days_out(days)[:, k])


@pytest.mark.parametrize(
    ("nodes", "chance", "said"),
    [
        ([1.0, 2.0], [[0.1, 0.2]], "start at 0 and rise"),
        ([0.0, 5.0, 5.0], [[0.1, 0.2, 0.3]], "start at 0 and rise"),
        ([0.0, 2.0], [[0.1, 0.2, 0.3]], "2 columns"),
        ([0.0, 2.0], [0.1, 0.2], "2 columns"),
    ],
)
def test_chances_that_do_not_fit_their_days_are_refused(nodes: list[float], chance: list, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        Chances(np.array(nodes), np.array(chance))


def test_where_a_visit_leaves_more_than_is_tolerated_the_tolerance_comes_on_top() -> None:
    chances = Chances(NODES, np.full((3, len(NODES)), 0.5))
    cycles = FreshCycles.of(chances, np.full(3, 100.0), np.array([0.0, 0.09, 0.3]))
    assert cycles.tolerated(0.1) == pytest.approx([0.1, 0.1, 1 - (1 - 0.3) * (1 - 0.1)])


@pytest.mark.parametrize(("middle", "sd"), [(200.0, 20.0), (120.0, 45.0), (400.0, 150.0), (30.0, 12.0)])
def test_between_the_months_a_chance_is_that_of_the_value_that_drifts(middle: float, sd: float) -> None:
    """Against the distribution itself: a value that drifts evenly, and a limit it passes after normal times."""
    days = np.arange(0.0, 700.0, 3.0)
    true = stats.norm.cdf((days - middle) / sd)
    rows = np.tile(stats.norm.cdf((NODES - middle) / sd), (len(days), 1))
    told = Chances(NODES, rows.round(6)).at_each(days)
    assert told == pytest.approx(true, abs=2e-3)
    assert np.all(np.diff(told) >= 0)
    for chance in (0.02, 0.10, 0.50):
        day = Chances(NODES, rows[:1].round(6)).day_reached(chance)[0]
        assert day == pytest.approx(max(stats.norm.ppf(chance, middle, sd), 0.0), abs=1.0)


def test_a_chance_at_its_own_days_is_as_told_also_where_it_is_0_or_1() -> None:
    rows = np.vstack([np.zeros(37), np.ones(37), np.linspace(0, 1, 37), np.r_[np.zeros(36), 0.3]])
    for k, day in enumerate(NODES):
        assert Chances(NODES, rows).at_each(np.full(4, day)) == pytest.approx(rows[:, k], abs=1e-12)
    assert Chances(NODES, rows).at_each(np.full(4, 2e4)) == pytest.approx(rows[:, -1])
    reached = Chances(NODES, rows).day_reached(np.array([0.1, 0.1, 1.0, 0.5]))
    assert reached[1:3].tolist() == [0.0, NODES[-1]]
    assert np.isinf(reached[[0, 3]]).all()


def test_expected_days_out_are_what_drawn_lives_show() -> None:
    rng = np.random.default_rng(3)
    eta, beta, until = 400.0, 2.5, 364.0
    lives = eta * rng.weibull(beta, 200_000)
    fine = np.linspace(0, 1000, 2000)
    expected = weibull(np.array([eta]), beta, np.zeros(1), fine).days_out(np.array([until]))[0, 0]
    drawn = np.maximum(until - lives, 0)
    assert drawn.mean() == pytest.approx(expected, abs=4 * drawn.std() / np.sqrt(len(drawn)))


def test_combined_chance_is_one_minus_the_product() -> None:
    p = np.array([0.1, 0.3, 0.02])
    assert combined_chance(np.log1p(-p).sum()) == pytest.approx(1 - 0.9 * 0.7 * 0.98)


def test_the_cheapest_week_holds_the_due_date() -> None:
    # Where the price of a day is the tolerance, cost falls while the chance is below it and rises after.
    eta, age = np.linspace(600, 1300, 40), np.full(40, 100.0)
    chances = weibull(eta, 3.0, age)
    cycles = FreshCycles.of(chances, age)
    due = cycles.age_at_chance(0.1) - age
    when = 5.0 + 7 * np.arange(52) + 3
    allowed = windows(np.full(40, np.inf), np.full(40, -np.inf), np.zeros(40, bool), 5.0, 52, 8)
    costs = week_costs(chances, allowed, np.full(40, 0.1), 0.1, when, np.full(40, np.inf))
    week = costs.cost.argmin(axis=1)
    inside = due < 350
    assert 15 <= inside.sum() < 40
    monday = 5.0 + 7 * week
    assert np.all((monday[inside] <= due[inside] + 0.6) & (due[inside] <= monday[inside] + 7.6))
    # those that stay below the tolerance all year had better not be visited at all
    assert np.all(costs.without[due > 380] < costs.cost[due > 380].min(axis=1))


@pytest.mark.parametrize(
    ("latest", "first", "last", "must", "overdue"),
    [
        (5 + 4, 0, 0, True, False),  # the first week's Friday
        (5 + 10, 0, 0, True, False),  # the next week's Thursday: that week would end too late
        (5 + 11, 0, 1, True, False),
        (2, 0, 0, True, False),  # before the first week has ended: the first week all the same
        (-1, 0, 7, True, True),
        (5 + 7 * 52 + 3, 0, 51, True, False),
        (5 + 7 * 52 + 4, 0, 51, False, False),
    ],
)
def test_windows_end_on_or_before_the_latest_date(
    latest: int, first: int, last: int, must: bool, overdue: bool
) -> None:
    allowed = windows(np.array([float(latest)]), np.array([-50.0]), np.zeros(1, bool), 5.0, 52, 8)
    assert (allowed.first[0], allowed.last[0], allowed.must[0], allowed.overdue[0]) == (first, last, must, overdue)


def test_an_earliest_date_holds_back_all_but_the_install_at_risk_now() -> None:
    at_once = np.array([False, True])
    allowed = windows(np.full(2, 300.0), np.full(2, 40.0), at_once, 5.0, 52, 8)
    assert allowed.first.tolist() == [5, 0]


@pytest.mark.parametrize(("last_worked", "week"), [(3, 1), (4, 1), (5, 0), (6, 0)])
def test_the_last_day_worked_lies_on_or_before_the_latest_date(last_worked: int, week: int) -> None:
    """The second week's Friday is the latest date: whoever works on Saturdays alone has to come the week before."""
    allowed = windows(
        np.array([5 + 7 + 4.0]), np.array([-50.0]), np.zeros(1, bool), 5.0, 52, 8, last_worked=last_worked
    )
    assert allowed.last.tolist() == [week]


def test_no_visit_is_brought_into_the_horizon_before_its_earliest_date() -> None:
    """README: no routine visit sooner than the shortest interval, unless a date of its own asks for it."""
    latest, earliest = np.array([500.0, 500.0, 20.0]), np.array([5 + 28.0, 5 + 21.0, 300.0])
    allowed = windows(latest, earliest, np.zeros(3, bool), 5.0, 4, 8)
    assert allowed.must.tolist() == [False, False, True]
    when = 5.0 + 7 * np.arange(4) + 3
    chances = weibull(np.full(3, 200.0), 4.0, np.full(3, 100.0))
    costs = week_costs(chances, allowed, np.full(3, 0.01), 0.1, when, latest)
    assert np.isfinite(costs.cost).tolist() == [[False] * 4, [False] * 3 + [True], [False, True, False, False]]
    assert np.isfinite(costs.without).all()


def test_a_firm_that_accepts_the_tolerance_is_priced_so_that_its_typical_install_is_visited_there() -> None:
    eta, age = np.full(9, 800.0), np.full(9, 200.0)
    cycles = FreshCycles.of(weibull(eta, 3.0, age), age)
    hours = np.full(9, 1.5)
    price = hour_price(cycles, hours, 0.10)
    assert cycles.chance_at(cycles.best_age(price * hours)) == pytest.approx(0.10, rel=1e-6)


def test_the_price_of_a_day_is_least_where_a_cycle_may_run_its_best_length() -> None:
    eta, age = np.linspace(300, 3000, 30), np.full(30, 100.0)
    cycles = FreshCycles.of(weibull(eta, 3.0, age), age)
    price, short, long = np.full(30, 15.0), np.full(30, 90.0), np.full(30, 365.0)
    g = day_price(cycles, price, short, long)
    free = day_price(cycles, price, np.full(30, 1.0), np.full(30, 1e5))
    assert np.all(free <= g + 1e-12)
    assert day_price(cycles, price, short, long, 0.1) == pytest.approx(np.minimum(g, 0.1))
    assert g.max() > 0.1


def test_a_weibull_optimum_agrees_with_a_continuous_minimisation() -> None:
    fine = np.linspace(0, 3000, 6000)
    eta, beta, price = 700.0, 3.0, 20.0
    cycles = FreshCycles.of(weibull(np.array([eta]), beta, np.array([1.0]), fine), np.array([1.0]))

    def rate(t: float) -> float:
        return (price + integrate.quad(lambda x: -np.expm1(-((x / eta) ** beta)), 0, t)[0]) / t

    found = optimize.minimize_scalar(rate, bounds=(10, 2500), method="bounded", options={"xatol": 1e-6})
    assert cycles.best_age(np.array([price]))[0] == pytest.approx(found.x, rel=1e-3)


def test_no_chance_at_all_is_written_without_a_sign() -> None:
    assert not np.signbit(combined_chance(np.array([0.0, 1e-300]))).any()
