"""The staffing programme, against brute force, against HiGHS on the whole programme, and by finite differences."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from models.plan.staffing import (
    MoreHours,
    Staffing,
    crowded_hours,
    lagrangian_bound,
    solve_weeks,
    spread_level,
)
from models.plan.whole_weeks import NO_WEEK, whole_weeks


def area(n: int, weeks: int, seed: int, tight: float = 1.0) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Costs as the plan makes them: falling until an install's best week, rising after it, inf past its last week."""
    rng = np.random.default_rng(seed)
    t = 7.0 * np.arange(weeks) + 3
    eta, age = rng.lognormal(6.2, 0.5, n), rng.uniform(0, 365, n)
    chance = -np.expm1(-(((age[:, None] + t) / eta[:, None]) ** 3))
    cost = np.cumsum(chance, axis=1) * 7 - 0.1 * t
    hours = rng.uniform(0.8, 2.5, n)
    last = np.clip(((365 - age) * weeks / 364).astype(int), 0, weeks - 1)
    cost = np.where(np.arange(weeks) <= last[:, None], cost, np.inf)
    without = cost.min(axis=1) + rng.uniform(40, 90, n)
    return cost, without, hours, np.full(weeks, tight * hours.sum() / weeks)


def whole_programme(cost, without, hours, available):
    n, weeks = cost.shape
    row, week = np.nonzero(np.isfinite(cost))
    k = len(row)
    visits = sparse.csr_matrix((np.ones(k + n), (np.r_[row, np.arange(n)], np.arange(k + n))), shape=(n, k + n))
    budget = sparse.csr_matrix((hours[row], (week, np.arange(k))), shape=(weeks, k + n))
    return linprog(
        np.r_[cost[row, week], without], A_ub=budget, b_ub=available, A_eq=visits, b_eq=np.ones(n), method="highs"
    )


@pytest.mark.parametrize(("n", "tight"), [(60, 0.8), (1200, 0.9), (1200, 1.2)])
def test_generated_columns_reach_the_optimum_of_the_whole_programme(n: int, tight: float) -> None:
    cost, without, hours, available = area(n, 30, seed=n, tight=tight)
    solved = solve_weeks(cost, without, hours, available)
    assert solved.objective == pytest.approx(whole_programme(cost, without, hours, available).fun, rel=1e-9)
    assert abs(solved.bound_gap) < 1e-6 * abs(solved.objective)


@pytest.mark.parametrize("seed", range(6))
def test_whole_weeks_come_near_the_best_that_trying_everything_finds(seed: int) -> None:
    cost, without, hours, _ = area(6, 4, seed)
    available = np.array([3.0, 2.6, 3.2, 2.0])
    best = np.inf
    for choice in itertools.product(range(5), repeat=6):  # 4: no hours
        weeks = np.array(choice)
        load = np.bincount(weeks, hours, minlength=5)[:4]
        if np.all(load <= available):
            best = min(best, sum(without[i] if w == 4 else cost[i, w] for i, w in enumerate(weeks)))
    solved = solve_weeks(cost, without, hours, available)
    week, short = whole_weeks(solved, cost, without, hours, available, np.zeros(6, bool))
    assert solved.objective <= best + 1e-9  # the programme's shares can only do better than whole weeks
    load = np.bincount(week[~short], hours[~short], minlength=4)
    assert np.all(load <= available + 1e-9)
    reached = np.where(short, without, cost[np.arange(6), week]).sum()
    # At most one visit per week is split; each loses at most what it costs to find no hours.
    assert best - 1e-9 <= reached <= best + 4 * (without - cost.min(axis=1)).max()


