"""When an indicator leaves its range: chances and dates from the posterior of the open cycle.

On the scale of the fit (log or plain) the true value after `tau = (burner hours in the cycle / 1000) ** gamma` is
told with mean `m0 + m1 tau` and variance `v00 + 2 v01 tau + v11 tau^2` (Lu & Meeker 1993 for the time to a limit).
The chance of lying beyond a limit is that of `z(tau) = (a + b tau) / sqrt(c0 + 2 c1 tau + c2 tau^2)` (`tails`),
whose derivative changes sign once at most. That gives in closed form what the definitions ask for: the chance of
*having left* the range by a day, which never falls, and the day on which it reaches a given size.

Uncertain hours: since the newest counter, hours are hours per year times the load, with a lasting relative error and
a weather error that adds up over load years; both enter tau to first order, which keeps the variance quadratic in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.arrays import Floats, Ints
from models.clock.hours import LoadCalendar, add_months
from models.tails import chance_below, deviate_of

HORIZON_MONTHS = 120
LEAST_LOG_LIMIT = -700.0  # stands for a limit at or below nought on the log scale
TINY_VARIANCE = 1e-12
NOT_PER_INSTALL = ("as_of", "doubt", "restarted")
OWN_SHARE = 0.75  # of a rate said to lean on the install: between the half that earns the name and all; own judgement


@dataclass(frozen=True)
class Outlook:
    """All that the chance of leaving the range depends on, one entry per install; arrays of shape (n,).

    m0, m1, v00, v01, v11: posterior of level and rate of the open cycle, on the scale of the fit, rate per tau.
    gamma: exponent of the burner hours.   low, high: the range on the scale of the fit; -inf and inf where it is open.
    hours_open: burner hours from the cycle's beginning to as_of.   counted_open: of these, up to the newest counter.
    per_year: burner hours per year.   rel_sd: its lasting relative error.   weather_sd: of one load year.
    own: share of the rate that was learnt in the install's own hours, 0 to 1: their lasting error is in the rate per
    true hour too, and cancels to that share in what the same hours forecast.
    area_no: area of the calendar.   as_of: day number (one for all).
    doubt: chance that a visit since opened a new cycle without saying so; empty where none did.
    restarted: what holds then,
    one entry per install whose doubt is above 0, in order. Every answer below is that of both ways together.
    """

    m0: Floats
    m1: Floats
    v00: Floats
    v01: Floats
    v11: Floats
    gamma: Floats
    low: Floats
    high: Floats
    hours_open: Floats
    counted_open: Floats
    per_year: Floats
    rel_sd: Floats
    weather_sd: Floats
    own: Floats
    area_no: Ints
    as_of: int
    doubt: Floats = field(default_factory=lambda: np.zeros(0))
    restarted: Outlook | None = None

    def __len__(self) -> int:
        return len(self.m0)

    def rows(self, which: slice | NDArray) -> Outlook:
        """The same for some of the installs."""
        picked = {f.name: getattr(self, f.name)[which] for f in fields(self) if f.name not in NOT_PER_INSTALL}
        part = Outlook(**picked, as_of=self.as_of)
        if self.restarted is None:
            return part
        doubt = self.doubt[which]
        place = (np.cumsum(self.doubt > 0) - 1)[which][doubt > 0]
        return replace(part, doubt=doubt, restarted=self.restarted.rows(place)) if len(place) else part

    def tau(self, load_ahead: Floats) -> Floats:
        """Clock of the drift model after more load years; load_ahead of shape (n,) or (n, k)."""
        return _tau(self.hours_open, self.per_year, self.gamma, load_ahead)


def _tau(hours_open: Floats, per_year: Floats, gamma: Floats, load_ahead: Floats) -> Floats:
    pick = (slice(None), None) if np.ndim(load_ahead) == 2 else slice(None)
    hours = (hours_open[pick] + per_year[pick] * load_ahead) / 1000.0
    return hours if np.all(gamma == 1.0) else np.maximum(hours, 0.0) ** gamma[pick]


def scaled_limits(low: ArrayLike, high: ArrayLike, transform: str) -> tuple[Floats, Floats]:
    """A range in the indicator's unit (nan: open) on the scale of the fit (-inf, inf: open).

    On the log scale a lower limit at or below nought never binds, and an upper one is always passed.
    """
    low, high = np.array(low, float), np.array(high, float)
    if transform == "log":
        with np.errstate(divide="ignore", invalid="ignore"):
            low = np.where(low > 0, np.log(low), np.nan)
            high = np.where(high > 0, np.log(high), np.where(np.isnan(high), np.nan, LEAST_LOG_LIMIT))
    return np.where(np.isnan(low), -np.inf, low), np.where(np.isnan(high), np.inf, high)


@dataclass(frozen=True)
class _Side:
    """z of one end of the range: numerator a + b tau, variance c0 + 2 c1 tau + c2 tau^2, from tau0 on; shape (n,)."""

    a: Floats
    b: Floats
    c0: Floats
    c1: Floats
    c2: Floats
    tau0: Floats
    z0: Floats
    top: Floats  # tau beyond which z falls; inf where it never does

    def rows(self, which: NDArray) -> _Side:
        return _Side(*(getattr(self, f.name)[which] for f in fields(_Side)))

    def z(self, tau: Floats) -> Floats:
        pick = (slice(None), None) if tau.ndim == 2 else slice(None)
        spread = self.c2[pick] * tau  # in place from here on: new arrays would cost more than what is worked out
        spread += 2.0 * self.c1[pick]
        spread *= tau
        spread += self.c0[pick]
        np.sqrt(np.maximum(spread, TINY_VARIANCE, out=spread), out=spread)
        ahead = self.b[pick] * tau
        ahead += self.a[pick]
        return np.divide(ahead, spread, out=ahead)

    def running(self, tau: Floats) -> Floats:
        """The largest z between tau0 and tau: z of having left by then."""
        pick = (slice(None), None) if tau.ndim == 2 else slice(None)
        within = np.maximum(tau, self.tau0[pick])
        z = self.z(np.minimum(within, self.top[pick], out=within))
        return np.maximum(z, self.z0[pick], out=z)

    def crossing(self, zq: float) -> Floats:
        """The last tau at which `running` is at or below zq: tau0 if above already, inf if it never gets there."""
        a = np.where(np.isneginf(self.a), -1.0, self.a)
        lead = self.b**2 - zq**2 * self.c2
        half = a * self.b - zq**2 * self.c1
        rest = a**2 - zq**2 * self.c0
        root = np.sqrt(np.maximum(half**2 - lead * rest, 0.0))
        # Both roots without cancellation; the right one is told by z itself.
        q = -(half + np.where(half >= 0, root, -root))
        with np.errstate(divide="ignore", invalid="ignore"):
            roots = np.stack([q / lead, rest / q])
        roots = np.clip(np.nan_to_num(roots, nan=-1.0, posinf=1e12, neginf=-1.0), self.tau0, np.minimum(self.top, 1e12))
        miss = np.stack([np.abs(self.z(r) - zq) for r in roots])
        found = np.where(miss[0] <= miss[1], roots[0], roots[1])
        with np.errstate(divide="ignore", invalid="ignore"):
            end = np.where(np.isfinite(self.top), self.z(np.minimum(self.top, 1e12)), self.b / np.sqrt(self.c2))
        found = np.where(end > zq, found, np.inf)
        return np.where(np.isneginf(self.a), np.inf, np.where(self.z0 > zq, self.tau0, found))


def _variance_terms(o: Outlook) -> tuple[Floats, Floats, Floats]:
    """c0, c1, c2 of the variance c0 + 2 c1 tau + c2 tau^2 at a later tau: the posterior's, and that of the hours."""
    k = np.maximum(1.0, o.gamma)
    tau0, counted = o.tau(np.zeros(len(o))), np.maximum(o.counted_open, 0.0) / 1000.0
    counted = np.minimum(np.where(o.gamma == 1.0, counted, counted**o.gamma), tau0)
    year = o.per_year / 1000.0
    pace = np.where(o.gamma == 1.0, 1.0, o.gamma * (o.hours_open / 1000.0 + year) ** (o.gamma - 1.0))
    speed = o.m1**2 + o.v11
    lasting, weather = speed * (o.rel_sd * (1.0 - o.own) * k) ** 2, speed * o.weather_sd**2 * year * pace
    c0 = o.v00 + lasting * counted**2 - weather * counted
    c1 = o.v01 - lasting * counted + 0.5 * weather
    return c0, c1, np.maximum(o.v11 + lasting, TINY_VARIANCE)


