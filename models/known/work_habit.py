"""How likely a visit does the work that sets an indicator back, by where the indicator is found: learnt from the past.

Where a reading near its limit brings the work about, a visit that left it undone says that the value was not bad, and
one that leaves open whether it was done more likely did it where the value was. The chance goes from a floor (work done
as a matter of course) to a ceiling, along a logistic curve of the distance from the limit. Visits that wrote nothing of
the indicator down may have seen it or not: how often is told by whether they, too, did the work where it was to be
expected bad. A fleet whose work does not depend on what is found has the floor alone, and no visit then says anything.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import expit, logit

from models.arrays import Floats, Ints
from models.drift.cycle_sums import Forest, positions
from models.drift.series import forward
from models.mixed.newton import minimise

FEWEST = 30  # visits that tell what was found and what was done, below which nothing is learnt
LEAST = 1e-9  # chances are held this far from 0 and 1 before a logarithm is taken
FARTHEST = 50.0  # widths from the limit: as far as it matters
UNTOLD = 0.5  # share that saw the value of visits without a reading, where the past does not tell: mean of a flat prior
SHARES = np.linspace(0.0, 1.0, 21)
STEPS = 64  # per spread of the distances, to which these are rounded: finer than any reading tells
# Where the curve is first looked for: logits of floor (less that of the share) and of the rise, place and log width in
# spreads; there are several optima now and then.
LOOKED_AT = np.stack(np.meshgrid([-2.0, -0.5], [-2.0, 0.0, 2.0], [-2.0, -1.0, 0.0, 1.0], [-2.5, -0.5]), axis=-1)
MIDDLE, SPREAD = np.array([0.0, 0.0, 0.0, -1.5]), np.array([3.0, 2.0, 1.0, 1.0])  # of their priors
TURNS = np.linspace(
    -5.0, 5.0, 81
)  # of a standard normal: fine enough for a curve that rises within a tenth of its spread
WEIGHTS = np.exp(-0.5 * TURNS**2) / np.exp(-0.5 * TURNS**2).sum()


def beyond(z: Floats, low: Floats, high: Floats) -> Floats:
    """How far a value lies beyond the nearer end of its range (negative: inside), on the scale of the fit; -inf where
    neither end is there."""
    with np.errstate(invalid="ignore"):
        over, under = (np.where(np.isfinite(end), side * (z - end), -np.inf) for end, side in ((high, 1), (low, -1)))
    return np.maximum(over, under)


@dataclass(frozen=True)
class WorkHabit:
    """Chance that a visit does the work: floor, ceiling: far from the limit and far beyond it; place, width: of the
    logistic curve between, on the scale of the fit. share: of all visits that say whether it was done. seen: share of
    the visits without a reading at which the value was seen all the same; share_unread: of those visits, that did it.
    """

    floor: float
    ceiling: float
    place: float
    width: float
    share: float
    seen: float = 1.0
    share_unread: float | None = None

    @classmethod
    def none(cls, share: float) -> WorkHabit:
        return cls(share, share, 0.0, 1.0, share)

    @property
    def depends(self) -> bool:
        return self.ceiling > self.floor

    def chance(self, distance: Floats) -> Floats:
        """Of work where a reading was found so far beyond its limit (`beyond`)."""
        x = np.clip((distance - self.place) / self.width, -FARTHEST, FARTHEST)
        return self.floor + (self.ceiling - self.floor) * expit(x)

    def unread(self, distance: Floats) -> Floats:
        """The same where nothing was written down, and a reading would have shown that."""
        by_course = self.share if self.share_unread is None else self.share_unread
        return self.seen * self.chance(distance) + (1 - self.seen) * by_course

    def if_open(self, chance: Floats, open_share: float) -> Floats:
        """That chance where the visit leaves it open. open_share: of such visits, those that did the work."""
        odds = open_share / (1 - open_share) * (1 - self.share) / self.share
        return odds * chance / (odds * chance + 1 - chance)


@dataclass(frozen=True)
class Found:
    """Visits by how far beyond the limit they found the value, in spreads (n,), and how many of them did the work.

    A curve is four numbers: logit of the floor, logit of the rise (a share of what lies above the floor), place and log
    width in spreads.
    """

    place: Floats
    did: Floats
    did_not: Floats

    def loss(self, at: Floats) -> Floats:
        """Half the prior's and minus the visits' log likelihood; at (4, …, 1) or (4, 1)."""
        chance = self.curve(at)[-1]
        held = 0.5 * (((at[..., 0].T - MIDDLE) / SPREAD) ** 2).sum(axis=-1)
        return held - np.log(chance) @ self.did - np.log1p(-chance) @ self.did_not

    def curve(self, at: Floats) -> tuple[Floats, ...]:
        """floor, rise, x and expit(x) of the logistic curve, and the chance of work, at each place."""
        floor, rise = expit(at[0]), expit(at[1])
        x = np.clip((self.place - at[2]) / np.exp(np.clip(at[3], -FARTHEST, FARTHEST)), -FARTHEST, FARTHEST)
        risen = expit(x)
        return floor, rise, x, risen, np.clip(floor + (1 - floor) * rise * risen, LEAST, 1 - LEAST)

    def fit(self, at: Floats) -> tuple[float, Floats, Floats]:
        """The loss, its gradient and Fisher's information at one curve (4,)."""
        floor, rise, x, risen, chance = self.curve(at[:, None])
        steep = (1 - floor) * rise * risen * (1 - risen)
        moved = np.stack(
            [
                floor * (1 - floor) * (1 - rise * risen),
                (1 - floor) * rise * (1 - rise) * risen,
                -steep / np.exp(at[3]),
                -steep * x,
            ]
        )
        gradient = moved @ (self.did_not / (1 - chance) - self.did / chance) + (at - MIDDLE) / SPREAD**2
        information = (moved * ((self.did + self.did_not) / (chance * (1 - chance)))) @ moved.T
        return float(self.loss(at[:, None])), gradient, information + np.diag(1 / SPREAD**2)


