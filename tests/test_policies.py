"""Rules for visiting on drawn fleets whose lives are known: what the long-run figures promise is what happens."""

from __future__ import annotations

import numpy as np
import pytest

from models.plan.policies import by_risk, by_risk_within_hours, equal_shortening, policy_year
from models.plan.renewal import FreshCycles, hour_price
from models.plan.visit_weeks import Chances

NODES = np.r_[0.0, 14.0 + 30.5 * np.arange(36)]
SHAPE = 4.0


def fleet(n: int, seed: int) -> tuple[FreshCycles, np.ndarray, np.ndarray]:
    """Installs with known Weibull lives from a service on, each some way into its cycle; lives and hours of a visit."""
    rng = np.random.default_rng(seed)
    life = 700.0 * rng.lognormal(0, 0.6, n)
    age = rng.uniform(30, 300, n)
    chances = Chances(NODES, -np.expm1(-(((age[:, None] + NODES) / life[:, None]) ** SHAPE)))
    return FreshCycles.of(chances, age), life, rng.uniform(1.0, 2.5, n)


def lived(life: np.ndarray, length: np.ndarray, hours: np.ndarray, years: float, seed: int) -> tuple[float, float]:
    """Hours and out-of-range days per year that drawn lives lead to, each install visited every `length` days."""
    rng = np.random.default_rng(seed)
    end = 365.25 * years
    opened = -rng.random(len(life)) * length  # the installs are spread over their cycles when the years begin
    out, visits = np.zeros(len(life)), np.zeros(len(life))
    while (opened < end).any():
        closed = opened + length
        leaves = opened + life * rng.weibull(SHAPE, len(life))
        out += np.maximum(np.minimum(closed, end) - np.maximum(leaves, 0), 0)
        visits += (closed >= 0) & (closed < end)
        opened = closed
    return float((visits * hours).sum() / years), float(out.sum() / years)


def test_the_long_run_figures_are_what_drawn_lives_lead_to() -> None:
    cycles, life, hours = fleet(4000, seed=1)
    length = np.random.default_rng(2).uniform(200, 700, 4000)
    year = policy_year(cycles, length, hours)
    drawn_hours, drawn_out = lived(life, length, hours, years=40, seed=3)
    # 160,000 years of lives have a standard error of 0.3 %; the curves run straight between months.
    assert year.hours == pytest.approx(drawn_hours, rel=0.01)
    assert year.out_days == pytest.approx(drawn_out, rel=0.015)


def test_five_years_with_stretched_intervals_and_the_same_hours_leave_far_fewer_days_out_of_range() -> None:
    cycles, life, hours = fleet(3000, seed=5)
    interval, short = np.full(3000, 365.0), np.full(3000, 91.0)
    present = policy_year(cycles, interval, hours)
    stretched, price = by_risk_within_hours(cycles, hours, present.hours, short, 1.5 * interval)
    assert price > 0
    fixed_hours, fixed_out = lived(life, interval, hours, 5, seed=8)
    own_hours, own_out = lived(life, stretched, hours, 5, seed=8)
    assert own_hours <= 1.02 * fixed_hours
    assert own_out < 0.7 * fixed_out


def test_five_years_in_which_nothing_is_lengthened_use_each_extra_hour_at_least_twice_as_well() -> None:
    cycles, life, hours = fleet(3000, seed=6)
    interval, short = np.full(3000, 365.0), np.full(3000, 91.0)
    own = by_risk(cycles, hours, hour_price(cycles, hours, 0.10), short, interval)
    equally = equal_shortening(interval, hours, policy_year(cycles, own, hours).hours)
    fixed_hours, fixed_out = lived(life, interval, hours, 5, seed=9)
    own_hours, own_out = lived(life, own, hours, 5, seed=9)
    equal_hours, equal_out = lived(life, equally, hours, 5, seed=9)
    assert np.all(own <= interval + 1e-9)
    per_hour = (fixed_out - own_out) / (own_hours - fixed_hours)
    assert per_hour >= 2 * (fixed_out - equal_out) / (equal_hours - fixed_hours)


def test_one_price_for_all_hours_is_the_best_use_of_them() -> None:
    # Swapping hours between any two installs, keeping their sum, avoids nothing more (first-order condition).
    cycles, _, hours = fleet(60, seed=7)
    short, long = np.full(60, 60.0), np.full(60, 1500.0)
    total = policy_year(cycles, np.full(60, 365.0), hours).hours
    best, _ = by_risk_within_hours(cycles, hours, total, short, long)
    out = policy_year(cycles, best, hours).out_days
    assert policy_year(cycles, best, hours).hours == pytest.approx(total, rel=1e-6)
    rng = np.random.default_rng(1)
    for _ in range(200):
        i, j = rng.choice(60, 2, replace=False)
        moved = best.copy()
        shift = rng.uniform(-0.05, 0.05) * hours[i] / best[i]
        rate_i, rate_j = hours[i] / best[i] + shift, hours[j] / best[j] - shift
        if rate_i <= 0 or rate_j <= 0:
            continue
        moved[i], moved[j] = hours[i] / rate_i, hours[j] / rate_j
        assert policy_year(cycles, moved, hours).out_days >= out - 1e-6 * out


def test_equal_shortening_keeps_the_hours_asked_for() -> None:
    cycles, _, hours = fleet(50, seed=8)
    interval = np.random.default_rng(0).choice([365.0, 548.0], 50)
    present = policy_year(cycles, interval, hours).hours
    shorter = equal_shortening(interval, hours, 1.3 * present)
    assert policy_year(cycles, shorter, hours).hours == pytest.approx(1.3 * present)
    assert shorter / interval == pytest.approx(1 / 1.3)


def test_a_share_that_begins_out_of_range_draws_no_visits() -> None:
    chance = np.vstack([np.full(37, 0.4), np.linspace(0.0, 0.9, 37)])
    chances, age = Chances(NODES, chance), np.array([100.0, 100.0])
    hopeless = FreshCycles.of(chances, age, np.array([0.4, 0.0]))
    length = by_risk(hopeless, np.ones(2), 20.0, np.full(2, 91.0), np.full(2, 365.0))
    assert length[0] == 365.0
    assert length[1] < 365.0
    assert hopeless.days_out(np.array([50.0, 50.0]))[0] == pytest.approx(20.0)
    assert hopeless.chance_at(np.array([1.0, 1.0])) == pytest.approx([0.4, 0.0])