def _sides(o: Outlook) -> list[_Side]:
    """The ends of the range that are there for any install (an open end is given z = -inf)."""
    tau0 = o.tau(np.zeros(len(o)))
    c0, c1, c2 = _variance_terms(o)
    out = []
    for sign, limit in ((1.0, o.high), (-1.0, o.low)):
        there = np.isfinite(limit)
        if not there.any():
            continue
        a = np.where(there, sign * (o.m0 - np.where(there, limit, 0.0)), -np.inf)
        b = np.where(there, sign * o.m1, 0.0)
        safe = np.where(there, a, -1.0)
        slope, bend = b * c0 - safe * c1, b * c1 - safe * c2
        with np.errstate(divide="ignore", invalid="ignore"):
            top = np.where(bend < 0, np.maximum(-slope / bend, tau0), np.inf)
        side = _Side(a, b, c0, c1, c2, tau0, np.empty(0), top)
        out.append(_Side(a, b, c0, c1, c2, tau0, side.z(tau0), top))
    return out


def _chance(sides: Sequence[_Side], tau: Floats) -> Floats:
    total = np.zeros_like(tau)
    for side in sides:
        total += chance_below(side.running(tau))
    return np.minimum(total, 1.0) if len(sides) > 1 else total


def chance_out(o: Outlook, load_ahead: Floats) -> Floats:
    """Chance that the true value has left the range by then, nobody visiting; non-decreasing along the last axis.

    load_ahead: load years from as_of, shape (n,) or (n, k), none negative. Returns the same shape.
    With two ends the chances of having left at either are added (at most 1).
    """
    ahead = np.asarray(load_ahead, float)
    chance = _chance(_sides(o), o.tau(ahead))
    if o.restarted is not None:
        at = np.flatnonzero(o.doubt > 0)
        q = o.doubt[at].reshape(-1, *[1] * (chance.ndim - 1))
        chance[at] = (1 - q) * chance[at] + q * chance_out(o.restarted, ahead[at])
    return chance


