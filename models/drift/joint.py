"""Several indicators as one model: what fouls an exchanger raises flue temperature and CO together.

Each indicator keeps its own fixed effects and residual variance as fitted alone; what its readings say is then put
together, with a full covariance of all levels and rates (2K) of cycle, install, model and design. An install whose flue
temperature climbs fast is so expected to show CO early, and one whose low fire was never read still learns from its
high fire. Cycles of two indicators that the same work opened are one: what they share is no second witness of what
their install is like. Errors of readings are taken as independent between indicators.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy.linalg import block_diag

from models.drift.covariates import LEVEL, RATE
from models.drift.cycle_sums import PARTS, Forest, Readings, positions
from models.drift.fitted import Install, SeriesFit
from models.drift.states import held_tree, install_frame, seen_cycles, unread_cycles
from models.mapper import Mapper, here
from models.mixed import smallblocks as sb
from models.mixed.below import posteriors_below
from models.mixed.leaf_sums import LeafSums, Messages, merge, segment_starts
from models.mixed.tree import LevelPrior, Nodes, Priors, Tree, TreeFit
from models.mixed.upper_levels import Above, Evaluation, evaluate_upper

LOWER = 2  # cycles and installs
FEWEST = 40  # installs that read two of the indicators at least, to tell how they go together
SAMPLE = 6_000  # installs from which the covariances are learned
NEAR = 0.01  # of -2 log L: no combination of covariances is more than a tenth of its standard error away
NEVER = -(2**20)  # stands for the day of no cycle at all, and the day after for one that began before the records
SAME_DAY = 64  # cycles that may begin on one day


@dataclass(frozen=True)
class Said:
    """What the cycles of one series say, the fixed effects but the intercepts taken off: by install and in order.

    install_no, cycle_no (times PARTS, and the part). began: tells the work that opened the cycle from that of the
    install's others, the same for all series. leaf: per cycle, residual variance 1; an install's newest recorded cycle
    is there, read or not.
    """

    install_no: np.ndarray
    cycle_no: np.ndarray
    began: np.ndarray
    leaf: LeafSums

    def of(self, installs: np.ndarray) -> Said:
        """Of these installs only; what does not depend on covariances (y'y, readings) is left as it is."""
        here = np.flatnonzero(positions(installs, self.install_no) >= 0)
        leaf = replace(self.leaf, s=self.leaf.s.take(here, axis=1), by=self.leaf.by.take(here, axis=1))
        return Said(self.install_no[here], self.cycle_no[here], self.began[here], leaf)

    @classmethod
    def joined(cls, parts: Sequence[Said]) -> Said:
        one = lambda name: np.concatenate([getattr(p, name) for p in parts])
        s, by = (np.concatenate([getattr(p.leaf, name) for p in parts], axis=1) for name in ("s", "by"))
        yy, n_obs = (sum(getattr(p.leaf, name) for p in parts) for name in ("yy", "n_obs"))
        return cls(one("install_no"), one("cycle_no"), one("began"), LeafSums(s, by, yy, n_obs, parts[0].leaf.columns))

    def reads(self, order: pl.DataFrame) -> np.ndarray:
        """Which installs of `order` were read."""
        out = np.zeros(order.height, dtype=bool)
        out[positions(order["install_no"].to_numpy(), self.install_no)[self.leaf.s[0] + self.leaf.s[2] > 0]] = True
        return out


Part = tuple[Sequence[Said], pl.DataFrame]  # some installs, in order, and what is said of them in each series


def joined(fits: Sequence[SeriesFit]) -> list[SeriesFit]:
    """The same fits with the posteriors of their installs from all of them; unchanged where too little links them."""
    fits = list(fits)
    if len(fits) < 2 or any(f.reml is None for f in fits):
        return fits
    numbers = [f.inputs.installs["install_no"].to_numpy() for f in fits]
    if any(len(n) != len(numbers[0]) or np.any(n != numbers[0]) for n in numbers[1:]):
        raise ValueError("the series of one group must list the same installs in the same order; give them one frame")
    order = install_frame(fits[0].inputs).select("design_no", "model_no", "install_no").sort(pl.all())
    found = together([([cycle_messages(f) for f in fits], order)], fits)
    if found is None:
        return fits
    return [replace(f, install=i, together=found[1]) for f, (i,) in zip(fits, found[0], strict=True)]


def together(
    parts: Sequence[Part], fits: Sequence[SeriesFit], mapper: Mapper = here
) -> tuple[list[list[Install]], np.ndarray] | None:
    """Posteriors of all installs and their newest cycles for each of the fits and parts, and the correlation of the
    installs' levels and rates; None where too little links them, or no scatter is left.

    parts: of the fleet, what the cycles of its installs say in each series, and the installs (design_no, model_no,
    install_no, sorted, also from part to part).
    """
    read = [np.stack([m.reads(order) for m in said]) for said, order in parts]
    if sum(int((r.sum(axis=0) >= 2).sum()) for r in read) < FEWEST:
        return None
    try:
        learned = covariances(Group.of(*some(parts, read)), fits)
        return posteriors(parts, learned.roots, mapper), correlation(learned.psi[1])
    except np.linalg.LinAlgError:
        return None


def covariances(group: Group, fits: Sequence[SeriesFit]) -> TreeFit:
    """Those of all levels and rates at their optimum, from what each series found alone. Raises LinAlgError where no
    scatter is left."""
    start = [block_diag(*(f.psi[level] for f in fits)) for level in range(4)]
    members = 2.0 * len(fits) + 2.0
    priors = Priors(levels=tuple(LevelPrior(members, psi) for psi in start))
    roots = [np.linalg.cholesky(psi) for psi in start]
    # the criterion holds y'y of all readings of the fleet, by which the optimum comes no nearer
    return group.tree().fit(roots, priors, NEAR, sigma2=1.0, relative=0.0)


def some(parts: Sequence[Part], read: Sequence[np.ndarray]) -> tuple[list[Said], pl.DataFrame]:
    """Up to SAMPLE of the installs that were read, from all parts."""
    every = max(1, sum(int(r.any(axis=0).sum()) for r in read) // SAMPLE)
    kept, seen = [], 0
    for (said, order), r in zip(parts, read, strict=True):
        at = np.flatnonzero(r.any(axis=0))
        own = order[at[(seen + np.arange(len(at))) % every == 0]]
        kept.append(([m.of(own["install_no"].to_numpy()) for m in said], own))
        seen += len(at)
    together = [Said.joined(of_series) for of_series in zip(*(said for said, _ in kept), strict=True)]
    return together, pl.concat([own for _, own in kept])


@dataclass(frozen=True)
class Group:
    """The cycles of several series as one tree.

    install: place of each cycle's install in `order`. at: per series, which cycle of the tree each of its own is.
    newest: per series and install, which of its own is the newest, -1 where there is none.
    """

    said: Sequence[Said]
    order: pl.DataFrame
    install: np.ndarray
    at: list[np.ndarray]
    newest: np.ndarray

    @classmethod
    def of(cls, said: Sequence[Said], order: pl.DataFrame) -> Group:
        number = order["install_no"].to_numpy()
        own = [positions(number, m.install_no) for m in said]
        codes = [(i << 32) + (m.began - NEVER * SAME_DAY) for i, m in zip(own, said, strict=True)]
        silent = np.ones(len(number), dtype=bool)
        for i in own:
            silent[i] = False
        cycles, inverse = np.unique(np.concatenate([*codes, np.flatnonzero(silent) << 32]), return_inverse=True)
        ends = np.cumsum([len(c) for c in codes])
        newest = np.full((len(said), len(number)), -1)
        for k, i in enumerate(own):
            newest[k, i] = np.arange(len(i))  # the last one stays
        return cls(said, order, cycles >> 32, np.split(inverse, ends)[: len(said)], newest)

    def tree(self) -> Tree:
        """The indicators' messages as blocks of one 2K vector."""
        q, n = 2 * len(self.said), len(self.install)
        slot = sb.slots(q)
        s, by = np.zeros((q * (q + 1) // 2, n)), np.zeros((q, n))
        for k, (m, at) in enumerate(zip(self.said, self.at, strict=True)):
            a, b = 2 * k, 2 * k + 1
            s[slot[a, a], at], s[slot[b, a], at], s[slot[b, b], at] = m.leaf.s
            by[a, at], by[b, at] = m.leaf.by
        columns = tuple((c, None) for c in range(q))
        leaf = LeafSums(s, by, sum(m.leaf.yy for m in self.said), sum(m.leaf.n_obs for m in self.said), columns)
        to_install = np.cumsum(np.r_[True, np.diff(self.install) != 0]) - 1
        model, design = (self.order[name].to_numpy() for name in ("model_no", "design_no"))
        new_model = np.r_[True, (model[1:] != model[:-1]) | (design[1:] != design[:-1])]
        first = design[np.flatnonzero(new_model)]
        to_design = np.cumsum(np.r_[True, first[1:] != first[:-1]]) - 1
        return Tree(leaf, [to_install, np.cumsum(new_model) - 1, to_design], n_lower=LOWER)

    @property
    def told_of(self) -> np.ndarray:
        """The cycles of the tree that are the newest of their install in some series, and the first one."""
        return np.unique(np.concatenate([[0], *(at[n[n >= 0]] for at, n in zip(self.at, self.newest, strict=True))]))

    def told(self, cycles: Nodes, installs: Nodes) -> list[Install]:
        """Per series, from the posteriors of the tree's cycles `told_of` and installs."""
        number, slot, out = self.order["install_no"].to_numpy(), sb.slots(2 * len(self.said)), []
        told_of = self.told_of
        for k, m in enumerate(self.said):
            both = slice(2 * k, 2 * k + 2)
            rows = [slot[2 * k, 2 * k], slot[2 * k + 1, 2 * k], slot[2 * k + 1, 2 * k + 1]]
            newest = self.newest[k]
            at = np.where(newest >= 0, np.searchsorted(told_of, np.r_[self.at[k], 0][newest]), 0)
            out.append(
                Install(
                    number,
                    installs.mean[both],
                    installs.cov[rows],
                    np.where(newest >= 0, np.r_[m.cycle_no, -1][newest], -1).astype(np.int64),
                    cycles.mean[both].take(at, axis=1),
                    cycles.cov[rows].take(at, axis=1),
                )
            )
        return out


def posteriors(parts: Sequence[Part], roots: Sequence[np.ndarray], mapper: Mapper = here) -> list[list[Install]]:
    """Per series and part, of all installs and of their newest cycles."""
    models = [order.select("design_no", "model_no").unique(maintain_order=True) for _, order in parts]
    whole = pl.concat(models).unique(maintain_order=True)["design_no"].to_numpy()
    to_design = np.cumsum(np.r_[0, np.diff(whole) != 0])
    own, first = [], 0
    for k, of_part in enumerate(models):
        # the last model of a part may go on in the next one
        first -= int(k > 0 and of_part.row(0) == models[k - 1].row(-1))
        own.append(np.arange(first, first + of_part.height))
        first += of_part.height
    m = merge(mapper(part_messages, [(*part, roots) for part in parts]), own, len(to_design))
    at = evaluate_upper(m, [to_design], LOWER, roots, Priors(), 1.0, gradient=False)
    above = Above(at, np.arange(len(to_design)), np.arange(int(to_design[-1]) + 1))
    pieces = [(*part, roots, above.of(here, np.unique(to_design[here]))) for part, here in zip(parts, own, strict=True)]
    told = mapper(part_posteriors, pieces)
    return [list(of_series) for of_series in zip(*told, strict=True)]


def part_messages(piece: tuple[Sequence[Said], pl.DataFrame, Sequence[np.ndarray]]) -> Messages:
    said, order, roots = piece
    return Group.of(said, order).tree().messages(roots, gradient=False)


def part_posteriors(piece: tuple[Sequence[Said], pl.DataFrame, Sequence[np.ndarray], Evaluation]) -> list[Install]:
    said, order, roots, above = piece
    group, q = Group.of(said, order), 2 * len(said)
    cycles, installs = posteriors_below(
        group.tree(), roots, -above.group_u[:q], sb.pack(above.group_cov[:, :q, :q]), group.told_of
    )
    return group.told(cycles, installs)


def correlation(psi: np.ndarray) -> np.ndarray:
    sd = np.sqrt(np.diag(psi))
    return psi / np.outer(sd, sd)


def cycle_messages(fit: SeriesFit, forest: Forest | None = None) -> Said:
    """What the cycles of a series say. forest: of those that were read, if made already."""
    unread = unread_newest(fit)
    if forest is not None:
        return with_silent(of_cycles(fit, forest), forest, unread)
    seen = seen_cycles(fit.inputs, fit.readings)
    return of_cycles(fit, Forest.of(pl.concat([seen, unread.select(seen.columns)]), install_frame(fit.inputs)))


def of_cycles(fit: SeriesFit, forest: Forest) -> Said:
    """What the cycles of a forest say."""
    number, cycle = forest.installs[forest.parents[0]].astype(np.int32), forest.rows["cycle_no"].cast(pl.Int32)
    columns = ((LEVEL, None), (RATE, None))
    if forest.size == 0:
        return Said(number, cycle.to_numpy(), number, LeafSums(np.zeros((3, 0)), np.zeros((2, 0)), 0.0, 0.0, columns))
    leaf, s2 = held_tree(fit, forest)[0].leaf, fit.sigma**2
    leaf = LeafSums(leaf.s / s2, leaf.by / s2, leaf.yy / s2, leaf.n_obs, columns)
    return Said(number, cycle.to_numpy(), began(forest, fit.readings), leaf)


def with_silent(said: Said, forest: Forest, unread: pl.DataFrame) -> Said:
    """With the newest cycles of installs that were not read in them, which say nothing. said: of the forest."""
    install, cycle = (unread[name].to_numpy().astype(np.int32) for name in ("install_no", "cycle_no"))
    day = unread["opened_day"].cast(pl.Int64).fill_null(NEVER + 1).to_numpy()
    last = np.cumsum(np.bincount(forest.parents[0], minlength=len(forest.installs))) - 1
    at = positions(forest.installs, install)
    before = np.where(at >= 0, np.r_[said.began, 0][np.r_[last, 0][at]], NEVER * SAME_DAY).astype(np.int64)
    among = np.where(before // SAME_DAY == day, np.minimum(before % SAME_DAY + 1, SAME_DAY - 1), 0)
    leaf, n = said.leaf, len(install)
    return Said(
        np.r_[said.install_no, install],
        np.r_[said.cycle_no, cycle],
        np.r_[said.began, (day * SAME_DAY + among).astype(np.int32)],
        replace(leaf, s=np.c_[leaf.s, np.zeros((3, n))], by=np.c_[leaf.by, np.zeros((2, n))]),
    )


def unread_newest(fit: SeriesFit) -> pl.DataFrame:
    """The newest recorded cycle of each install where nothing was read in it: another indicator may have been."""
    cycles, row = fit.inputs.cycles, fit.readings.row
    read = np.zeros(cycles.height, dtype=bool)
    read[row[row >= 0]] = True
    newest = last_rows(cycles["install_no"].to_numpy(), cycles["cycle_no"].to_numpy())
    return unread_cycles(cycles[newest[~read[newest]]])


def last_rows(install: np.ndarray, cycle: np.ndarray) -> np.ndarray:
    """The row of each install's highest cycle number, ascending."""
    if len(install) == 0:
        return np.zeros(0, dtype=np.int64)
    last = np.flatnonzero(np.r_[install[1:] != install[:-1], True])
    together = np.bincount(install[last]).max() == 1
    if together and np.all((install[1:] != install[:-1]) | (cycle[1:] > cycle[:-1])):
        return last
    order = np.lexsort((cycle, install))
    return np.sort(order[np.r_[install[order][1:] != install[order][:-1], True]])


def began(forest: Forest, readings: Readings) -> np.ndarray:
    """Day of the work that opened each cycle, recorded or found by the fit, as a number that no other cycle of the
    install in this series has."""
    known = forest.rows["opened_day"].cast(pl.Int64).fill_null(NEVER + 1).to_numpy()
    run = forest.runs(readings)
    cut = (forest.rows["cycle_no"].to_numpy() % PARTS > 0) & (run >= 0)
    # after unrecorded work: the day of the reading before the cut
    day = np.where(cut, readings.day[readings.start[np.maximum(run, 0)] - 1], known) if cut.any() else known
    install = forest.parents[0]
    starts = segment_starts(np.cumsum(np.r_[0, (np.diff(install) != 0) | (np.diff(day) != 0)]))
    among = np.arange(len(day)) - np.repeat(starts, np.diff(np.r_[starts, len(day)]))
    return (day * SAME_DAY + np.minimum(among, SAME_DAY - 1)).astype(np.int32)
