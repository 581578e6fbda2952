"""A fit laid over its cycles: their sums, their tree, and what follows for every node."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.drift import priors as assumed
from models.drift.covariates import LEVEL, RATE, code, codes, fixed_values
from models.drift.cycle_sums import KEYS, PARTS, CycleSums, Forest, Readings, positions, whole_numbers
from models.drift.fitted import SeriesFit
from models.drift.series import SeriesInputs, forward
from models.mixed import smallblocks as sb
from models.mixed.below import posteriors_below
from models.mixed.leaf_sums import without
from models.mixed.tree import Nodes, Priors, Tree
from models.mixed.upper_levels import Evaluation
from models.mixed.whole_posteriors import leaf_posteriors

LOWER = 2  # cycles and installs are swept in blocks; appliance models and designs are optimised inside
FEW_SHARE = 3  # of cycles: up to one of so many with other weights, only their sums are made anew
UNREAD = pl.lit("unread", dtype=pl.Categorical)
UNKNOWN = pl.lit("unknown", dtype=pl.Categorical)


@dataclass
class State:
    """Posteriors of all nodes of a forest under a fit; relative covariances times sigma2. fixed: what the fixed effects
    but the intercepts do to the level and rate of each cycle, (2, cycles), where they were held."""

    sums: CycleSums
    freed: np.ndarray
    built_up: np.ndarray | None
    tree: Tree
    at: Evaluation
    nodes: list[Nodes]
    fixed: np.ndarray | None = None


def install_frame(inputs: SeriesInputs) -> pl.DataFrame:
    if inputs.installs.schema["install_no"] == pl.Int64:
        return inputs.installs
    return inputs.installs.with_columns(pl.col("install_no").cast(pl.Int64))


def at_hand(inputs: SeriesInputs) -> SeriesInputs:
    """The same with installs in the order of the tree and cycles in the columns of `seen_cycles`, for many forests."""
    cycles = inputs.cycles.with_columns(
        pl.col("opened_by").cast(pl.Categorical).fill_null(UNKNOWN),
        pl.col("opened_day").cast(pl.Int32),
        pl.col("value_before").cast(pl.Float64),
    )
    return replace(inputs, cycles=cycles, installs=install_frame(inputs).sort(KEYS))


def seen_cycles(inputs: SeriesInputs, readings: Readings) -> pl.DataFrame:
    """Cycles with usable readings; one that the cycles table does not know counts as opened by unknown."""
    own = [pl.Series("install_no", readings.install_no), pl.Series("cycle_no", readings.cycle_no)]
    columns = [inputs.cycles[name] for name in ("opened_by", "opened_day", "value_before")]
    plain = [values.dtype for values in columns] == [pl.Categorical, pl.Int32, pl.Float64]
    if plain and not columns[0].null_count() and np.all(readings.row >= 0):
        return pl.DataFrame(own + [values[readings.row] for values in columns])
    at = pl.lit(pl.Series(readings.row.astype(np.int64)))
    known = pl.when(at >= 0).then(at)
    return inputs.cycles.select(
        *(pl.lit(number) for number in own),
        pl.col("opened_by").cast(pl.Categorical).gather(known).fill_null(UNKNOWN),
        pl.col("opened_day").cast(pl.Int32).gather(known),
        pl.col("value_before").cast(pl.Float64).gather(known),
    )


def unread_cycles(cycles: pl.DataFrame) -> pl.DataFrame:
    """Cycles of a table (as `SeriesInputs.cycles`; opened_day may be missing) that were never read, in the columns of
    `seen_cycles`. An unknown start is then called "unread"."""
    opened = pl.col("opened_by").cast(pl.Categorical)
    day = pl.col("opened_day") if "opened_day" in cycles.columns else pl.lit(None)
    return cycles.select(
        pl.col("install_no").cast(pl.Int64),
        pl.col("cycle_no").cast(pl.Int64) * PARTS,
        pl.when(opened.fill_null(UNKNOWN) == "unknown").then(UNREAD).otherwise(opened).alias("opened_by"),
        day.cast(pl.Int32).alias("opened_day"),
        pl.col("value_before").cast(pl.Float64),
    )


def freed_levels(forest: Forest) -> np.ndarray:
    """Cycles whose level nobody knows at their start: running when the records began ("unread": and never read
    since)."""
    if "freed" not in forest.memo:
        opened = codes(forest, "opened_by")
        forest.memo["freed"] = (opened < 0) | (opened == code("unknown")) | (opened == code("unread"))
    return forest.memo["freed"]


def begun_when_installed(forest: Forest) -> np.ndarray:
    """Cycles that began on the day their install was put in."""
    if "installed_day" not in forest.park.columns:
        return np.zeros(forest.size, dtype=bool)
    if "installed_day" not in forest.park_memo:
        forest.park_memo["installed_day"] = whole_numbers(forest.park["installed_day"], -1)
    return forest.opened_day == forest.park_memo["installed_day"][forest.parents[0]]


def built_up_before(fit: SeriesFit, forest: Forest) -> np.ndarray | None:
    """What had built up when the cycle opened: level before the work less the install's level when clean; nan if
    unknown.

    As the readings until then tell it, where the fit has that (`before_work`); else the reading before the work, which
    is too high where work is done for a high reading.
    """
    if not fit.clean:
        return None
    last, key = forest.last_built_up, (fit.centre, float(fit.beta[0]))
    # the intercept stands for levels that are not known: where all are, it does not matter
    if last is not None and last[0] is fit.clean and last[1] is fit.before and last[2] in (key, (fit.centre, None)):
        return last[3]
    if "value before" not in forest.memo:
        read = forest.rows["value_before"].to_numpy()
        forest.memo["value before"] = forward(read, fit.inputs.transform)
    at = positions(fit.clean["install_no"], forest.installs)
    level = np.where(at >= 0, np.r_[fit.clean["level"], 0.0][at], float(fit.beta[0]))
    found = forest.memo["value before"] - fit.centre - level[forest.parents[0]]
    if fit.before is not None:
        known = by_then(fit.before, forest)
        found = np.where(np.isfinite(known), known, found)
    forest.last_built_up = (fit.clean, fit.before, key if np.any(at < 0) else (fit.centre, None), found)
    return found


def by_then(before: dict[str, np.ndarray], forest: Forest) -> np.ndarray:
    """What the fit says had built up before the work that opened each cycle of the tree, nan where it says nothing."""
    out = np.full(forest.size, np.nan)
    place = forest.place_of(before)
    out[place[place >= 0]] = before["built_up"][place >= 0]
    return out


@dataclass(frozen=True)
class Lines:
    """Per reading: cycle of the tree, tau, and z less the fit's centre and its analyser's bias."""

    leaf: np.ndarray
    tau: np.ndarray
    z: np.ndarray


def scale_of(fit: SeriesFit) -> tuple:
    """What of a fit sets the clocks and values of its readings."""
    return fit.gamma, None if fit.analysers is None else fit.analysers.bias.tobytes(), fit.centre, fit.in_kelvin


def reading_lines(fit: SeriesFit, forest: Forest) -> Lines:
    """Where the readings stand in the tree and at the fit's exponents and analyser biases; the last are remembered."""
    readings, key, last = fit.readings, scale_of(fit), forest.last_lines
    if last is not None and last[0] is readings.start and last[1] == key:
        return last[2]
    runs = forest.runs(readings)
    seen = np.flatnonzero(runs >= 0)
    leaf_of_run = np.empty(len(readings.start), dtype=np.int64)
    leaf_of_run[runs[seen]] = seen
    if last is not None and last[0] is readings.start and last[1][0] == fit.gamma:
        leaf, tau = last[2].leaf, last[2].tau
    else:
        leaf = np.repeat(leaf_of_run.astype(np.int32), readings.counts)
        tau = readings.clock(fit.cycle_gammas(forest)[leaf_of_run])
    offset = fit.offset
    z = readings.z - readings.centre if offset is None else readings.z - readings.centre - offset
    lines = Lines(leaf, tau, z)
    forest.last_lines = (readings.start, key, lines)
    return lines


