"""The burner-hours clock of every install, from the counters read at visits.

A counter counts burner hours since installation until somebody swaps the control (it starts again near zero) or
mistypes it. Here mistyped counters are told from swaps, hours per year are estimated with their uncertainty, and each
visit gets the burner hours since installation. Installs are numbered from 0. Everything is vectorised over the visits
of a block of installs: what is made of them on the way stays near the processor, and blocks may be worked on side by
side. What the fleet knows in common (medians, spreads, winters) is worked out of all blocks between their steps.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.arrays import Floats, Ints
from models.clock.counter_steps import Nodes, counted_steps, first_step, node_hours, nodes_of, without_mistyped
from models.clock.hours import Installs, LoadCalendar
from models.clock.winters import Winters
from models.clock.yearly_hours import CountedHours, first_rates, hours_per_year, typical_hours, usual_hours
from models.mapper import Mapper, here

BLOCK = 1 << 14  # installs


@dataclass(frozen=True)
class Clock:
    """Hours per year of each install and the clock at each visit.

    hours_per_year, rel_sd: shape (installs,); rel_sd is the lasting relative error of hours_per_year.
    basis: shape (installs,), a position in `yearly_hours.BASES`.
    weather_sd: relative standard deviation of one load year's hours about an install's usual year.
    clock: burner hours since installation at each visit, never falling within an install.   exact: counted throughout.
    counted_day, counted_hours: shape (installs,): the newest accepted counter; the installation where there is none.
    start_hours: (installs,) burner hours since installation at start_day, or at the installation.
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
    mapper: Mapper = here,
    block: int = BLOCK,
) -> Clock:
    """The clock of a fleet.

    install_no, day, counter: one entry per visit, sorted by install, day and the order within the day;
    counter in hours, nan where none was read.   start_day: (installs,) a day of each install to give the clock of too.
    mapper: who works on the blocks; threads will do.   block: installs in each; the clock is the same to rounding.
    """
    start_day = installs.installed_day if start_day is None else start_day
    blocks = _cut(installs, install_no, day, counter, start_day, block)
    read = mapper(partial(_read, calendar), blocks)
    of = np.concatenate([r.block.first_install + r.rates[1] for r in read])
    typical = typical_hours(installs, np.concatenate([r.rates[0] for r in read]), of)
    trusted = mapper(_trusted, [(r, r.block.own(typical)) for r in read])
    per_year, rel_sd, basis, weather_sd = hours_per_year(installs, CountedHours.joined([t.told for t in trusted]))
    stretches = mapper(_stretches, [(t, t.block.own(per_year)) for t in trusted])
    winters = Winters.learnt(*(np.concatenate(of) for of in zip(*stretches, strict=True)))
    trusted = mapper(partial(_passed, winters), trusted)
    # what the weather of years to come may be stays as it was measured without knowing any
    per_year, rel_sd, basis, _ = hours_per_year(installs, CountedHours.joined([t.told for t in trusted]))
    clocks = mapper(_clock, [(t, t.block.own(per_year)) for t in trusted])
    clock, exact, counted_day, counted_hours, start_hours, swaps, mistyped = (
        np.concatenate(of) for of in zip(*clocks, strict=True)
    )
    return Clock(
        per_year, rel_sd, basis, weather_sd, clock, exact, counted_day, counted_hours, start_hours, swaps, mistyped,
        winters,
    )  # fmt: skip


@dataclass(frozen=True)
class _Block:
    """Installs that follow each other, and their visits, both numbered from 0; where the first ones stand in the
    fleet."""

    first_install: int
    first_visit: int
    installs: Installs
    install_no: Ints
    day: Ints
    counter: Floats
    start_day: Ints

    def own(self, of_installs: NDArray[Any]) -> NDArray[Any]:
        """Its part of something that the fleet has one of per install."""
        return of_installs[self.first_install : self.first_install + len(self.installs.model_no)]


def _cut(installs: Installs, install_no: Ints, day: Ints, counter: Floats, start_day: Ints, size: int) -> list[_Block]:
    n = len(installs.model_no)
    ends = [*range(0, max(n, 1), size), n]
    visits = np.searchsorted(install_no, ends).tolist()
    return [
        _Block(a, v, installs.some(a, b), install_no[v:w] - a, day[v:w], counter[v:w], start_day[a:b])
        for (a, b), (v, w) in zip(pairwise(ends), pairwise(visits), strict=True)
    ]


@dataclass(frozen=True)
class _Read:
    """A block as it was read. load: load years at each visit, and `start_load` at start_day or a later installation.
    rates: as `first_rates`."""

    block: _Block
    load: Floats
    start_load: Floats
    nodes: Nodes
    rates: tuple[Floats, Ints]


