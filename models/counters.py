"""The burner-hours clock of every install, from the counters read at visits.

A counter counts burner hours since installation until somebody swaps the control (it starts again near zero) or
mistypes it. Here mistyped counters are told from swaps, hours per year are estimated with their uncertainty, and each
visit gets the burner hours since installation. Everything is vectorised over visits; installs are numbered from 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from models.hours import Floats, Ints, LoadCalendar
from models.winters import Winters

MOST_HOURS_PER_DAY = 24.0
SLACK_DAYS = 2.0  # a counter is read at an hour of the day that nobody notes
DEFAULT_HOURS_PER_YEAR = 1800.0  # common practice, no source: between a mild and a cold climate's full-load hours
DEFAULT_BETWEEN_SD = 0.35  # relative, between installs of one model, where the data are too few to tell
DEFAULT_ESTIMATE_SD = 0.25  # relative, of a stated estimate, where the data are too few to tell
DEFAULT_WEATHER_SD = 0.08  # relative, from one year to the next, where the data are too few to tell
FEWEST_TO_MEASURE = 20  # intervals or installs from which a spread is measured rather than taken as above
BASES = ("counter", "estimate", "model", "design", "fleet", "default")


@dataclass(frozen=True)
class Installs:
    """What the clock needs of each install; every array has shape (installs,).

    model_no, design_no, area_no: numbers from 0.   installed_day: days from 1970-01-01.
    stated_hours: burner hours per year as estimated by whoever keeps the records; nan where there is none.
    """

    model_no: Ints
    design_no: Ints
    area_no: Ints
    installed_day: Ints
    stated_hours: Floats


@dataclass(frozen=True)
class Clock:
    """Hours per year of each install and the clock at each visit.

    hours_per_year, rel_sd: shape (installs,); rel_sd is the lasting relative error of hours_per_year.
    basis: shape (installs,), a position in BASES.
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


@dataclass
class _Nodes:
    """The points of an install's clock: its installation (visit -1, counter 0) and its counted visits, in order."""

    visit: Ints
    install: Ints
    day: Ints
    counter: Floats
    load: Floats

    def keep(self, kept: NDArray[np.bool_]) -> _Nodes:
        return _Nodes(self.visit[kept], self.install[kept], self.day[kept], self.counter[kept], self.load[kept])

    def steps(self) -> tuple[NDArray[np.bool_], Floats, Floats, Floats]:
        """From the node before, of the same install: is there one, counter, days and load years gone."""
        linked = np.zeros(len(self.visit), bool)
        linked[1:] = self.install[1:] == self.install[:-1]
        gone = [np.diff(a, prepend=a[:1]).astype(float) for a in (self.counter, self.day, self.load)]
        return linked, gone[0], gone[1], gone[2]


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
    visit_load = calendar.years(installs.area_no[install_no], day)
    nodes = _nodes(installs, install_no, day, counter, installed_load, visit_load)
    typical = _typical(nodes, installs)
    nodes, mistyped = _without_mistyped(nodes, typical)
    usual, usual_sd = _usual(nodes, typical)
    per_year, rel_sd, basis, weather_sd = _hours_per_year(nodes, installs, usual, usual_sd)
    winters = _winters(nodes, per_year, _counted_steps(nodes, usual, usual_sd))
    visit_load = winters.passed(visit_load)
    nodes = replace(nodes, load=winters.passed(nodes.load))
    # what the weather of years to come may be stays as it was measured without knowing any
    per_year, rel_sd, basis, _ = _hours_per_year(nodes, installs, usual, usual_sd)
    hours, exact, swaps, more_mistyped = _node_hours(nodes, per_year, _counted_steps(nodes, usual, usual_sd))

    def between(at: Ints, install: Ints, load: Floats) -> Floats:
        """Hours at a load year from node `at` on: by the load to the next node, by hours per year after the last."""
        after = np.minimum(at + 1, len(nodes.visit) - 1)
        has_next = (after > at) & (nodes.install[after] == install)
        span = np.where(has_next, nodes.load[after] - nodes.load[at], 0.0)
        gone = np.maximum(load - nodes.load[at], 0.0)
        share = np.divide(gone, span, out=np.zeros_like(gone), where=span > 0)
        within = hours[at] + np.minimum(share, 1.0) * (hours[after] - hours[at])
        return np.where(has_next, within, hours[at] + per_year[install] * gone)

    at = np.searchsorted(_order(nodes.install, nodes.visit), _order(install_no, np.arange(len(day))), side="right") - 1
    last = np.flatnonzero(np.append(nodes.install[1:] != nodes.install[:-1], True))
    visit_exact = np.zeros(len(day), bool)
    visit_exact[nodes.visit[nodes.visit >= 0]] = exact[nodes.visit >= 0]
    start = np.zeros(len(installs.model_no))
    if start_day is not None:
        begin = np.maximum(start_day, installs.installed_day)
        everyone = np.arange(len(begin))
        before = np.searchsorted(_order(nodes.install, nodes.day), _order(everyone, begin), side="right") - 1
        start = between(before, everyone, winters.passed(calendar.years(installs.area_no, begin)))
    return Clock(
        per_year, rel_sd, basis, weather_sd, between(at, install_no, visit_load), visit_exact, nodes.day[last],
        hours[last], start, swaps, np.unique(np.concatenate([mistyped, more_mistyped])),
        winters,
    )  # fmt: skip


