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

from models.hours import Floats, Ints, LoadCalendar, add_months
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
        pick = (slice(None), None) if np.ndim(load_ahead) == 2 else slice(None)
        hours = (self.hours_open[pick] + self.per_year[pick] * load_ahead) / 1000.0
        gamma = self.gamma[pick]
        return hours if np.all(self.gamma == 1.0) else np.maximum(hours, 0.0) ** gamma


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

    def z(self, tau: Floats) -> Floats:
        pick = (slice(None), None) if tau.ndim == 2 else slice(None)
        variance = (self.c2[pick] * tau + 2.0 * self.c1[pick]) * tau + self.c0[pick]
        return (self.a[pick] + self.b[pick] * tau) / np.sqrt(np.maximum(variance, TINY_VARIANCE))

    def running(self, tau: Floats) -> Floats:
        """The largest z between tau0 and tau: z of having left by then."""
        pick = (slice(None), None) if tau.ndim == 2 else slice(None)
        return np.maximum(self.z(np.minimum(np.maximum(tau, self.tau0[pick]), self.top[pick])), self.z0[pick])

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
    sides = _sides(o)
    now = calendar.years(o.area_no, np.array(o.as_of))
    end = horizon_day(o.as_of)
    out = np.empty((len(o), len(chances)), np.int64)

    def chance(which: NDArray, day: Ints) -> Floats:
        part = [_Side(*(getattr(s, f.name)[which] for f in fields(_Side))) for s in sides]
        ahead = np.maximum(calendar.years(o.area_no[which], day) - now[which], 0.0)
        return _chance(part, o.rows(which).tau(ahead))

    def day_of(tau: Floats) -> Ints:
        hours = np.where(o.gamma == 1.0, tau, np.maximum(tau, 0.0) ** (1.0 / o.gamma)) * 1000.0
        ahead = np.maximum((hours - o.hours_open) / o.per_year, 0.0)
        day = np.full(len(o), end + 1)
        soon = np.flatnonzero(ahead < 11.0)
        day[soon] = calendar.last_day(o.area_no[soon], now[soon] + ahead[soon])
        return np.clip(day, o.as_of, end + 1)

    everyone = np.arange(len(o))
    at_now, at_end = (chance(everyone, np.full(len(o), d)) for d in (o.as_of, end + 1))
    for k, q in enumerate(chances):
        zq = deviate_of(q)
        guess = np.full(len(o), end)
        for side in sides:
            guess = np.minimum(guess, day_of(side.crossing(zq)))
        low, high = np.full(len(o), o.as_of), np.full(len(o), end + 1)
        todo = np.flatnonzero((at_now <= q) & (at_end > q) & (high - low > 1))
        trial, step = np.maximum(guess[todo], o.as_of + 1), 1
        while todo.size:
            above = chance(todo, trial) > q
            high[todo[above]] = trial[above]
            low[todo[~above]] = trial[~above]
            # One end's crossing is the answer to the day; with two ends it lies before it. First the days next to the
            # guess are tried, ever further away, then what is left is halved.
            trial = trial + np.where(above, -step, step)
            left = high[todo] - low[todo] > 1
            todo, trial, step = todo[left], trial[left], step * 3
            outside = (trial <= low[todo]) | (trial >= high[todo]) | (step > 100)
            trial = np.where(outside, (low[todo] + high[todo]) // 2, trial)
        out[:, k] = np.where(at_now > q, o.as_of - 1, np.where(at_end <= q, end + 1, low))
    if o.restarted is not None:
        at = np.flatnonzero(o.doubt > 0)
        out[at] = _halved(o.rows(at), calendar, chances)
    return out


def _halved(o: Outlook, calendar: LoadCalendar, chances: Sequence[float]) -> Ints:
    """`last_days_within` of any chance that never falls, by halving alone."""
    low = np.full((len(o), len(chances)), o.as_of - 1)
    high = np.full_like(low, horizon_day(o.as_of) + 2)
    while (high - low > 1).any():
        middle = (low + high) // 2
        for k, q in enumerate(chances):
            above = chance_on_own_day(o, calendar, middle[:, k]) > q
            high[above, k], low[~above, k] = middle[above, k], middle[~above, k]
    return low