def value_ahead(o: Outlook, load_ahead: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of the true value after more load years, on the scale of the fit; all (n,)."""
    tau = o.tau(np.asarray(load_ahead, float))
    c0, c1, c2 = _variance_terms(o)
    mean, variance = o.m0 + o.m1 * tau, np.maximum((c2 * tau + 2 * c1) * tau + c0, TINY_VARIANCE)
    if o.restarted is not None:
        at = np.flatnonzero(o.doubt > 0)
        q, (mean2, variance2) = o.doubt[at], value_ahead(o.restarted, np.asarray(load_ahead, float)[at])
        apart = q * (1 - q) * (mean2 - mean[at]) ** 2
        mean[at] = (1 - q) * mean[at] + q * mean2
        variance[at] = (1 - q) * variance[at] + q * variance2 + apart
    return mean, variance


def load_ahead(o: Outlook, calendar: LoadCalendar, days: Ints) -> Floats:
    """Load years from as_of to days that are the same for all installs: days (k,) gives (n, k)."""
    areas = np.arange(len(calendar.load))
    table = (
        calendar.years(areas[:, None], np.asarray(days)[None, :]) - calendar.years(areas, np.array(o.as_of))[:, None]
    )
    return np.maximum(table, 0.0)[o.area_no]


def chance_on(o: Outlook, calendar: LoadCalendar, days: Ints) -> Floats:
    """`chance_out` at days that are the same for all installs: days (k,) gives (n, k)."""
    return chance_out(o, load_ahead(o, calendar, days))


def chance_on_own_day(o: Outlook, calendar: LoadCalendar, day: Ints) -> Floats:
    """`chance_out` of each install at its own day (n,); days before as_of count as as_of."""
    ahead = calendar.years(o.area_no, day) - calendar.years(o.area_no, np.array(o.as_of))
    return chance_out(o, np.maximum(ahead, 0.0))


def horizon_day(as_of: int) -> int:
    """Ten years after as_of; dates beyond it are not given."""
    return int(add_months(np.array(as_of), np.array(HORIZON_MONTHS)))


def last_days_within(o: Outlook, calendar: LoadCalendar, chances: Sequence[float]) -> Ints:
    """The last day on which the chance of having left the range is at or below each of `chances`; shape (n, k).

    as_of - 1 where it is above already at as_of; horizon_day + 1 where it stays at or below for ten years.
    The answer is settled by `chance_out` itself: at or below on that day, above on the next.
    """
    end = horizon_day(o.as_of)
    way = _Way.of(o, calendar)
    at_now, at_end = way.chance(np.tile(np.array([o.as_of, end + 1]), (len(o), 1))).T
    out = np.empty((len(o), len(chances)), np.int64)
    for k, q in enumerate(chances):
        out[:, k] = np.where(at_now > q, o.as_of - 1, end + 1)
        todo = np.flatnonzero((at_now <= q) & (at_end > q))
        if todo.size:
            out[todo, k] = _last_day_within(way.rows(todo), q, o.as_of, end)
    if o.restarted is not None:
        at = np.flatnonzero(o.doubt > 0)
        ends = np.stack([out[at], last_days_within(o.restarted, calendar, chances)])
        out[at] = _between(o.rows(at), calendar, chances, ends.min(axis=0), ends.max(axis=0) + 1)
    return out


@dataclass(frozen=True)
class _Way:
    """What the chance on a day depends on if nothing is in doubt, of some installs; now: load years at as_of. (n,)"""

    calendar: LoadCalendar
    sides: list[_Side]
    area_no: Ints
    now: Floats
    hours_open: Floats
    per_year: Floats
    gamma: Floats

    @classmethod
    def of(cls, o: Outlook, calendar: LoadCalendar) -> _Way:
        now = calendar.years(o.area_no, np.array(o.as_of))
        return cls(calendar, _sides(o), o.area_no, now, o.hours_open, o.per_year, o.gamma)

    def rows(self, which: NDArray) -> _Way:
        each = (self.area_no, self.now, self.hours_open, self.per_year, self.gamma)
        return _Way(self.calendar, [side.rows(which) for side in self.sides], *(values[which] for values in each))

    def chance(self, day: Ints) -> Floats:
        """Of having left the range, at days of each install: (n,) or (n, k), days before as_of as as_of."""
        pick = (slice(None), None) if day.ndim == 2 else slice(None)
        ahead = np.maximum(self.calendar.years(self.area_no[pick], day) - self.now[pick], 0.0)
        return _chance(self.sides, _tau(self.hours_open, self.per_year, self.gamma, ahead))

    def day_of(self, tau: Floats, first: int, last: int) -> Ints:
        """The last day with that clock at most; within first and last."""
        hours = np.where(self.gamma == 1.0, tau, np.maximum(tau, 0.0) ** (1.0 / self.gamma)) * 1000.0
        ahead = np.maximum((hours - self.hours_open) / self.per_year, 0.0)
        day = np.full(len(ahead), last)
        soon = np.flatnonzero(ahead < 11.0)
        day[soon] = self.calendar.last_day(self.area_no[soon], self.now[soon] + ahead[soon])
        return np.clip(day, first, last)


def _last_day_within(way: _Way, q: float, as_of: int, end: int) -> Ints:
    """The last day with a chance at or below q, where it is so on as_of and no more on the day after `end`. (n,)"""
    zq = deviate_of(q)
    trial = np.full(len(way.now), end)
    for side in way.sides:
        trial = np.minimum(trial, way.day_of(side.crossing(zq), as_of, end + 1))
    # One end's crossing is the answer to the day but for rounding; with two ends it lies before it. So that day and
    # the next are tried, then those beside, ever further away, and what is left is halved.
    trial = np.maximum(trial, as_of + 1)
    above, above_next = (way.chance(trial[:, None] + np.arange(2)) > q).T
    low = np.where(above, as_of, np.where(above_next, trial, trial + 1))
    high = np.where(above, trial, np.where(above_next, trial + 1, end + 1))
    todo, step = np.flatnonzero(high - low > 1), 3
    trial = trial[todo] + np.where(above[todo], -1, 2)
    while todo.size:
        outside = (trial <= low[todo]) | (trial >= high[todo]) | (step > 100)
        trial = np.where(outside, (low[todo] + high[todo]) // 2, trial)
        above = way.rows(todo).chance(trial) > q
        high[todo[above]] = trial[above]
        low[todo[~above]] = trial[~above]
        left = high[todo] - low[todo] > 1
        todo, trial, step = todo[left], (trial + np.where(above, -step, step))[left], step * 3
    return low


def _between(o: Outlook, calendar: LoadCalendar, chances: Sequence[float], low: Ints, high: Ints) -> Ints:
    """`last_days_within` of installs in doubt: the chance of both ways together is at or below on days `low` and above
    on `high`, since the chances of both are; (n, k) each. By halving."""
    assert o.restarted is not None
    shape, k = low.shape, len(chances)
    each = np.repeat(np.arange(len(o)), k)
    ways = [_Way.of(way, calendar).rows(each) for way in (o, o.restarted)]
    doubt, q = o.doubt[each], np.tile(np.asarray(chances, float), len(o))
    low, high = low.ravel(), high.ravel()
    while (todo := np.flatnonzero(high - low > 1)).size:
        middle = (low[todo] + high[todo]) // 2
        goes_on, anew = (way.rows(todo).chance(middle) for way in ways)
        above = (1 - doubt[todo]) * goes_on + doubt[todo] * anew > q[todo]
        high[todo[above]], low[todo[~above]] = middle[above], middle[~above]
    return low.reshape(shape)
