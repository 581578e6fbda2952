"""The weeks of one area's installs, against what each week costs an install."""

from __future__ import annotations

import numpy as np
import pytest
from plan_store import AS_OF, plan_store

from models.plan.policies import by_risk
from models.plan.renewal import day_price, hour_price
from models.plan.visit_weeks import Chances
from pipeline.settings import Settings
from pipeline.stages.plan_areas import Area, Terms, plan_area, waiting
from pipeline.stages.plan_inputs import MONTH_DAYS, read_fleet, week_calendar
from pipeline.stages.plan_rules import compare_tolerances


def test_with_hours_to_spare_the_week_is_the_one_whose_day_costs_least() -> None:
    """Out-of-range days until the visit less the long-run cost of the cycle it shortens, D(t) - g t (Barlow & Hunter
    1960), with D by quadrature, t the Thursday of each week; no interval and no tolerance that binds before."""
    n, nodes = 80, np.r_[0.0, 13.0 + 30.5 * np.arange(36)]
    rng = np.random.default_rng(4)
    scale, age, hours = rng.uniform(350, 800, n), rng.uniform(50, 300, n), rng.uniform(0.8, 2.5, n)
    chance = -np.expm1(-(((age[:, None] + nodes) / scale[:, None]) ** 3.0))
    nothing, never = np.zeros(n, bool), np.full(n, np.inf)
    settings = Settings(risk_tolerance=0.95)
    calendar = week_calendar(AS_OF, settings.plan)
    area = Area(
        Chances(nodes, chance), never, -age, np.full(n, 4000.0), np.zeros(n), hours, chance[:, 0], never, nothing,
        nothing, nothing, nothing, np.zeros(n), np.full(52, 1e6),
    )  # fmt: skip
    made = plan_area(area, Terms(12.0, calendar, settings))
    g = day_price(area.cycles(), 12.0 * hours, np.full(n, 91.3), np.full(n, 4000.0), 0.95)
    thursdays = np.array([(monday - AS_OF).days + 3 for monday in calendar.mondays])
    days = np.arange(thursdays[-1] + 1)
    inside = 0
    for i in range(n):
        out = np.interp(days, nodes, chance[i])
        until = np.r_[0.0, np.cumsum((out[1:] + out[:-1]) / 2)][thursdays]
        first = max(int(np.ceil((91.3 - age[i] - calendar.first_monday) / 7)), 0)
        cost = np.where(np.arange(52) >= first, until - g[i] * thursdays, np.inf)
        if first < cost.argmin() < 51:
            inside += 1
            assert abs(made.week[i] - cost.argmin()) <= (0 if np.diff(np.sort(cost)[:2]) > 0.01 else 1)
    assert inside > 30
    assert not made.short.any()


def test_a_scenario_is_each_install_followed_day_by_day() -> None:
    store = plan_store(80, seed=6)
    settings = Settings(risk_tolerance=0.1)
    fleet = read_fleet(store, AS_OF, settings.plan, 0.1)
    calendar, hours = week_calendar(AS_OF, settings.plan), np.linspace(0.5, 3.0, 80)
    told = compare_tolerances(fleet, hours, calendar, settings)
    cycles, days = fleet.cycles(np.arange(80)), np.arange(364) + 0.5
    repeated = 0
    for row in told.iter_rows(named=True):
        tolerance = row["risk_tolerance"]
        price = hour_price(cycles, hours, tolerance)
        length = by_risk(cycles, hours, price, np.full(80, 3 * MONTH_DAYS), fleet.length, tolerance)
        first = np.maximum(np.minimum(length - cycles.age, fleet.latest), calendar.first_monday)
        out, visits = 0.0, np.zeros(80)
        for i in range(80):
            waiting = np.interp(days, fleet.sound.nodes, fleet.sound.chance[i])
            age = np.full((80, 364), (days - first[i]) % length[i])
            chance = np.where(days < first[i], waiting, [cycles.chance_at(a)[i] for a in age.T])
            out += chance.sum()
            visits[i] = np.count_nonzero(np.arange(first[i], 364, length[i]) < 364)
        repeated += np.count_nonzero(visits > 1)
        assert row["visits"] == visits.sum()
        assert row["hours"] == pytest.approx(visits @ hours, abs=0.01)
        assert row["expected_out_days"] == pytest.approx(out, rel=2e-3)  # days at their middle
    assert repeated > 20


def test_the_farther_out_the_sooner_up_to_twice_the_limit() -> None:
    nothing, some = np.zeros(5, bool), np.array([False, True, True, True, False])
    nodes = np.array([0.0, 4000.0])
    area = Area(
        Chances(nodes, np.full((5, 2), 0.05)), np.full(5, 300.0), np.full(5, -60.0), np.full(5, 365.0), np.zeros(5),
        np.ones(5), np.full(5, 0.05), np.full(5, np.inf), some, np.array([*nothing[:4], True]), nothing, nothing,
        np.array([0.0, 0.2, 1.0, 7.0, 7.0]), None,
    )  # fmt: skip
    waits = waiting(area, area.cycles(), Settings())
    assert waits.urgency.tolist() == [0.0, 1.2, 2.0, 2.0, 10.0]  # as `plan_areas` states them: own judgement
    assert (waits.latest < 0).tolist() == [False, True, True, True, True]