def _order(install: Ints, visit: Ints) -> Ints:
    """One sortable number for install and visit (or day); the installation (visit -1) comes before any visit."""
    return (install.astype(np.int64) << 32) + visit + 1


def _nodes(
    installs: Installs, install_no: Ints, day: Ints, counter: Floats, installed_load: Floats, visit_load: Floats
) -> _Nodes:
    counted = np.flatnonzero(np.isfinite(counter))
    everyone = np.arange(len(installs.model_no))
    visit = np.concatenate([np.full(len(everyone), -1), counted])
    install = np.concatenate([everyone, install_no[counted]])
    order = np.argsort(_order(install, visit), kind="stable")
    install = install[order]
    # A visit dated before the installation (a commissioning entered late) stands at the installation.
    start_day, start_load = installs.installed_day[install], installed_load[install]
    return _Nodes(
        visit[order],
        install,
        np.maximum(np.concatenate([installs.installed_day, day[counted]])[order], start_day),
        np.concatenate([np.zeros(len(everyone)), counter[counted]])[order],
        np.maximum(np.concatenate([installed_load, visit_load[counted]])[order], start_load),
    )


def _most(days: Floats) -> Floats:
    return MOST_HOURS_PER_DAY * (days + SLACK_DAYS)


def _typical(nodes: _Nodes, installs: Installs) -> Floats:
    """A first hours per year of every install: the stated, or the median of its model's counted intervals."""
    linked, hours, days, load = nodes.steps()
    good = linked & (hours > 0) & (hours <= _most(days)) & (load >= 0.3)
    rate, install = hours[good] / load[good], nodes.install[good]
    out = np.full(len(installs.model_no), np.median(rate) if len(rate) else DEFAULT_HOURS_PER_YEAR)
    by_rate = np.argsort(rate)
    for group in (installs.design_no, installs.model_no):
        middle, count = _group_median(group[install], rate, int(group.max(initial=-1)) + 1, by_rate)
        out = np.where(count[group] >= 3, middle[group], out)
    stated = installs.stated_hours
    return np.where(np.isfinite(stated) & (stated > 0), stated, out)


