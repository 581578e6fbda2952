"""Tries a rule for visiting on a fleet whose truth is known, and counts the days it leaves installs out of range.

A rule sees only what has been recorded so far (`Seen`) and answers with the day of each install's next visit. All rules
meet the same installs, weather and luck. Breakdown visits are left out: what is counted is what they would cost.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.sample.records import names
from pipeline.sample.scenario import Scenario
from pipeline.sample.schedule import past_visits
from pipeline.sample.simulate import ANNUAL, Fleet, Visits
from pipeline.sample.truth import K, build_truth
from pipeline.sample.write import write_fleet


@dataclass
class Seen:
    """What has been recorded of a fleet by the start of `day`, and nothing of its truth.

    day: days since 1970-01-01.   number: the installs' numbers, as in their keys, shape (n,).
    last_day: last visit of each install, or the start of the records.   visits: number of visits so far, shape (n,).
    interval_days: the present interval of each install's model.
    """

    day: int
    number: np.ndarray
    last_day: np.ndarray
    visits: np.ndarray
    interval_days: np.ndarray
    _fleet: Fleet
    _rounds: list[Visits]

    @property
    def install_ids(self) -> pl.Series:
        """The installs' keys, in the order of the arrays."""
        return names("K", self.number, 7)

    def write(self, folder: Path) -> None:
        """Write what has been recorded as a fleet folder without dirt, so that a rule can run the pipeline on it.

        Visits on `day` and later are not in it; `as_of` is the day before.
        """
        write_fleet(folder, self._fleet, Visits.joined(self._rounds), self.day - 1)


Rule = Callable[[Seen], np.ndarray]


@dataclass(frozen=True)
class Outcome:
    """What a rule led to, one entry per install.

    days: simulated days, the same for all.    visits, minutes: number of visits and time on site.
    out_days: days on which anything was truly out of range; out_days_by_series: (n, 8).
    made: all visits made, by install and then in time.
    """

    days: int
    visits: np.ndarray
    minutes: np.ndarray
    out_days: np.ndarray
    out_days_by_series: np.ndarray
    made: Visits

    def hours(self, travel_minutes: float = 20.0) -> float:
        """Technician hours of all visits, travel included."""
        return float((self.minutes + travel_minutes * self.visits).sum() / 60)


def grown_fleet(scenario: Scenario) -> tuple[Fleet, list[Visits]]:
    """The whole fleet at the end of its records, in one block, with its past visits in rounds."""
    fleet = Fleet(scenario, build_truth(scenario, 0, scenario.installs))
    return fleet, list(past_visits(fleet))


def follow(scenario: Scenario, rule: Rule, years: float = 5.0, step_days: int = 28) -> Outcome:
    """Simulate the years after a scenario's records with the visits that a rule asks for.

    rule: called every `step_days`; given what has been recorded (`Seen`) it returns the day of each install's next
    visit, shape (n,), inf for none in sight. Visits that fall in the coming step are made, those due earlier on its
    first day; at most one visit of an install in a step. years: above 0, at most 14 (the burner-hours calendar ends
    there), else ValueError.
    """
    if not 0 < years <= 14:
        raise ValueError(f"years is {years}; a rule can be followed for up to 14 years.")
    fleet, rounds = grown_fleet(scenario)
    n, start = len(fleet.truth), scenario.until_day + 1
    end = start + round(years * 365.25)
    interval = np.array([m.interval_months for m in scenario.models])[fleet.truth.model] * 30.44
    every = np.arange(n)
    counted_to = np.full(n, start)
    out, by_series, minutes, visits = np.zeros(n), np.zeros((n, K)), np.zeros(n), np.zeros(n)
    made = []
    for day in range(start, end, step_days):
        seen = Seen(day, fleet.truth.number, fleet.last_day.copy(), fleet.turn.copy(), interval, fleet, rounds)
        asked = np.asarray(rule(seen), dtype=float)
        due = np.flatnonzero(asked < min(day + step_days, end))
        if not len(due):
            continue
        on = np.maximum(np.floor(asked[due]), np.maximum(day, fleet.last_day[due] + 1)).astype(np.int64)
        _count(fleet, due, counted_to[due], on, out, by_series)
        done = fleet.visit(due, on, np.full(len(due), ANNUAL))
        counted_to[due] = on
        minutes[due] += done.minutes
        visits[due] += 1
        rounds.append(done)
        made.append(done)
    _count(fleet, every, counted_to, np.full(n, end), out, by_series)
    none = np.zeros(0, dtype=np.int64)
    log = Visits.joined(made or [fleet.visit(none, none, none)])
    return Outcome(end - start, visits, minutes, out, by_series, log)


def _count(
    fleet: Fleet, install: np.ndarray, since: np.ndarray, until: np.ndarray, out: np.ndarray, by_series: np.ndarray
) -> None:
    enter, leave = fleet.in_range(install, since, until)
    span = (until - since).astype(float)
    by_series[install] += span[:, None] - np.clip(leave - enter, 0.0, span[:, None])
    # In range on everything: where all the intervals overlap.
    out[install] += span - np.clip(leave.min(axis=1) - enter.max(axis=1), 0.0, span)


def fixed_interval(factor: float = 1.0) -> Rule:
    """The rule of today: everyone at the model's interval, times a factor."""
    return lambda seen: seen.last_day + factor * seen.interval_days


def foreknowing(tolerance_days: float = 0.0, longest: float = 1.0) -> Rule:
    """A rule that knows the truth: visit when something leaves its range, at the latest at `longest` intervals.

    No rule that has to forecast can be expected to do better with as few visits; for tests of what is possible at all.
    """

    def rule(seen: Seen) -> np.ndarray:
        fleet = seen._fleet
        every = np.arange(len(seen.number))
        leaves = fleet.out_days(every, seen.last_day).min(axis=1)
        latest = seen.last_day + longest * seen.interval_days
        # What was left out of range would be visited day after day; such an install waits for its interval.
        hopeless = leaves <= seen.last_day
        return np.where(hopeless, latest, np.minimum(leaves + tolerance_days, latest))

    return rule
