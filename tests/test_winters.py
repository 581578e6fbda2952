"""Strength of past winters from counters, on fleets where it is known."""

from __future__ import annotations

import numpy as np
import pytest

from models.clock.counters import burner_clock
from models.clock.hours import Installs, LoadCalendar
from models.clock.winters import Winters

YEARS = 8
STRENGTH = np.array([1.0, 1.06, 0.95, 1.1, 1.0, 0.93, 1.04, 0.85])


def test_load_years_count_by_their_strength_and_as_typical_beyond():
    winters = Winters(45, np.array([1.2, 0.9]))
    load = np.array([44.0, 45.0, 45.5, 46.0, 46.5, 47.0, 49.0])
    assert winters.passed(load) == pytest.approx([44.0, 45.0, 45.6, 46.2, 46.65, 47.1, 49.1])
    assert Winters().passed(load) is load


def stretches(rng, n: int, sd: float) -> tuple[np.ndarray, ...]:
    start = rng.uniform(0, YEARS - 1.5, n)
    end = start + rng.uniform(0.5, 1.5, n)
    passed = Winters(0, STRENGTH).passed
    hours = 1500 * (passed(end) - passed(start)) * np.exp(sd * rng.standard_normal(n) / np.sqrt(end - start))
    return start + 45, end + 45, 1500 * (end - start), hours


def test_strengths_come_back_from_stretches_that_straddle_the_years():
    rng = np.random.default_rng(6)
    start, end, expected, hours = stretches(rng, 2000, 0.05)
    hours[::40] *= rng.choice([0.4, 2.0], 50)  # houses left empty, counters mistyped
    found = Winters.learnt(start, end, expected, hours)
    assert found.first == 45
    assert found.strength == pytest.approx(STRENGTH, abs=0.02)


def test_little_is_told_of_a_year_that_few_counters_have_seen():
    rng = np.random.default_rng(7)
    assert len(Winters.learnt(*stretches(rng, 20, 0.05)).strength) == 0
    few = Winters.learnt(*stretches(rng, 40, 0.3)).strength
    assert np.abs(few - 1).max() < 0.6 * np.abs(STRENGTH - 1).max()


@pytest.mark.parametrize("read_last_year", [0.5, 0.0])
def test_hours_since_the_newest_counter_are_those_of_the_winter_that_others_counted(read_last_year):
    """The last winter had 0.85 of a usual year's hours. Installs whose counter was not read since are told so by those
    where it was; where none was read the winter is taken for a typical one."""
    rng, n = np.random.default_rng(8), 300
    calendar = LoadCalendar(np.full((1, 12), 1 / 12))
    begin = int(np.datetime64("2015-01-01").astype(int))
    per_year = 1500 * np.exp(0.25 * rng.standard_normal(n))
    passed = Winters(45, STRENGTH).passed
    begun = passed(np.array(45.0))
    no, day, counter = [], [], []
    late = np.arange(n) < read_last_year * n
    for i in range(n):
        for year in range(1, YEARS + int(late[i])):
            on = begin + 365 * year - int(rng.integers(5, 45))
            load = calendar.years(np.array(0), np.array(on))
            no.append(i)
            day.append(on)
            counter.append(per_year[i] * (passed(load) - begun) * np.exp(0.002 * rng.standard_normal()))
    same = np.zeros(n, int)
    installs = Installs(same, same, same, np.full(n, begin), np.full(n, np.nan))
    clock = burner_clock(installs, np.array(no), np.array(day), np.array(counter), calendar)
    end = int(np.datetime64("2023-01-01").astype(int))
    now = clock.hours_at(calendar, same, np.full(n, end))
    true = per_year * (passed(np.array(53.0)) - begun)
    error = (now - true)[~late] / per_year[~late]  # in usual years
    assert error.mean() == pytest.approx(0.0 if read_last_year else 0.15, abs=0.04)


def test_hours_of_a_visit_between_counters_follow_the_winters_that_others_counted():
    """Read at the ends of 2016 and 2018 only: of the hours between, 0.95 to 1.1 were burnt until the end of 2017."""
    rng, n = np.random.default_rng(9), 200
    calendar = LoadCalendar(np.full((1, 12), 1 / 12))
    passed = Winters(45, STRENGTH).passed
    ends = [int(np.datetime64(f"{year}-01-01").astype(int)) for year in range(2015, 2024)]
    begin, days = ends[0], np.array(ends[1:])
    gone = passed(calendar.years(np.zeros(len(days), int), days)) - passed(np.array(45.0))
    per_year = np.append(1500 * np.exp(0.25 * rng.standard_normal(n)), 1500.0)
    counter = per_year[:, None] * gone
    counter[n, [0, 2, 4, 5, 6, 7]] = np.nan
    same = np.zeros(n + 1, int)
    installs = Installs(same, same, same, np.full(n + 1, begin), np.full(n + 1, np.nan))
    no, day = np.repeat(np.arange(n + 1), len(days)), np.tile(days, n + 1)
    clock = burner_clock(installs, no, day, counter.ravel(), calendar).clock.reshape(n + 1, -1)
    hours = clock[n, 2] - clock[n, 1]
    assert clock[n, 3] - clock[n, 1] == pytest.approx(1500 * 2.05, abs=2)
    assert hours == pytest.approx(1500 * 0.95, abs=10)  # by halves 1538