def tree_sums(fit: SeriesFit, forest: Forest) -> CycleSums:
    """Sums of the forest's cycles at the fit's exponents, weights and analyser biases; the last are remembered."""
    readings, key, last = fit.readings, scale_of(fit), forest.last_sums
    if last is not None and last[0] is readings.start and last[1] is readings.weight and last[2] == key:
        return last[3]
    lines = reading_lines(fit, forest)
    sums = None
    if last is not None and last[0] is readings.start and last[2] == key:
        sums = reweighed(last[3], last[1], readings, lines, forest.runs(readings))
    if sums is None:
        sums = readings.summed(lines.tau, lines.z).at(forest.runs(readings))
    forest.last_sums = (readings.start, readings.weight, key, sums)
    return sums


def reweighed(
    known: CycleSums, weight: np.ndarray, readings: Readings, lines: Lines, runs: np.ndarray
) -> CycleSums | None:
    """Sums of the cycles of a tree where only some readings' weights differ from those that are known; None where too
    many do for that to be worth while. runs: run of each cycle."""
    touched = np.zeros(len(runs), dtype=bool)
    touched[lines.leaf[readings.weight != weight]] = True
    here = np.flatnonzero(touched)
    if len(here) > len(runs) // FEW_SHARE:
        return None
    chosen = np.zeros(len(readings.start), dtype=bool)
    chosen[runs[here]] = True
    some, at = readings.of_runs(chosen)
    order = np.argsort(np.argsort(runs[here], kind="stable"), kind="stable")
    return known.with_new(here, some.summed(lines.tau[at], lines.z[at]).taken(order))


