"""The weeks of one area's installs, against what each week costs an install."""

from __future__ import annotations

import numpy as np
from plan_store import AS_OF

from models.plan.renewal import day_price
from models.plan.visit_weeks import Chances
from pipeline.settings import Settings
from pipeline.stages.plan_areas import Area, Terms, plan_area
from pipeline.stages.plan_inputs import week_calendar


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