def _group_median(group: Ints, value: Floats, groups: int, by_value: Ints | None = None) -> tuple[Floats, Ints]:
    """Median and count per group number; nan where a group is empty.   by_value: `np.argsort(value)`, where known."""
    by_value = np.argsort(value) if by_value is None else by_value
    grouped = group[by_value]
    # By group, then by value. Few groups are sorted by counting; else numbers that hold both are sorted, several times
    # as fast as two keys.
    if groups <= 1 << 16:
        order = np.argsort(grouped.astype(np.uint16), kind="stable")
    else:
        order = np.sort((grouped.astype(np.int64) << 32) + np.arange(len(value))) & 0xFFFFFFFF
    value, count = value[by_value[order]], np.bincount(group, minlength=groups)
    start = np.cumsum(count) - count
    some = count > 0
    low, high = start + np.maximum(count - 1, 0) // 2, start + count // 2
    middle = np.full(groups, np.nan)
    middle[some] = (value[low[some]] + value[high[some]]) / 2
    return middle, count


def _without_mistyped(nodes: _Nodes, typical: Floats) -> tuple[_Nodes, Ints]:
    """Leave out counters that go up and down again, or down and up again, where no swap explains them better."""
    dropped = []
    for _ in range(2):
        linked, hours, days, load = nodes.steps()
        expected = np.maximum(typical[nodes.install] * load, 1.0)
        after = np.append(linked[1:], False)
        nxt = {"hours": np.append(hours[1:], 0), "days": np.append(days[1:], 0), "expected": np.append(expected[1:], 1)}
        over = hours + nxt["hours"]  # from the node before to the node after
        straight = linked & after & (over >= 0) & (over <= _most(days + nxt["days"]))

        def misfit(gone: Floats, wanted: Floats) -> Floats:
            return np.abs(np.log(np.maximum(gone, 1.0) / wanted))

        without = misfit(over, expected + nxt["expected"])
        spike = (
            straight
            & (nxt["hours"] < 0)
            & (
                (hours > _most(days))
                | (np.roll(nodes.counter, -1) > 1.5 * nxt["expected"])
                | (without < misfit(hours, expected))
            )
        )
        dip = (
            straight
            & (hours < 0)
            & ((nxt["hours"] > _most(nxt["days"])) | (without < misfit(nxt["hours"], nxt["expected"])))
        )
        # Far off on both sides where the line through its neighbours fits: mistyped too, though it could just be.
        off = straight & (hours >= 0) & (nxt["hours"] >= 0) & (without < 0.35)
        off &= (misfit(hours, expected) > 0.8) & (misfit(nxt["hours"], nxt["expected"]) > 0.8)
        # The last counter of an install has nothing after it: only the impossible is left out.
        end = linked & ~after & (hours > _most(days)) & (nodes.counter - hours > 0)
        bad = (spike | dip | off | end) & (nodes.visit >= 0)
        bad[1:] &= ~bad[:-1]  # one at a time: a neighbour is judged again without it
        if not bad.any():
            break
        dropped.append(nodes.visit[bad])
        nodes = nodes.keep(~bad)
    return nodes, np.concatenate(dropped) if dropped else np.empty(0, np.int64)


def _first_step(nodes: _Nodes) -> NDArray[np.bool_]:
    """Nodes whose node before is the installation."""
    return np.append(False, (nodes.visit[:-1] < 0) & (nodes.install[1:] == nodes.install[:-1]))


def _counted_steps(nodes: _Nodes, usual: Floats, rel_sd: Floats) -> NDArray[np.bool_]:
    """Steps whose hours were counted: the counter neither fell nor ran faster than time, and began at zero if first.

    usual, rel_sd: hours per year of each install as far as known and the relative error of that; shape (installs,).
    """
    linked, hours, days, load = nodes.steps()
    counted = linked & (hours >= 0) & (hours <= _most(days))
    # Whether the counter stood at zero when installed is not written anywhere: believed if the hours are as expected.
    first = np.flatnonzero(_first_step(nodes))
    i = nodes.install[first]
    expected = np.maximum(usual[i] * load[first], 1.0)
    allowed = 3.0 * np.sqrt(rel_sd[i] ** 2 + DEFAULT_WEATHER_SD**2 / np.maximum(load[first], 0.1)) + 0.05
    away = np.abs(np.log(np.maximum(hours[first], 1.0) / expected))
    counted[first] &= (expected <= 300.0) | (away <= allowed)
    return counted