def learnt(distance: Floats, done: NDArray[np.bool_]) -> WorkHabit:
    """From as-found readings (`beyond`, finite) and whether the visit did the work.

    Maximum a posteriori under weak priors; the floor alone unless the curve is the better by BIC (Schwarz 1978).
    """
    n = len(done)
    share = float((done.sum() + 1) / (n + 2))
    spread = float(np.subtract(*np.quantile(distance, [0.9, 0.5]))) if n >= FEWEST else 0.0
    if spread <= 0 or not 0 < done.sum() < n:
        return WorkHabit.none(share)

    step = spread / STEPS
    place, of = np.unique(np.round(distance / step), return_inverse=True)
    did, did_not = (np.bincount(of, which).astype(float) for which in (done, ~done))
    visits = Found(place / STEPS, did, did_not)
    starts = (LOOKED_AT + np.array([logit(share), 0.0, 0.0, 0.0])).reshape(-1, 4)
    best = minimise(visits.fit, starts[np.argmin(visits.loss(starts.T[:, :, None]))], limit=200)
    alone = -(done.sum() * np.log(share) + (~done).sum() * np.log1p(-share))
    if alone - best.value <= 1.5 * np.log(n):
        return WorkHabit.none(share)
    floor, rise = expit(best.x[:2]).tolist()
    return WorkHabit(floor, floor + (1 - floor) * rise, spread * best.x[2], spread * float(np.exp(best.x[3])), share)


def learnt_unread(
    habit: WorkHabit, expected: Floats, spread: float, low: Floats, high: Floats, done: NDArray[np.bool_]
) -> WorkHabit:
    """With what past visits without a reading tell. expected, spread: what a reading would have been, on the scale of
    the fit, as far as an earlier one tells; low, high: the range; done: whether they did the work. The share that saw
    the value is the mean of its posterior under a flat prior."""
    if not len(done):
        return replace(habit, seen=UNTOLD)
    share = float((done.sum() + 1) / (len(done) + 2))
    read = expected[:, None] + spread * TURNS
    p = habit.chance(beyond(read, low[:, None], high[:, None])) @ WEIGHTS
    p = SHARES[:, None] * p + (1 - SHARES[:, None]) * share
    fit = np.log(np.where(done, p, 1 - p)).sum(axis=1)
    weight = np.exp(fit - fit.max())
    return replace(habit, seen=float(SHARES @ weight / weight.sum()), share_unread=share)


