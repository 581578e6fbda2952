"""The burner-hours clock of every install, from the counters read at visits.

A counter counts burner hours since installation until somebody swaps the control (it starts again near zero) or
mistypes it. Here mistyped counters are told from swaps, hours per year are estimated with their uncertainty, and each
visit gets the burner hours since installation. Everything is vectorised over visits; installs are numbered from 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from models.arrays import Floats, Ints
from models.clock.counter_steps import (
    Nodes,
    counted_steps,
    first_step,
    in_order,
    node_hours,
    nodes_of,
    without_mistyped,
)
from models.clock.hours import Installs, LoadCalendar, in_blocks
from models.clock.winters import Winters
from models.clock.yearly_hours import hours_per_year, typical_hours, usual_hours


@dataclass(frozen=True)
class Clock:
    """Hours per year of each install and the clock at each visit.

    hours_per_year, rel_sd: shape (installs,); rel_sd is the lasting relative error of hours_per_year.
    basis: shape (installs,), a position in `yearly_hours.BASES`.
    weather_sd: relative standard deviation of one load year's hours about an install's usual year.
    clock: burner hours since installation at each visit, never falling within an install.   exact: counted throughout.
    counted_day, counted_hours: shape (installs,): the newest accepted counter; the installation where there is none.
    start_hours: (installs,) burner hours since installation at start_day; 0 where none was asked.
    swaps: visit indices at which a counter had been set back.   mistyped: visit indices whose counter is not taken.
    """

    hours_per_year: Floats
    rel_sd: Floats
    basis: NDArray[np.int8]
    weather_sd: float
    clock: Floats
    exact: NDArray[np.bool_]
    counted_day: Ints
    counted_hours: Floats
    start_hours: Floats
    swaps: Ints
    mistyped: Ints
    winters: Winters = field(default_factory=Winters)

    def hours_at(self, calendar: LoadCalendar, area_no: Ints, day: Ints) -> Floats:
        """Burner hours since installation of every install at a day at or after its newest counter; (installs,)."""
        now, then = (self.winters.passed(calendar.years(area_no, d)) for d in (day, self.counted_day))
        ahead = now - then
        return self.counted_hours + self.hours_per_year * np.maximum(ahead, 0.0)


def burner_clock(
    installs: Installs,
    install_no: Ints,
    day: Ints,
    counter: Floats,
    calendar: LoadCalendar,
    start_day: Ints | None = None,
) -> Clock:
    """The clock of a fleet.

    install_no, day, counter: one entry per visit, sorted by install, day and the order within the day;
    counter in hours, nan where none was read.   start_day: (installs,) a day of each install to give the clock of too.
    """
    installed_load = calendar.years(installs.area_no, installs.installed_day)
    visit_load = in_blocks(lambda install, on: calendar.years(installs.area_no[install], on), install_no, day)
    nodes = nodes_of(installs, install_no, day, counter, installed_load, visit_load)
    read = (nodes.counter > 0) | (nodes.visit < 0)  # a zero may be no reading
    typical = typical_hours(nodes if read.all() else nodes.keep(read), installs)
    nodes, mistyped = without_mistyped(nodes, typical)
    usual, usual_sd = usual_hours(nodes, typical)
    per_year, rel_sd, basis, weather_sd = hours_per_year(nodes, installs, usual, usual_sd)
    winters = _winters(nodes, per_year, counted_steps(nodes, usual, usual_sd))
    visit_load = in_blocks(winters.passed, visit_load)
    nodes = replace(nodes, load=in_blocks(winters.passed, nodes.load))
    # what the weather of years to come may be stays as it was measured without knowing any
    per_year, rel_sd, basis, _ = hours_per_year(nodes, installs, usual, usual_sd)
    hours, exact, swaps, more_mistyped = node_hours(nodes, per_year, counted_steps(nodes, usual, usual_sd))

    def between(at: Ints, install: Ints, load: Floats) -> Floats:
        """Hours at a load year from node `at` on: by the load to the next node, by hours per year after the last."""
        after = np.minimum(at + 1, len(nodes.visit) - 1)
        has_next = (after > at) & (nodes.install[after] == install)
        span = np.where(has_next, nodes.load[after] - nodes.load[at], 0.0)
        gone = np.maximum(load - nodes.load[at], 0.0)
        share = np.divide(gone, span, out=np.zeros_like(gone), where=span > 0)
        within = hours[at] + np.minimum(share, 1.0) * (hours[after] - hours[at])
        return np.where(has_next, within, hours[at] + per_year[install] * gone)

    visits = in_order(install_no, np.arange(len(day)))
    at = np.searchsorted(in_order(nodes.install, nodes.visit), visits, side="right") - 1
    last = np.flatnonzero(np.append(nodes.install[1:] != nodes.install[:-1], True))
    visit_exact = np.zeros(len(day), bool)
    visit_exact[nodes.visit[nodes.visit >= 0]] = exact[nodes.visit >= 0]
    start = np.zeros(len(installs.model_no))
    if start_day is not None:
        begin = np.maximum(start_day, installs.installed_day)
        everyone = np.arange(len(begin))
        before = np.searchsorted(in_order(nodes.install, nodes.day), in_order(everyone, begin), side="right") - 1
        start = between(before, everyone, winters.passed(calendar.years(installs.area_no, begin)))
    clock = in_blocks(between, at, install_no, visit_load)
    return Clock(
        per_year, rel_sd, basis, weather_sd, clock, visit_exact, nodes.day[last],
        hours[last], start, swaps, np.unique(np.concatenate([mistyped, more_mistyped])),
        winters,
    )  # fmt: skip


def _winters(nodes: Nodes, per_year: Floats, counted: NDArray[np.bool_]) -> Winters:
    _, hours, _, load = nodes.steps()
    at = np.flatnonzero(counted & ~first_step(nodes) & (load > 0.3) & (load < 2.5) & (hours > 0))
    expected = per_year[nodes.install[at]] * load[at]
    return Winters.learnt(nodes.load[at] - load[at], nodes.load[at], expected, hours[at])