def _winters(nodes: _Nodes, per_year: Floats, counted: NDArray[np.bool_]) -> Winters:
    _, hours, _, load = nodes.steps()
    at = np.flatnonzero(counted & ~_first_step(nodes) & (load > 0.3) & (load < 2.5) & (hours > 0))
    expected = per_year[nodes.install[at]] * load[at]
    return Winters.learnt(nodes.load[at] - load[at], nodes.load[at], expected, hours[at])


def _spread(rel: Floats) -> float:
    """Robust standard deviation about zero: 1.4826 times the median size (normal distribution)."""
    return float(1.4826 * np.median(np.abs(rel)))


def _usual(nodes: _Nodes, typical: Floats) -> tuple[Floats, Floats]:
    """Hours per year of each install: the middle of its own steps, the first left out, else `typical`; relative sd."""
    n = len(typical)
    linked, hours, days, load = nodes.steps()
    step = linked & (hours > 0) & (hours <= _most(days)) & (load > 0.2) & ~_first_step(nodes)
    middle, count = _group_median(nodes.install[step], hours[step] / load[step], n)
    gone = np.bincount(nodes.install[step], load[step], n)
    own = (count > 0) & (gone > 0.5)
    # Single steps may be mistyped: two or fewer are not trusted to their weather error alone.
    rel_sd = np.where(count > 2, 1.25 * DEFAULT_WEATHER_SD / np.sqrt(np.maximum(gone, 0.5)), 0.2)
    return np.where(own, np.nan_to_num(middle, nan=1.0), typical), np.where(own, rel_sd, DEFAULT_BETWEEN_SD)


def _hours_per_year(
    nodes: _Nodes, installs: Installs, usual: Floats, usual_sd: Floats
) -> tuple[Floats, Floats, NDArray[np.int8], float]:
    n = len(installs.model_no)
    _, hours, _, load = nodes.steps()
    counted = _counted_steps(nodes, usual, usual_sd)
    # Steps far from the install's middle (mistyped within what is possible, or a house left empty) do not count here.
    wanted = np.maximum(usual[nodes.install] * load, 1.0)
    counted &= np.abs(np.log(np.maximum(hours, 1.0) / wanted)) < np.where(wanted > 200.0, 0.7, np.inf)
    own_hours = np.bincount(nodes.install[counted], hours[counted], n).astype(float)
    own_load = np.bincount(nodes.install[counted], load[counted], n).astype(float)
    known = (own_load > 0.1) & (own_hours > 0)
    own = np.where(known, own_hours / np.maximum(own_load, 1e-9), np.nan)

    weather_sd = DEFAULT_WEATHER_SD
    pick = counted & (load > 0.5) & (load < 2.5) & (hours > 0) & (own_load[nodes.install] > 1.5 * load)
    if pick.sum() >= FEWEST_TO_MEASURE:
        i = nodes.install[pick]
        # An interval's residual about the install's mean is short of its own share in that mean.
        part = load[pick] / own_load[i]
        weather_sd = max(0.01, _spread(np.log(hours[pick] / load[pick] / own[i]) * np.sqrt(load[pick] / (1 - part))))

    prior, prior_sd, basis = _prior(own, own_load, known, installs, weather_sd)
    own_weight = np.where(known, own_load / weather_sd**2, 0.0)
    prior_weight = 1.0 / prior_sd**2
    log_own = np.log(np.where(known, own, prior))
    mean = (own_weight * log_own + prior_weight * np.log(prior)) / (own_weight + prior_weight)
    basis = np.where(own_weight > prior_weight, BASES.index("counter"), basis).astype(np.int8)
    most = MOST_HOURS_PER_DAY * 365.25
    return np.clip(np.exp(mean), 10.0, most), 1.0 / np.sqrt(own_weight + prior_weight), basis, weather_sd