def _read(calendar: LoadCalendar, block: _Block) -> _Read:
    installs = block.installs
    load = calendar.years(installs.area_no[block.install_no], block.day)
    installed_load = calendar.years(installs.area_no, installs.installed_day)
    nodes = nodes_of(installs, block.install_no, block.day, block.counter, installed_load, load)
    start_load = calendar.years(installs.area_no, np.maximum(block.start_day, installs.installed_day))
    counted = (nodes.counter > 0) | (nodes.visit < 0)  # a zero may be no reading
    return _Read(block, load, start_load, nodes, first_rates(nodes if counted.all() else nodes.keep(counted)))


@dataclass(frozen=True)
class _Trusted:
    """A block by the counters that are taken. load, start_load: as `_Read`. mistyped: visits of the other counters.
    usual, usual_sd, counted: as `counted_steps`; told: of them."""

    block: _Block
    load: Floats
    start_load: Floats
    nodes: Nodes
    mistyped: Ints
    usual: Floats
    usual_sd: Floats
    counted: NDArray[np.bool_]
    told: CountedHours


def _trusted(piece: tuple[_Read, Floats]) -> _Trusted:
    read, typical = piece
    nodes, mistyped = without_mistyped(read.nodes, typical)
    usual, usual_sd = usual_hours(nodes, typical)
    counted = counted_steps(nodes, usual, usual_sd)
    told = CountedHours.of(nodes, counted, usual)
    return _Trusted(read.block, read.load, read.start_load, nodes, mistyped, usual, usual_sd, counted, told)


def _stretches(piece: tuple[_Trusted, Floats]) -> tuple[Floats, Floats, Floats, Floats]:
    """What `Winters.learnt` is told by a block."""
    trusted, per_year = piece
    nodes = trusted.nodes
    _, hours, _, load = nodes.steps()
    at = np.flatnonzero(trusted.counted & ~first_step(nodes) & (load > 0.3) & (load < 2.5) & (hours > 0))
    expected = per_year[nodes.install[at]] * load[at]
    return nodes.load[at] - load[at], nodes.load[at], expected, hours[at]


def _passed(winters: Winters, trusted: _Trusted) -> _Trusted:
    """With load years as strong as the winters in them."""
    nodes = replace(trusted.nodes, load=winters.passed(trusted.nodes.load))
    counted = counted_steps(nodes, trusted.usual, trusted.usual_sd)
    return replace(
        trusted,
        load=winters.passed(trusted.load),
        start_load=winters.passed(trusted.start_load),
        nodes=nodes,
        counted=counted,
        told=CountedHours.of(nodes, counted, trusted.usual),
    )


def _clock(piece: tuple[_Trusted, Floats]) -> tuple[NDArray[Any], ...]:
    """`Clock` of a block, from `clock` on to `mistyped`."""
    trusted, per_year = piece
    block, nodes = trusted.block, trusted.nodes
    hours, exact, swaps, impossible = node_hours(nodes, per_year, trusted.counted)

    def between(at: Ints, install: Ints, load: Floats) -> Floats:
        """Hours at a load year from node `at` on: by the load to the next node, by hours per year after the last."""
        after = np.minimum(at + 1, len(nodes.visit) - 1)
        has_next = (after > at) & (nodes.install[after] == install)
        span = np.where(has_next, nodes.load[after] - nodes.load[at], 0.0)
        gone = np.maximum(load - nodes.load[at], 0.0)
        share = np.divide(gone, span, out=np.zeros_like(gone), where=span > 0)
        within = hours[at] + np.minimum(share, 1.0) * (hours[after] - hours[at])
        return np.where(has_next, within, hours[at] + per_year[install] * gone)

    everyone = np.arange(len(per_year))
    taken = np.flatnonzero(nodes.visit >= 0)
    of_visits, visit_exact = np.zeros((2, len(block.day)), bool)
    of_visits[nodes.visit[taken]], visit_exact[nodes.visit[taken]] = True, exact[taken]
    before = block.install_no + np.cumsum(of_visits)  # the last node, installations up to the visit's own among them
    start_day = np.maximum(block.start_day, block.installs.installed_day)
    by_day = (nodes.install << 32) + nodes.day
    at_start = np.searchsorted(by_day, (everyone << 32) + start_day, side="right") - 1
    start = between(at_start, everyone, trusted.start_load)
    last = np.append(nodes.install[1:] != nodes.install[:-1], len(nodes.install) > 0)
    mistyped = np.union1d(trusted.mistyped, impossible)
    return (
        between(before, block.install_no, trusted.load), visit_exact, nodes.day[last], hours[last], start,
        swaps + block.first_visit, mistyped + block.first_visit,
    )  # fmt: skip
