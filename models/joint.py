"""Several indicators as one model: what fouls an exchanger raises flue temperature and CO together.

Each indicator keeps its own fixed effects and residual variance as fitted alone; what its readings say is then put
together, with a full covariance of all levels and rates (2K) of cycle, install, model and design. An install whose flue
temperature climbs fast is so expected to show CO early, and one whose low fire was never read still learns from its
high fire. Cycles of two indicators that the same work opened are one: what they share is no second witness of what
their install is like. Errors of readings are taken as independent between indicators.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import polars as pl
from scipy.linalg import block_diag

from models import smallblocks as sb
from models.cycle_sums import PARTS, Forest, Readings
from models.drift import DEFAULTS, fit_series
from models.fitted import SeriesFit, built_up_before, freed_levels, install_frame, seen_cycles, tree_sums
from models.known_installs import Install
from models.lower_levels import LeafSums, merge, segment_starts, without_fixed
from models.series import FitOptions, SeriesInputs
from models.tree import LevelPrior, Priors, Tree, leaf_posteriors
from models.upper_levels import Above, evaluate_upper

LOWER = 2  # cycles and installs
FEWEST = 40  # installs that read two of the indicators at least, to tell how they go together
SAMPLE = 6_000  # installs from which the covariances are learned
AT_ONCE = 25_000  # installs whose posteriors are worked out together
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


def fit_group(inputs: Sequence[SeriesInputs], options: FitOptions = DEFAULTS) -> list[SeriesFit]:
    """Each series fitted alone, then put together. All must list the same installs."""
    return joined([fit_series(series, options) for series in inputs])


def joined(fits: Sequence[SeriesFit]) -> list[SeriesFit]:
    """The same fits with the posteriors of their installs from all of them; unchanged where too little links them."""
    fits = list(fits)
    if len(fits) < 2 or any(f.reml is None for f in fits):
        return fits
    numbers = [f.inputs.installs["install_no"].to_numpy() for f in fits]
    if any(len(n) != len(numbers[0]) or np.any(n != numbers[0]) for n in numbers[1:]):
        raise ValueError("the series of one group must list the same installs in the same order; give them one frame")
    order = (
        install_frame(fits[0].inputs)
        .select("design_no", "model_no", "install_no")
        .sort("design_no", "model_no", "install_no")
    )
    found = together([cycle_messages(f) for f in fits], order, fits)
    if found is None:
        return fits
    return [replace(f, install=i, together=found[1]) for f, i in zip(fits, found[0], strict=True)]


def together(
    said: Sequence[Said], order: pl.DataFrame, fits: Sequence[SeriesFit]
) -> tuple[list[Install], np.ndarray] | None:
    """Posteriors of all installs and their newest cycles for each of the fits, and the correlation of the installs'
    levels and rates; None where too little links them, or no scatter is left. order: the installs (design_no, model_no,
    install_no, sorted)."""
    group = Group.of(said, order)
    if (group.read.sum(axis=0) >= 2).sum() < FEWEST:
        return None
    start = [block_diag(*(f.psi[level] for f in fits)) for level in range(4)]
    members = 2.0 * len(fits) + 2.0
    priors = Priors(levels=tuple(LevelPrior(members, psi) for psi in start))
    any_read = np.flatnonzero(group.read.any(axis=0))
    chosen = any_read[:: max(1, len(any_read) // SAMPLE)]
    try:
        roots = [np.linalg.cholesky(psi) for psi in start]
        learned = group.tree(chosen).fit(roots, priors, tolerance=1e-3, sigma2=1.0)
        return posteriors(group, learned.roots), correlation(learned.psi[1])
    except np.linalg.LinAlgError:
        return None


@dataclass(frozen=True)
class Group:
    """The cycles of several series as one tree.

    install: place of each cycle's install in `order`. at: per series, which cycle of the tree each of its own is.
    newest: per series and install, which of its own is the newest, -1 where there is none. read: (series, installs).
    """

    said: Sequence[Said]
    order: pl.DataFrame
    install: np.ndarray
    at: list[np.ndarray]
    newest: np.ndarray
    read: np.ndarray

    @classmethod
    def of(cls, said: Sequence[Said], order: pl.DataFrame) -> Group:
        number = order["install_no"].to_numpy()
        sorted_ = np.argsort(number)
        own = [sorted_[np.searchsorted(number, m.install_no, sorter=sorted_)].astype(np.int64) for m in said]
        shift = NEVER * SAME_DAY
        codes = [(i << 40) + (m.began - shift) for i, m in zip(own, said, strict=True)]
        everyone = np.arange(len(number), dtype=np.int64)
        silent = np.setdiff1d(everyone, np.concatenate(own)) << 40
        cycles, inverse = np.unique(np.concatenate([*codes, silent]), return_inverse=True)
        ends = np.cumsum([len(c) for c in codes])
        newest, read = np.full((len(said), len(number)), -1), np.zeros((len(said), len(number)), dtype=bool)
        for k, (i, m) in enumerate(zip(own, said, strict=True)):
            newest[k, i] = np.arange(len(i))  # the last one stays
            read[k, i[m.leaf.s[0] + m.leaf.s[2] > 0]] = True
        return cls(said, order, cycles >> 40, np.split(inverse, ends)[: len(said)], newest, read)

    def tree(self, chosen: np.ndarray) -> Tree:
        """Of the chosen installs (their places, sorted): the indicators' messages as blocks of one 2K vector."""
        q = 2 * len(self.said)
        slot = sb.slots(q)
        inside = np.zeros(self.order.height, dtype=bool)
        inside[chosen] = True
        kept = inside[self.install]
        place = np.cumsum(kept) - 1
        s, by = np.zeros((q * (q + 1) // 2, int(kept.sum()))), np.zeros((q, int(kept.sum())))
        for k, (m, at) in enumerate(zip(self.said, self.at, strict=True)):
            a, b = 2 * k, 2 * k + 1
            own = kept[at]
            to = place[at[own]]
            s[slot[a, a], to], s[slot[b, a], to], s[slot[b, b], to] = m.leaf.s[:, own]
            by[a, to], by[b, to] = m.leaf.by[:, own]
        columns = tuple((c, None) for c in range(q))
        leaf = LeafSums(s, by, sum(m.leaf.yy for m in self.said), sum(m.leaf.n_obs for m in self.said), columns)
        to_install = np.cumsum(np.r_[True, np.diff(self.install[kept]) != 0]) - 1
        model, design = (self.order[name].to_numpy()[chosen] for name in ("model_no", "design_no"))
        new_model = np.r_[True, (model[1:] != model[:-1]) | (design[1:] != design[:-1])]
        first = design[np.flatnonzero(new_model)]
        to_design = np.cumsum(np.r_[True, first[1:] != first[:-1]]) - 1
        return Tree(leaf, [to_install, np.cumsum(new_model) - 1, to_design], n_lower=LOWER)

    def pieces(self) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """The installs' places, some at a time, and the places of their models among all."""
        model, design = (self.order[name].to_numpy() for name in ("model_no", "design_no"))
        of_model = np.cumsum(np.r_[0, (np.diff(model) != 0) | (np.diff(design) != 0)])
        for first in range(0, self.order.height, AT_ONCE):
            here = np.arange(first, min(first + AT_ONCE, self.order.height))
            yield here, np.unique(of_model[here])


def posteriors(group: Group, roots: Sequence[np.ndarray]) -> list[Install]:
    """Of all installs and of each series' newest cycle, some installs at a time."""
    whole = group.order.select("design_no", "model_no").unique().sort("design_no", "model_no")["design_no"].to_numpy()
    to_design = np.cumsum(np.r_[0, np.diff(whole) != 0])
    pieces = list(group.pieces())
    said = [group.tree(here).messages(roots, gradient=False) for here, _ in pieces]
    m = merge(said, [models for _, models in pieces], len(to_design))
    at = evaluate_upper(m, [to_design], LOWER, roots, Priors(), 1.0, gradient=False)
    above = Above(at, np.arange(len(to_design)), np.arange(int(to_design[-1]) + 1))
    n, slot = group.order.height, sb.slots(2 * len(group.said))
    own = [[2 * k, 2 * k + 1] for k in range(len(group.said))]
    packed = [[slot[a, a], slot[b, a], slot[b, b]] for a, b in own]
    number = group.order["install_no"].to_numpy()
    out = []
    for k, said_k in enumerate(group.said):
        cycle_no = np.where(group.newest[k] >= 0, np.r_[said_k.cycle_no, -1][group.newest[k]], -1)
        mean, cov, own_mean, own_cov = (np.zeros((rows, n)) for rows in (2, 3, 2, 3))
        out.append(Install(number, mean, cov, cycle_no, own_mean, own_cov))
    first = 0
    for here, models in pieces:
        tree = group.tree(here)  # made anew: all of them at once would fill the memory
        cycles, installs = leaf_posteriors(tree, roots, above.of(models, np.unique(to_design[models])))
        for k, known in enumerate(out):
            newest = group.newest[k, here]
            with_own = here[newest >= 0]
            leaf = group.at[k][newest[newest >= 0]] - first
            known.mean[:, here], known.cov[:, here] = installs.mean[own[k]], installs.cov[packed[k]]
            known.own_mean[:, with_own] = cycles.mean[own[k]][:, leaf]
            known.own_cov[:, with_own] = cycles.cov[packed[k]][:, leaf]
        first += tree.sizes[0]
    by_number = np.argsort(number)
    return [Install(*(getattr(known, f.name)[..., by_number] for f in fields(Install))) for known in out]


def correlation(psi: np.ndarray) -> np.ndarray:
    sd = np.sqrt(np.diag(psi))
    return psi / np.outer(sd, sd)


def cycle_messages(fit: SeriesFit) -> Said:
    seen = seen_cycles(fit.inputs, fit.readings)
    forest = Forest.of(pl.concat([seen, unread_newest(fit, seen)]), install_frame(fit.inputs))
    number, cycle = (forest.cycles[name].to_numpy() for name in ("install_no", "cycle_no"))
    if forest.cycles.is_empty():
        return Said(
            number, cycle, number, LeafSums(np.zeros((3, 0)), np.zeros((2, 0)), 0.0, 0.0, ((0, None), (1, None)))
        )
    full = tree_sums(fit, forest).leaf(fit.terms.columns(forest, built_up_before(fit, forest)), freed_levels(forest))
    leaf, s2 = without_fixed(full, fit.beta), fit.sigma**2
    leaf = LeafSums(leaf.s / s2, leaf.by / s2, leaf.yy / s2, leaf.n_obs, ((0, None), (1, None)))
    return Said(number, cycle, began(forest, fit.readings), leaf)


def unread_newest(fit: SeriesFit, seen: pl.DataFrame) -> pl.DataFrame:
    """The newest recorded cycle of each install where nothing was read in it: another indicator may have been."""
    newest = fit.inputs.cycles.select(
        pl.col("install_no").cast(pl.Int64),
        pl.col("cycle_no").cast(pl.Int64) * PARTS,
        pl.col("opened_by").cast(pl.String).fill_null("unknown").replace("unknown", "unread"),
        pl.col("opened_day").cast(pl.Int32),
        pl.col("value_before").cast(pl.Float64),
    )
    newest = newest.filter(pl.col("cycle_no") == pl.col("cycle_no").max().over("install_no"))
    parts = seen.select("install_no", pl.col("cycle_no") // PARTS * PARTS)
    return newest.join(parts, on=["install_no", "cycle_no"], how="anti").select(seen.columns)


def began(forest: Forest, readings: Readings) -> np.ndarray:
    """Day of the work that opened each cycle, recorded or found by the fit, as a number that no other cycle of the
    install in this series has."""
    known = forest.cycles["opened_day"].cast(pl.Int64).fill_null(NEVER + 1).to_numpy()
    run = forest.runs(readings)
    cut = (forest.cycles["cycle_no"].to_numpy() % PARTS > 0) & (run >= 0)
    # after unrecorded work: the day of the reading before the cut
    day = np.where(cut, readings.day[readings.start[np.maximum(run, 0)] - 1], known) if cut.any() else known
    install = forest.parents[0]
    starts = segment_starts(np.cumsum(np.r_[0, (np.diff(install) != 0) | (np.diff(day) != 0)]))
    among = np.arange(len(day)) - np.repeat(starts, np.diff(np.r_[starts, len(day)]))
    return day.astype(np.int64) * SAME_DAY + np.minimum(among, SAME_DAY - 1)