def test_a_small_team_is_short_of_hardly_more_than_the_best_whole_weeks_are() -> None:
    """Against the integer programme itself (HiGHS by scipy). Weeks have hours for two or three visits, and what is left
    of each would do for none, where visits that the programme splits are only put where there is room."""
    n, weeks, lost, short_of, best_short = 24, 8, 0.0, 0, 0
    for seed in range(8):
        cost, without, _, _ = area(n, weeks, seed)
        hours = np.random.default_rng(seed).uniform(1.2, 2.4, n)
        available = np.full(weeks, 1.1 * hours.sum() / weeks)
        solved = solve_weeks(cost, without, hours, available)
        week, short = whole_weeks(solved, cost, without, hours, available, np.zeros(n, bool))
        assert np.all(np.bincount(week[~short], hours[~short], minlength=weeks) <= available + 1e-9)
        choices = np.column_stack([cost, without])
        install, choice = np.nonzero(np.isfinite(choices))
        k, taken = np.arange(len(install)), choice < weeks
        one = sparse.csr_matrix((np.ones(len(k)), (install, k)), (n, len(k)))
        load = sparse.csr_matrix((hours[install[taken]], (choice[taken], k[taken])), (weeks, len(k)))
        best = milp(choices[install, choice], integrality=np.ones(len(k)), bounds=Bounds(0, 1),
                    constraints=[LinearConstraint(one, 1, 1), LinearConstraint(load, -np.inf, available)],
                    options={"mip_rel_gap": 0.002})  # fmt: skip
        lost += np.where(short, without, cost[np.arange(n), week]).sum() - best.fun
        short_of, best_short = short_of + short.sum(), best_short + int(best.x[~taken].round().sum())
    assert short_of <= best_short + 4  # of 192 visits; 9 more where none is moved
    assert lost < 300  # days in eight areas; 621 where none is moved


def test_where_every_visit_takes_as_long_the_whole_weeks_are_the_best_there_are() -> None:
    # Equal hours and room for whole visits make the matrix totally unimodular: the programme's corners are whole.
    cost, without, _, _ = area(7, 3, seed=11)
    hours, available = np.ones(7), np.array([2.0, 2.0, 2.0])
    best = min(
        sum(without[i] if w == 3 else cost[i, w] for i, w in enumerate(choice))
        for choice in itertools.product(range(4), repeat=7) if max(choice.count(w) for w in range(3)) <= 2
    )  # fmt: skip
    solved = solve_weeks(cost, without, hours, available)
    week, short = whole_weeks(solved, cost, without, hours, available, np.zeros(7, bool))
    assert np.where(short, without, cost[np.arange(7), week]).sum() == pytest.approx(best)
    assert solved.objective == pytest.approx(best)


@pytest.mark.parametrize("seed", range(4))
def test_the_price_of_an_hour_is_what_one_more_hour_saves(seed: int) -> None:
    cost, without, hours, available = area(150, 12, seed, tight=0.9)
    solved = solve_weeks(cost, without, hours, available)
    step = 1e-3  # small enough to stay within one basis of the optimum; both sides are checked
    for week in range(12):
        more, less = available.copy(), available.copy()
        more[week] += step
        less[week] -= step
        gain = (solved.objective - solve_weeks(cost, without, hours, more).objective) / step
        loss = (solve_weeks(cost, without, hours, less).objective - solved.objective) / step
        assert gain - 1e-5 <= solved.hour_price[week] <= loss + 1e-5
        assert gain == pytest.approx(loss, rel=1e-3, abs=1e-4)


def test_an_hour_is_worth_nothing_where_hours_are_left_over() -> None:
    cost, without, hours, available = area(80, 10, seed=2, tight=3.0)
    solved = solve_weeks(cost, without, hours, available)
    used = np.asarray(solved.share.T @ hours)
    slack = used < available - 1e-6
    assert slack.any()
    assert np.all(solved.hour_price[slack] == pytest.approx(0, abs=1e-9))
    week, short = whole_weeks(solved, cost, without, hours, available, np.zeros(80, bool))
    assert not short.any()
    assert np.all(week >= 0)


def test_more_hours_can_be_had_at_their_price_and_no_hour_is_worth_more() -> None:
    cost, without, hours, available = area(80, 10, seed=4, tight=0.7)
    step = MoreHours(np.array([np.full(10, 2.0), np.full(10, np.inf)]), np.array([np.full(10, 1.5), np.full(10, 2.5)]))
    solved = solve_weeks(cost, without, hours, available, step)
    assert solved.hour_price.max() <= 2.5 + 1e-9
    assert solved.objective < solve_weeks(cost, without, hours, available).objective
    assert abs(solved.bound_gap) < 1e-6
    # Two hours more in every week for 1.5 each, or at least as good.
    assert solved.objective <= solve_weeks(cost, without, hours, available + 2.0).objective + 1.5 * 2.0 * 10 + 1e-9


def test_a_heap_in_the_first_weeks_is_levelled_where_each_further_step_is_dearer() -> None:
    n, weeks = 60, 20
    cost = np.where(np.arange(weeks) < 6, 0.5 * np.arange(weeks), np.inf) * np.ones(
        (n, 1)
    )  # all best in the first week
    solved = solve_weeks(
        cost, np.full(n, 500.0), np.ones(n), np.full(weeks, 3.0), crowded_hours(np.full(weeks, 3.0), 2.0)
    )
    load = np.asarray(solved.share.sum(axis=0)).ravel()
    assert load.sum() == pytest.approx(n)
    assert load.max() <= 15  # 10 a week if waiting cost nothing; without the steps all 60 in the first
    assert np.all(np.diff(load[:6]) <= 1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 60), st.integers(1, 20), st.floats(0.0, 2.0))