def habit_of(
    visits: pl.DataFrame,
    readings: pl.DataFrame,
    opened: pl.DataFrame,
    unsaid: pl.DataFrame,
    ranges: pl.DataFrame,
    transform: str,
) -> WorkHabit:
    """Of the visits of some installs.

    visits: install_no, visit_no, clock_h of all their visits. readings: install_no, visit_no, stage_order, value (own
    unit). opened: install_no, opened_visit_no of the cycles. unsaid: visit_no of visits that leave open whether the
    work was done. ranges: install_no, low, high on the scale of the fit (-inf, inf where open).
    """
    at, install = whole(visits, "visit_no"), whole(visits, "install_no")
    clock, of_range = visits["clock_h"].to_numpy(), positions(whole(ranges, "install_no"), install)
    said = np.flatnonzero((of_range >= 0) & ~np.isin(at, whole(unsaid, "visit_no")))
    said = said[np.argsort(at[said])]
    low, high = (ranges[name].to_numpy()[of_range[said]] for name in ("low", "high"))
    owner, visit, now_h = install[said], at[said], clock[said]

    z = forward(readings["value"].cast(pl.Float64).to_numpy(), transform)
    of_visit = positions(at, whole(readings, "visit_no"))
    read = np.flatnonzero(np.isfinite(z) & (of_visit >= 0))
    z, of_visit, stage = z[read], of_visit[read], whole(readings, "stage_order")[read]
    here = np.flatnonzero(stage == 0)
    found = np.append(z[here], np.nan)[positions(at[of_visit[here]], visit)]
    opened = opened.drop_nulls("opened_visit_no")
    work = whole(opened, "opened_visit_no")
    done = np.isin(visit, work)

    # the last reading and the last work of each install before its visit, by a visit's place among visits and stages
    read_at, work_at = 2 * at[of_visit] + stage, 2 * work
    last = latest_before(owner, 2 * visit, install[of_visit], read_at)
    began = latest_before(owner, 2 * visit, whole(opened, "install_no"), work_at)
    distance = beyond(found, low, high)
    near = np.isfinite(found) & np.isfinite(distance)
    habit = learnt(distance[near], done[near])
    if not habit.depends:
        return habit
    # a reading at the visit that began the cycle is of it only as left
    followed = np.flatnonzero((last >= 0) & (np.append(read_at, -1)[last] > np.append(work_at, -2)[began]))
    read_again = np.isfinite(found[followed])
    again, silent = followed[read_again], followed[~read_again]
    if len(again) < FEWEST:
        return replace(habit, seen=UNTOLD)
    read_z, read_h = z[last], clock[of_visit][last]
    hours, moved = now_h[again] - read_h[again], found[again] - read_z[again]
    rate = float(hours @ moved) / max(float(hours @ hours), 1e-9)
    spread = float(np.sqrt(np.mean((moved - rate * hours) ** 2)))
    expected = read_z[silent] + rate * (now_h[silent] - read_h[silent])
    return learnt_unread(habit, expected, spread, low[silent], high[silent], done[silent])


def whole(rows: pl.DataFrame, name: str) -> Ints:
    return rows[name].to_numpy().astype(np.int64)


def latest_before(install: Ints, place: Ints, of: Ints, then: Ints) -> Ints:
    """For each place of an install the position of the same install's last one before it among the places `then`, whose
    installs are `of`; -1 where there is none."""
    order = np.lexsort((then, of))
    of, then = of[order], then[order]
    at = np.searchsorted(Forest.key(of, then), Forest.key(install, place)) - 1
    return np.where((at >= 0) & (np.append(of, -1)[at] == install), np.append(order, -1)[at], -1)