def with_unread(fit: SeriesFit, forest: Forest, unread: pl.DataFrame) -> Forest:
    """The cycles of a forest, all of them read, and these others; the sums of the first are known."""
    sums = tree_sums(fit, forest)
    more = Forest.of(pl.concat([forest.rows, unread.select(forest.rows.columns)]), install_frame(fit.inputs))
    at = more.find(*(forest.rows[name].to_numpy() for name in ("install_no", "cycle_no")))
    assert forest.last_sums is not None
    more.last_sums = (*forest.last_sums[:-1], sums.at(at))
    return more


def thinned(fit: SeriesFit, forest: Forest, every: int) -> Forest:
    """Every so many-th install of the forest, with what is known of its cycles; the last is remembered."""
    sums, built_up, last = tree_sums(fit, forest), built_up_before(fit, forest), forest.last_thinned
    if last is not None and last[0] is sums and last[1] is built_up and last[2] == every:
        return last[3]
    some, here = forest.thinned(every)
    assert forest.last_sums is not None
    some.last_sums = (*forest.last_sums[:-1], sums.taken(here))
    if forest.last_built_up is not None and built_up is not None:
        some.last_built_up = (*forest.last_built_up[:-1], built_up[here])
    forest.last_thinned = (sums, built_up, every, some)
    return some


def evaluate(fit: SeriesFit, forest: Forest, at: Evaluation | None = None, wanted: np.ndarray | None = None) -> State:
    """Posteriors of all nodes of the forest at the fitted parameters; the fixed effects keep their weak priors here.

    at: what is known of the forest's appliance models and designs, where the forest is only part of the fleet. wanted:
    the cycles that are, if not all."""
    sums, freed, built_up = tree_sums(fit, forest), freed_levels(forest), built_up_before(fit, forest)
    tree = Tree(sums.leaf(fit.terms.columns(forest, built_up), freed), forest.parents, n_lower=LOWER)
    if at is None:
        at = tree.evaluate(fit.roots, beta_prior(fit), sigma2=fit.sigma**2, gradient=False)
    lower = leaf_posteriors(tree, fit.roots, at, wanted=wanted)
    nodes = [Nodes(n.mean, n.cov * fit.sigma**2, n.resolved) for n in (*lower, *at.nodes)]
    return State(sums, freed, built_up, tree, at, nodes)


def evaluate_held(
    fit: SeriesFit, forest: Forest, cov: bool = True, at: Evaluation | None = None, leaves: bool = True
) -> State:
    """As `evaluate`, with the fixed effects but the intercepts taken as known: for the search, where their own
    uncertainty does not matter, at a fraction of the work. leaves: False where no cycle's posterior is wanted."""
    tree, fixed = held_tree(fit, forest)
    if at is None:
        at = tree.evaluate(fit.roots, beta_prior(fit, held=True), sigma2=fit.sigma**2, gradient=False)
    spread = sb.pack(at.group_cov[:, :2, :2]) if cov else None
    wanted = None if leaves else np.zeros(0, dtype=np.int64)
    lower = posteriors_below(tree, fit.roots, -at.group_u[:2], spread, wanted)
    if leaves:
        lower[0].mean += fixed
    nodes = [Nodes(n.mean, n.cov * fit.sigma**2, n.resolved) for n in (*lower, *at.nodes)]
    built_up = built_up_before(fit, forest)
    return State(tree_sums(fit, forest), freed_levels(forest), built_up, tree, at, nodes, fixed)


