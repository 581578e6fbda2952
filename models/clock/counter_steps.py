"""What counters say between visits: swaps told from mistyped ones, steps that were counted from those that were not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.arrays import Floats, Ints
from models.clock.hours import Installs

MOST_HOURS_PER_DAY = 24.0
SLACK_DAYS = 2.0  # a counter is read at an hour of the day that nobody notes
HOURS_TO_SEE = 100.0  # so many hours a counter shows, also of an appliance that runs little
DEFAULT_WEATHER_SD = 0.08  # relative, from one year to the next, where the data are too few to tell


@dataclass
class Nodes:
    """The points of an install's clock: its installation (visit -1, counter 0) and its counted visits, in order."""

    visit: Ints
    install: Ints
    day: Ints
    counter: Floats
    load: Floats

    def keep(self, kept: NDArray[np.bool_]) -> Nodes:
        return Nodes(self.visit[kept], self.install[kept], self.day[kept], self.counter[kept], self.load[kept])

    def steps(self) -> tuple[NDArray[np.bool_], Floats, Floats, Floats]:
        """From the node before, of the same install: is there one, counter, days and load years gone."""
        linked = np.zeros(len(self.visit), bool)
        linked[1:] = self.install[1:] == self.install[:-1]
        gone = [np.diff(a, prepend=a[:1]).astype(float) for a in (self.counter, self.day, self.load)]
        return linked, gone[0], gone[1], gone[2]


def nodes_of(
    installs: Installs, install_no: Ints, day: Ints, counter: Floats, installed_load: Floats, visit_load: Floats
) -> Nodes:
    """install_no, day, counter, visit_load: one entry per visit, by install and in order."""
    counted = np.flatnonzero(np.isfinite(counter))
    everyone = np.arange(len(installs.model_no))
    at = np.arange(len(counted)) + install_no[counted] + 1  # behind the installations up to its own
    install = np.repeat(everyone, np.bincount(install_no[counted], minlength=len(everyone)) + 1)
    visit, hours = np.full(len(install), -1), np.zeros(len(install))
    visit[at], hours[at] = counted, counter[counted]
    # A visit dated before the installation (a commissioning entered late) stands at the installation.
    on, load = installs.installed_day[install], installed_load[install]
    on[at], load[at] = np.maximum(day[counted], on[at]), np.maximum(visit_load[counted], load[at])
    return Nodes(visit, install, on, hours, load)


def most_hours(days: Floats) -> Floats:
    return MOST_HOURS_PER_DAY * (days + SLACK_DAYS)


def misfit(gone: Floats, wanted: Floats) -> Floats:
    return np.abs(np.log(np.maximum(gone, 1.0) / wanted))


def silent_zeros(nodes: Nodes, typical: Floats) -> NDArray[np.bool_]:
    """Zeros that stand for "not read", as many programmes export an empty cell: hours must have passed since, and no
    counter that began anew at that visit follows. Of several in a row the last alone may be such a beginning."""
    zero = (nodes.counter <= 0) & (nodes.visit >= 0)
    if not zero.any():
        return zero
    every = np.arange(len(zero))
    before = np.maximum.accumulate(np.where(zero, -1, every))  # of the same install: its installation is no zero
    following = np.append(nodes.install[1:] == nodes.install[:-1], False)
    after = np.minimum(every + 1, len(every) - 1)
    expected = lambda start, end: np.maximum(typical[nodes.install] * (nodes.load[end] - nodes.load[start]), 1.0)
    over = nodes.counter[after] - nodes.counter[before]
    days = (nodes.day[after] - nodes.day[before]).astype(float)
    goes_on = (over >= 0) & (over <= most_hours(days))
    goes_on &= misfit(over, expected(before, after)) < misfit(nodes.counter[after], expected(every, after))
    begins = following & ~zero[after] & ~goes_on
    return zero & (expected(before, every) >= HOURS_TO_SEE) & ~begins