def test_any_area_gets_an_answer_within_its_hours(seed: int, n: int, weeks: int, tight: float) -> None:
    cost, without, hours, available = area(n, weeks, seed, tight)
    none = np.random.default_rng(seed).random(n) < 0.3
    solved = solve_weeks(cost, without, hours, available)
    week, short = whole_weeks(solved, cost, without, hours, available, none, 5.0)
    made = week != NO_WEEK
    assert np.all(made | none)  # every visit that has to be made is planned
    assert np.all(np.isfinite(cost[np.flatnonzero(made), week[made]]))  # in a week that is allowed
    within = made & ~short
    assert np.all(np.bincount(week[within], hours[within], minlength=weeks) <= available + 1e-6)
    assert not (short & none).any()
    assert lagrangian_bound(cost, without, hours, available, solved.hour_price) <= solved.objective + 1e-6


def test_the_same_area_gives_the_same_weeks() -> None:
    cost, without, hours, available = area(900, 20, seed=5, tight=0.9)
    one, two = (
        whole_weeks(solve_weeks(cost, without, hours, available), cost, without, hours, available, np.zeros(900, bool))[
            0
        ]
        for _ in range(2)
    )
    assert np.array_equal(one, two)


@pytest.mark.parametrize("noise", [-1e-9, 0.0, 1e-9])
def test_the_last_digits_of_prices_choose_no_week(noise: float) -> None:
    # Known truth: a visit that the programme splits costs as much in one of its weeks as in the other.
    shares = sparse.csr_matrix([[0.5, 0.5]])
    solved = Staffing(0.0, np.array([2.0, 1.0 + noise]), shares, np.zeros(1), 0.0)
    week, short = whole_weeks(
        solved, np.array([[1.0, 2.0]]), np.array([90.0]), np.ones(1), np.full(2, 1.0), np.zeros(1, bool)
    )
    assert week.tolist() == [0]
    assert not short.any()


def test_an_area_without_installs_or_without_any_hours() -> None:
    nothing = solve_weeks(np.zeros((0, 5)), np.zeros(0), np.zeros(0), np.ones(5))
    assert nothing.hour_price.tolist() == [0] * 5
    cost, without, hours, _ = area(20, 5, seed=1)
    solved = solve_weeks(cost, without, hours, np.zeros(5))
    week, short = whole_weeks(solved, cost, without, hours, np.zeros(5), np.zeros(20, bool))
    assert short.all()
    assert np.all(week >= 0)
    assert solved.hour_price.max() > 0


def test_what_does_not_fit_together_is_refused() -> None:
    cost, without, hours, available = area(4, 3, seed=0)
    with pytest.raises(ValueError, match="shapes do not agree"):
        solve_weeks(cost, without, hours[:3], available)
    with pytest.raises(ValueError, match="must be numbers"):
        solve_weeks(np.where(np.isfinite(cost), np.nan, cost), without, hours, available)


def test_an_area_without_stated_capacity_is_spread_over_the_days_worked() -> None:
    level = spread_level(np.array([1.0, 2.0, 4.0]), np.array([True, True, False]), np.array([5.0, 5.0, 2.0, 0.0]), 1.2)
    assert level == pytest.approx(1.2 * 3 * np.array([5, 5, 2, 0]) / 12)


@pytest.mark.parametrize("closed", [[3, 7], list(range(12))])
@pytest.mark.parametrize("seed", range(4))
def test_a_week_without_hours_is_worth_what_its_first_hour_would_save(seed: int, closed: list[int]) -> None:
    cost, without, hours, available = area(150, 12, seed, tight=1.1)
    available[closed] = 0.0  # no visit falls there, so that any high enough price would be a dual
    solved = solve_weeks(cost, without, hours, available)
    assert abs(solved.bound_gap) < 1e-6 * abs(solved.objective)
    step = 1e-3
    for week in closed:
        more = available.copy()
        more[week] = step
        saved = (solved.objective - solve_weeks(cost, without, hours, more).objective) / step
        assert solved.hour_price[week] == pytest.approx(saved, abs=1e-3)