def held_tree(fit: SeriesFit, forest: Forest) -> tuple[Tree, np.ndarray]:
    """The tree with all fixed effects but the intercepts taken off the readings, and what they do to each cycle;
    remembered, since the covariances move on while these stay."""
    sums, fixed = tree_sums(fit, forest), fixed_of(fit, forest)
    last = forest.last_held
    if last is not None and last[0] is sums and last[1] is fixed:
        return last[2], fixed
    leaf = sums.leaf(((LEVEL, None), (RATE, None)), freed_levels(forest))
    held = Tree(without(leaf, fixed), forest.parents, n_lower=LOWER)
    forest.last_held = (sums, fixed, held)
    return held, fixed


def fixed_of(fit: SeriesFit, forest: Forest) -> np.ndarray:
    """What the fixed effects but the intercepts do to each cycle, (2, cycles); the last are remembered."""
    built_up, last, key = built_up_before(fit, forest), forest.last_fixed, (fit.terms, fit.beta.tobytes())
    if last is not None and last[0] is built_up and last[1] == key:
        return last[2]
    fixed = fixed_values(fit.terms, fit.beta, forest, built_up)
    forest.last_fixed = (built_up, key, fixed)
    return fixed


def beta_precision(fit: SeriesFit) -> np.ndarray:
    w = assumed.weak(fit.inputs.indicator, fit.inputs.transform)
    out = []
    for t in fit.terms.terms:
        if t.how == "intercept":
            sd = w.level_mean_sd if t.component == LEVEL else w.rate_mean_sd
        elif t.how == "carry":
            sd = 1.0
        else:
            sd = 3 * w.level_mean_sd if t.component == LEVEL else 3 * w.rate_mean_sd
        out.append(1 / sd**2)
    return np.diag(out)


def beta_prior(fit: SeriesFit, held: bool = False) -> Priors:
    """The weak priors of the fixed effects; held: of the intercepts alone."""
    n = 2 if held else len(fit.terms.terms)
    rate = assumed.rate_mean(fit.inputs.indicator, fit.inputs.transform, fit.inputs.worse)
    mean = [rate if (t.how, t.component) == ("intercept", RATE) else 0.0 for t in fit.terms.terms[:n]]
    return Priors(beta_precision=beta_precision(fit)[:n, :n], beta_mean=np.array(mean))


def settle_levels(fit: SeriesFit, forest: Forest, state: State, leaf: Nodes) -> tuple[np.ndarray, np.ndarray]:
    """Level and rate of the cycles; levels that were freed come from the cycle's own mean and the rate, and what is not
    known of a start widens the level."""
    mean, cov = leaf.mean.copy(), leaf.cov.copy()
    own = np.flatnonzero(state.freed & (state.sums.w > 0))
    if len(own):
        w = state.sums.w[own]
        from_own(mean, cov, own, np.stack([w, state.sums.t[own] / w, state.sums.z[own] / w]), fit.sigma)
    shift, spread = blind_starts(fit, forest, state)
    mean[0] += shift
    cov[0] += spread
    return mean, cov


def from_own(mean: np.ndarray, cov: np.ndarray, own: np.ndarray, read: np.ndarray, sigma: float) -> None:
    """Levels of the cycles `own` from what was read of them and their rates, put into mean and cov. read (3, own):
    weight, mean tau, mean z."""
    w, tbar, zbar = read
    mean[0, own] = zbar - tbar * mean[1, own]
    cov[0, own] = sigma**2 / w + tbar**2 * cov[2, own]
    cov[1, own] = -tbar * cov[2, own]


def blind_starts(fit: SeriesFit, forest: Forest, state: State) -> tuple[np.ndarray, np.ndarray]:
    """What is added to level and its variance of cycles without readings, of whose start too little is known."""
    more, variance, unread = np.zeros(forest.size), np.zeros(forest.size), state.sums.w == 0
    none = 0.0, assumed.weak(fit.inputs.indicator, fit.inputs.transform).unknown
    blind, fresh = state.freed & unread, begun_when_installed(forest)
    for here, (shift, spread) in zip((blind & ~fresh, blind & fresh), fit.unknown or (none, none), strict=True):
        more[here], variance[here] = shift, spread**2
    # where what had built up before the work is not known, its spread stays in the level
    if unread.any():
        for j, term in enumerate(fit.terms.terms):
            if term.how == "carry":
                here = term.applies(forest) & unread
                if state.built_up is not None:
                    here &= ~np.isfinite(state.built_up)
                variance[here] += (fit.beta[j] * term.spread) ** 2
    return more, variance