def without_mistyped(nodes: Nodes, typical: Floats) -> tuple[Nodes, Ints]:
    """Leave out zeros that are no readings, and counters that go up and down again, or down and up again, where no swap
    explains them better."""
    silent = silent_zeros(nodes, typical)
    dropped = [nodes.visit[silent]]
    if silent.any():
        nodes = nodes.keep(~silent)
    for _ in range(2):
        linked, hours, days, load = nodes.steps()
        expected = np.maximum(typical[nodes.install] * load, 1.0)
        after = np.append(linked[1:], False)
        nxt = {"hours": np.append(hours[1:], 0), "days": np.append(days[1:], 0), "expected": np.append(expected[1:], 1)}
        over = hours + nxt["hours"]  # from the node before to the node after
        straight = linked & after & (over >= 0) & (over <= most_hours(days + nxt["days"]))

        without = misfit(over, expected + nxt["expected"])
        spike = (
            straight
            & (nxt["hours"] < 0)
            & (
                (hours > most_hours(days))
                | (np.roll(nodes.counter, -1) > 1.5 * nxt["expected"])
                | (without < misfit(hours, expected))
            )
        )
        dip = (
            straight
            & (hours < 0)
            & ((nxt["hours"] > most_hours(nxt["days"])) | (without < misfit(nxt["hours"], nxt["expected"])))
        )
        # Far off on both sides where the line through its neighbours fits: mistyped too, though it could just be.
        off = straight & (hours >= 0) & (nxt["hours"] >= 0) & (without < 0.35)
        off &= (misfit(hours, expected) > 0.8) & (misfit(nxt["hours"], nxt["expected"]) > 0.8)
        # The last counter of an install has nothing after it: only the impossible is left out.
        end = linked & ~after & (hours > most_hours(days)) & (nodes.counter - hours > 0)
        bad = (spike | dip | off | end) & (nodes.visit >= 0)
        bad[1:] &= ~bad[:-1]  # one at a time: a neighbour is judged again without it
        if not bad.any():
            break
        dropped.append(nodes.visit[bad])
        nodes = nodes.keep(~bad)
    return nodes, np.concatenate(dropped)


def first_step(nodes: Nodes) -> NDArray[np.bool_]:
    """Nodes whose node before is the installation."""
    return np.append(False, (nodes.visit[:-1] < 0) & (nodes.install[1:] == nodes.install[:-1]))


def counted_steps(nodes: Nodes, usual: Floats, rel_sd: Floats) -> NDArray[np.bool_]:
    """Steps whose hours were counted: the counter neither fell nor ran faster than time, and began at zero if first.

    usual, rel_sd: hours per year of each install as far as known and the relative error of that; shape (installs,).
    """
    linked, hours, days, load = nodes.steps()
    counted = linked & (hours >= 0) & (hours <= most_hours(days))
    # Whether the counter stood at zero when installed is not written anywhere: believed if the hours are as expected.
    first = np.flatnonzero(first_step(nodes))
    i = nodes.install[first]
    expected = np.maximum(usual[i] * load[first], 1.0)
    allowed = 3.0 * np.sqrt(rel_sd[i] ** 2 + DEFAULT_WEATHER_SD**2 / np.maximum(load[first], 0.1)) + 0.05
    away = np.abs(np.log(np.maximum(hours[first], 1.0) / expected))
    counted[first] &= (expected <= 300.0) | (away <= allowed)
    return counted


def node_hours(
    nodes: Nodes, per_year: Floats, counted: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.bool_], Ints, Ints]:
    """Hours since installation at each node, whether counted, and the visits of swaps and of impossible counters."""
    linked, hours, days, load = nodes.steps()
    expected = per_year[nodes.install] * load
    # A counter that fell was set back at an unknown time: it holds the hours since then, and the whole stretch as
    # many as usual, or as many as it holds itself where that is more and possible.
    swapped = linked & (hours < 0)
    since = np.where(swapped & (nodes.counter <= 1.5 * expected), nodes.counter, 0.0)
    gone = np.where(counted, hours, np.minimum(np.maximum(expected, since), most_hours(days)))
    total = np.cumsum(np.where(linked, gone, 0.0))
    start = np.flatnonzero(~linked)
    total = total - np.repeat(total[start], np.diff(np.append(start, len(total))))
    impossible = linked & (hours > most_hours(days))
    return total, counted, nodes.visit[swapped], nodes.visit[impossible & (nodes.visit >= 0)]