def _prior(
    own: Floats, own_load: Floats, known: NDArray[np.bool_], installs: Installs, weather_sd: float
) -> tuple[Floats, Floats, NDArray[np.int8]]:
    """Hours per year of an install before its own counter is asked, with relative sd and basis."""
    n = len(own)
    sure = known & (own_load >= 0.8)
    log_own = np.log(np.where(known, own, 1.0))
    noise = weather_sd**2 / np.maximum(own_load, 0.8)

    def spread(rel: Floats, noises: Floats, otherwise: float) -> float:
        """Spread of what is behind, the weather in the own means taken off."""
        if len(rel) < FEWEST_TO_MEASURE:
            return otherwise
        return float(np.sqrt(max(_spread(rel) ** 2 - np.median(noises), 0.02**2)))

    centre = np.full(n, np.log(DEFAULT_HOURS_PER_YEAR))
    sd = np.full(n, 2 * DEFAULT_BETWEEN_SD)
    basis = np.full(n, BASES.index("default"), np.int8)
    if sure.any():
        middle = float(np.median(log_own[sure]))
        centre[:] = middle
        sd[:] = spread(log_own[sure] - middle, noise[sure], 1.5 * DEFAULT_BETWEEN_SD)
        basis[:] = BASES.index("fleet")
    for name, group in (("design", installs.design_no), ("model", installs.model_no)):
        groups = int(group.max(initial=-1)) + 1
        of_group, count = _group_median(group[sure], log_own[sure], groups)
        enough = (count >= 3)[group]
        many = sure & (count >= 5)[group]
        rel = (log_own - of_group[group])[many]
        within = spread(rel, noise[many], DEFAULT_BETWEEN_SD)
        size = np.maximum(count[group], 1)
        centre = np.where(enough, of_group[group], centre)
        sd = np.where(enough, within * np.sqrt(1 + 1.57 / size), sd)  # 1.57: variance of a median, normal
        basis = np.where(enough, BASES.index(name), basis)

    stated = np.isfinite(installs.stated_hours) & (installs.stated_hours > 0)
    log_stated = np.log(np.where(stated, installs.stated_hours, 1.0))
    both = stated & sure
    shift, error = 0.0, DEFAULT_ESTIMATE_SD
    if both.sum() >= FEWEST_TO_MEASURE:
        shift = float(np.median((log_own - log_stated)[both]))
        error = spread((log_own - log_stated)[both] - shift, noise[both], DEFAULT_ESTIMATE_SD)
    # An estimate and the spread about the model's typical value are two sources: each has its weight.
    weight = np.where(stated, sd**2 / (sd**2 + error**2), 0.0)
    centre = (1 - weight) * centre + weight * (log_stated + shift)
    basis = np.where(weight >= 0.5, BASES.index("estimate"), basis).astype(np.int8)
    sd = sd * np.sqrt(1 - weight)
    return np.exp(centre), sd, basis


def _node_hours(
    nodes: _Nodes, per_year: Floats, counted: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.bool_], Ints, Ints]:
    """Hours since installation at each node, whether counted, and the visits of swaps and of impossible counters."""
    linked, hours, days, load = nodes.steps()
    expected = per_year[nodes.install] * load
    # A counter that fell was set back at an unknown time: it holds the hours since then, and the whole stretch as
    # many as usual, or as many as it holds itself where that is more and possible.
    swapped = linked & (hours < 0)
    since = np.where(swapped & (nodes.counter <= 1.5 * expected), nodes.counter, 0.0)
    gone = np.where(counted, hours, np.minimum(np.maximum(expected, since), _most(days)))
    total = np.cumsum(np.where(linked, gone, 0.0))
    start = np.flatnonzero(~linked)
    total = total - np.repeat(total[start], np.diff(np.append(start, len(total))))
    impossible = linked & (hours > _most(days))
    return total, counted, nodes.visit[swapped], nodes.visit[impossible & (nodes.visit >= 0)]
