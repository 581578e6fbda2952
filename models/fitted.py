"""A fitted series: its parameters, and the posterior of level and rate of any cycle under them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from models import priors as assumed
from models import smallblocks as sb
from models.analysers import AnalyserBias
from models.below import posteriors_below
from models.covariates import LEVEL, Term, Terms, of_unknown_age
from models.cycle_sums import PARTS, CycleSums, Forest, Readings, clock, rate_scale
from models.known_installs import Install
from models.lower_levels import fixed_part, without_fixed
from models.series import FitOptions, SeriesInputs, forward
from models.tree import Nodes, Priors, Tree, leaf_posteriors
from models.upper_levels import Above, Evaluation

LOWER = 2  # cycles and installs are swept in blocks; appliance models and designs are optimised inside
MOST_OF_READING = 0.9  # a bias is never taken to be more of what was read
BASES = ("install", "model", "design", "fleet")


@dataclass
class SeriesFit:
    """A fitted series.

    sigma: residual standard deviation; psi: covariance of (level, rate) per level of the tree (cycle, install, model,
    design), (4, 2, 2), rate per (1,000 h) at the inner clock (`cycle_sums.clock`); gamma: exponent per design; beta and
    terms: fixed effects. All on the transformed scale, less `centre`. reml: restricted criterion (-2 log), None where
    the readings were too few and only weak priors speak.
    """

    inputs: SeriesInputs
    options: FitOptions
    terms: Terms
    roots: list[np.ndarray]  # relative to sigma
    sigma: float
    gamma: dict[int, float]
    beta: np.ndarray
    beta_cov: np.ndarray
    centre: float
    readings: Readings
    reml: float | None = None
    clean: dict[str, np.ndarray] = field(default_factory=dict)  # install_no, level when clean
    before: dict[str, np.ndarray] | None = None  # install_no, cycle_no, fitted level before the work, built_up
    unknown: tuple[float, float] | None = None  # shift and spread of a level after an unknown start
    open_share: float = 0.35  # of visits that leave open whether work was done, those after which it had been
    analysers: AnalyserBias | None = None
    paces: dict[Term, float] = field(
        default_factory=dict
    )  # changes of pace in the terms, and the chance that each is none
    pace: pl.DataFrame | None = None  # the same in words and numbers
    install: Install | None = None  # from a joint fit
    together: np.ndarray | None = None  # correlation of all levels and rates of the joint fit, install by install
    middle: float = 1.0  # how wide the middle half of the residuals lies, of what sigma says; 1 at most
    downweighted_share: float = 0.0  # readings that count for less than half
    converged: bool = True
    passes: int = 0
    note: str = ""

    @property
    def psi(self) -> np.ndarray:
        return np.stack([self.sigma**2 * r @ r.T for r in self.roots])

    @property
    def fixed(self) -> dict[str, tuple[float, float]]:
        """Label of each fixed effect: value and standard error."""
        se = np.sqrt(np.maximum(np.diag(self.beta_cov), 0))
        return {t.label: (float(b), float(s)) for t, b, s in zip(self.terms.terms, self.beta, se, strict=True)}

    def gammas(self, design_no: np.ndarray) -> np.ndarray:
        """Exponent per design number; 1 for a design without any."""
        out = np.ones(len(design_no))
        for d, g in self.gamma.items():
            if g != 1.0:
                out[design_no == d] = g
        return out

    def cycle_gammas(self, forest: Forest) -> np.ndarray:
        """Exponent per cycle. A cycle read from an unknown start does not know its clock: its line is taken as
        straight."""
        gamma = self.gammas(forest.cycles["design_no"].to_numpy())
        if np.all(gamma == 1.0):
            return gamma
        seen = forest.runs(self.readings) >= 0
        if "unknown age" not in forest.memo:
            forest.memo["unknown age"] = of_unknown_age(forest.cycles)
        return np.where(forest.memo["unknown age"] & seen, 1.0, gamma)

    @property
    def offset(self) -> np.ndarray | None:
        """What its analyser's bias adds to each reading on the fit's scale."""
        if self.analysers is None:
            return None
        bias = self.analysers.of(self.readings.analyser, np.ones(len(self.readings.z)))
        if not self.in_kelvin:
            return bias
        # a bias of some kelvin is a large part of a small difference: no straight line will do
        return -np.log1p(-np.clip(bias * np.exp(-self.readings.z), -MOST_OF_READING, MOST_OF_READING))

    @property
    def in_kelvin(self) -> bool:
        """A temperature difference that is fitted as a logarithm."""
        return self.inputs.indicator.endswith("_k") and self.inputs.transform == "log"

    def scale_at(self, z: np.ndarray) -> np.ndarray:
        """What one unit more of an analyser's bias does on the fit's scale to a value z there, known bias taken off: 1,
        but 1 / K for a temperature difference that is fitted as a logarithm."""
        return np.exp(-z) if self.in_kelvin else np.ones(len(z))

    def bent(self, scale: np.ndarray, leverage: np.ndarray) -> np.ndarray | None:
        """What is missing per reading in the score of its analyser's bias where the scale is that of the fitted value.

        An install that runs high has a small scale and a large residual left of its effect: E[scale * residual] /
        sigma^2 = -scale * leverage, to first order (the Jacobian of a shifted logarithm, Box & Cox 1964, less the part
        of a reading's own scatter). None where the scale is the same for all.
        """
        return scale * leverage if self.in_kelvin else None

    @property
    def empty(self) -> bool:
        """No reading in the whole fleet: nothing can be said of this indicator."""
        return len(self.readings.z) == 0

    def posterior(self, cycles: pl.DataFrame, above: Above | None = None) -> pl.DataFrame:
        """Level and rate of each cycle asked for, seen or not.

        cycles: install_no, cycle_no, opened_by, value_before (own unit, may be null); opened_day optional.
        Returns install_no, cycle_no, m0, m1, v00, v01, v11, gamma, basis, readings, hours_shift: on the transformed
        scale, the rate per ((hours since the cycle began - hours_shift) / 1000) ** gamma, uncertainty of the fixed
        effects included, sorted by install_no, cycle_no. above: the appliance models and designs, where this is part of
        a fleet. hours_shift is 0 but where work was done and not recorded.
        """
        asked = cycles.select(
            pl.col("install_no").cast(pl.Int64),
            pl.col("cycle_no").cast(pl.Int64) * PARTS,
            pl.col("opened_by").cast(pl.String),
            (pl.col("opened_day") if "opened_day" in cycles.columns else pl.lit(None))
            .cast(pl.Int32)
            .alias("opened_day"),
            pl.col("value_before").cast(pl.Float64),
        ).unique(["install_no", "cycle_no"], maintain_order=True)
        seen = seen_cycles(self.inputs, self.readings)
        number, cycle = (asked[c].to_numpy() for c in ("install_no", "cycle_no"))
        # after unrecorded work the part that is open speaks for the cycle
        part = self.readings.latest_part(number, cycle)
        unread = asked.filter(pl.Series(part < 0)).with_columns(
            pl.col("opened_by").fill_null("unknown").replace("unknown", "unread")
        )
        forest = Forest.of(pl.concat([seen, unread]), install_frame(self.inputs))
        wanted = np.zeros(forest.cycles.height, dtype=bool)
        place = forest.place(number, np.where(part < 0, cycle, part))
        wanted[place[place >= 0]] = True
        at = None if above is None else above.of(forest.models, forest.designs)
        state = evaluate(self, forest, at=at, wanted=wanted)
        gamma = self.cycle_gammas(forest)
        mean, cov = settle_levels(self, forest, state, state.nodes[0])
        out = forest.cycles.select("install_no", "cycle_no").with_columns(
            pl.Series("m0", mean[0] + self.centre),
            pl.Series("m1", mean[1]),
            pl.Series("v00", cov[0]),
            pl.Series("v01", cov[1]),
            pl.Series("v11", cov[2]),
            pl.Series("gamma", gamma),
            pl.Series("basis", basis_of(forest, state)),
            pl.Series("readings", state.sums.n.astype(np.int32)),
        )
        run = forest.runs(self.readings)
        shift = np.where(run >= 0, np.r_[self.readings.shift, 0.0][run], 0.0)
        out = out.with_columns(pl.Series("shift", shift)).filter(pl.Series(wanted))
        return own_clock(out).with_columns(pl.col("cycle_no") // PARTS).sort("install_no", "cycle_no")


def own_clock(out: pl.DataFrame) -> pl.DataFrame:
    """From the fit's inner clock to the caller's; a start after unrecorded work is moved back to the recorded one.

    With exponent 1 moving the start only moves the level; otherwise `hours_shift` tells how many hours after the
    recorded start the clock of the drift began.
    """
    gamma = out["gamma"].to_numpy()
    shift = out["shift"].to_numpy()
    m0, m1, v00, v01, v11 = (out[c].to_numpy().copy() for c in ("m0", "m1", "v00", "v01", "v11"))
    back = np.where(gamma == 1.0, clock(shift, 1.0), 0.0)
    m0 -= m1 * back
    v00 += back**2 * v11 - 2 * back * v01
    v01 -= back * v11
    scale = rate_scale(gamma)
    return out.drop("shift").with_columns(
        pl.Series("m0", m0),
        pl.Series("m1", m1 * scale),
        pl.Series("v00", v00),
        pl.Series("v01", v01 * scale),
        pl.Series("v11", v11 * scale**2),
        pl.Series("hours_shift", np.where(gamma == 1.0, 0.0, shift)),
    )


def of_named(fit: SeriesFit) -> SeriesFit:
    """The same fit with only the readings whose analyser is named, to judge analysers by.

    A reading of an unnamed one was made by the same few analysers: taken for sound, it would speak against what its
    neighbours read wrong.
    """
    named = fit.readings.analyser >= 0
    return replace(fit, readings=replace(fit.readings, weight=np.where(named, fit.readings.weight, 0.0)))


@dataclass
class State:
    """Posteriors of all nodes of a forest under a fit; relative covariances times sigma2."""

    sums: CycleSums
    freed: np.ndarray
    built_up: np.ndarray | None
    tree: Tree
    at: Evaluation
    nodes: list[Nodes]


def install_frame(inputs: SeriesInputs) -> pl.DataFrame:
    if inputs.installs.schema["install_no"] == pl.Int64:
        return inputs.installs
    return inputs.installs.with_columns(pl.col("install_no").cast(pl.Int64))


def seen_cycles(inputs: SeriesInputs, readings: Readings) -> pl.DataFrame:
    """Cycles with usable readings; one that the cycles table does not know counts as opened by unknown."""
    runs = pl.DataFrame({"install_no": readings.install_no, "cycle_no": readings.cycle_no}).cast(pl.Int64)
    known = inputs.cycles.select(
        pl.col("install_no").cast(pl.Int64),
        pl.col("cycle_no").cast(pl.Int64) * PARTS,
        pl.col("opened_by").cast(pl.String),
        pl.col("opened_day").cast(pl.Int32),
        pl.col("value_before").cast(pl.Float64),
    )
    return runs.join(known, on=["install_no", "cycle_no"], how="left").with_columns(
        pl.col("opened_by").fill_null("unknown")
    )


def freed_levels(forest: Forest) -> np.ndarray:
    """Cycles whose level nobody knows at their start: running when the records began ("unread": and never read
    since)."""
    if "freed" not in forest.memo:
        forest.memo["freed"] = forest.cycles["opened_by"].is_in(["unknown", "unread"]).fill_null(True).to_numpy()
    return forest.memo["freed"]


def built_up_before(fit: SeriesFit, forest: Forest) -> np.ndarray | None:
    """What had built up when the cycle opened: level before the work less the install's level when clean; nan if
    unknown.

    As the readings until then tell it, where the fit has that (`before_work`); else the reading before the work, which
    is too high where work is done for a high reading.
    """
    if not fit.clean:
        return None
    last, key = forest.last_built_up, (fit.centre, float(fit.beta[0]))
    if last is not None and last[0] is fit.clean and last[1] is fit.before and last[2] == key:
        return last[3]
    found = built_up_anew(fit, forest)
    forest.last_built_up = (fit.clean, fit.before, key, found)
    return found


def built_up_anew(fit: SeriesFit, forest: Forest) -> np.ndarray:
    frame = forest.cycles
    if "value before" not in forest.memo:
        read = frame["value_before"].cast(pl.Float64).fill_null(np.nan).to_numpy()
        forest.memo["value before"] = forward(read, fit.inputs.transform)
    z = forest.memo["value before"] - fit.centre
    order = fit.clean["install_no"]
    wanted = frame["install_no"].to_numpy()
    if len(order) == 0:
        z = z - float(fit.beta[0])
    else:
        k = np.minimum(np.searchsorted(order, wanted), len(order) - 1)
        z = z - np.where(order[k] == wanted, fit.clean["level"][k], float(fit.beta[0]))
    if fit.before is not None:
        known = by_then(fit.before, forest)
        z = np.where(np.isfinite(known), known, z)
    return z


def by_then(before: dict[str, np.ndarray], forest: Forest) -> np.ndarray:
    """What the fit says had built up before the work that opened each cycle of the tree, nan where it says nothing."""
    out = np.full(forest.cycles.height, np.nan)
    place = forest.place(before["install_no"], before["cycle_no"])
    out[place[place >= 0]] = before["built_up"][place >= 0]
    return out


def tree_sums(fit: SeriesFit, forest: Forest) -> CycleSums:
    """Sums of the forest's cycles at the fit's exponents, weights and analyser biases; the last are remembered."""
    readings, biases = fit.readings, None if fit.analysers is None else fit.analysers.bias.tobytes()
    key = (fit.gamma, biases, readings.centre)
    last = forest.last_sums
    if last is not None and last[0] is readings.weight and last[1] is readings.start and last[2] == key:
        return last[3]
    runs = forest.runs(readings)
    gamma = np.ones(len(readings.start))
    gamma[runs[runs >= 0]] = fit.cycle_gammas(forest)[runs >= 0]
    sums = readings.sums(gamma, fit.offset).at(runs)
    forest.last_sums = (readings.weight, readings.start, key, sums)
    return sums


def evaluate(fit: SeriesFit, forest: Forest, at: Evaluation | None = None, wanted: np.ndarray | None = None) -> State:
    """Posteriors of all nodes of the forest at the fitted parameters; the fixed effects keep their weak priors here.

    at: what is known of the forest's appliance models and designs, where the forest is only part of the fleet. wanted:
    the cycles that are, if not all."""
    sums, freed, built_up = tree_sums(fit, forest), freed_levels(forest), built_up_before(fit, forest)
    tree = Tree(sums.leaf(fit.terms.columns(forest, built_up), freed), forest.parents, n_lower=LOWER)
    if at is None:
        at = tree.evaluate(fit.roots, Priors(beta_precision=beta_precision(fit)), sigma2=fit.sigma**2, gradient=False)
    lower = leaf_posteriors(tree, fit.roots, at, wanted=wanted)
    nodes = [Nodes(n.mean, n.cov * fit.sigma**2, n.resolved) for n in (*lower, *at.nodes)]
    return State(sums, freed, built_up, tree, at, nodes)


def evaluate_held(fit: SeriesFit, forest: Forest, cov: bool = True, at: Evaluation | None = None) -> State:
    """As `evaluate`, with the fixed effects but the intercepts taken as known: for the search, where their own
    uncertainty does not matter, at a fraction of the work."""
    tree, fixed = held_tree(fit, forest)
    if at is None:
        priors = Priors(beta_precision=beta_precision(fit)[:2, :2])
        at = tree.evaluate(fit.roots, priors, sigma2=fit.sigma**2, gradient=False)
    lower = posteriors_below(tree, fit.roots, -at.group_u[:2], sb.pack(at.group_cov[:, :2, :2]) if cov else None)
    lower[0].mean += fixed
    nodes = [Nodes(n.mean, n.cov * fit.sigma**2, n.resolved) for n in (*lower, *at.nodes)]
    return State(tree_sums(fit, forest), freed_levels(forest), built_up_before(fit, forest), tree, at, nodes)


def held_tree(fit: SeriesFit, forest: Forest) -> tuple[Tree, np.ndarray]:
    """The tree with all fixed effects but the intercepts taken off the readings, and what they do to each cycle;
    remembered, since the covariances move on while these stay."""
    sums, built_up = tree_sums(fit, forest), built_up_before(fit, forest)
    last, key = forest.last_held, (fit.terms, fit.beta.tobytes())
    if last is not None and last[0] is sums and last[1] is built_up and last[2] == key:
        return last[3]
    leaf = sums.leaf(fit.terms.columns(forest, built_up), freed_levels(forest))
    held = Tree(without_fixed(leaf, fit.beta), forest.parents, n_lower=LOWER), fixed_part(leaf, fit.beta)
    forest.last_held = (sums, built_up, key, held)
    return held


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


def settle_levels(fit: SeriesFit, forest: Forest, state: State, leaf: Nodes) -> tuple[np.ndarray, np.ndarray]:
    """Level and rate of the cycles; levels that were freed come from the cycle's own mean and the rate."""
    mean, cov = leaf.mean.copy(), leaf.cov.copy()
    if fit.install is not None:
        learn_from_others(fit, forest, state, fit.install, mean, cov)
    w = state.sums.w
    own = state.freed & (w > 0)
    if own.any():
        tbar, zbar = state.sums.t[own] / w[own], state.sums.z[own] / w[own]
        mean[0, own] = zbar - tbar * mean[1, own]
        cov[0, own] = fit.sigma**2 / w[own] + tbar**2 * cov[2, own]
        cov[1, own] = -tbar * cov[2, own]
    blind = state.freed & (w == 0)
    shift, spread = fit.unknown or (0.0, assumed.weak(fit.inputs.indicator, fit.inputs.transform).unknown)
    mean[0, blind] += shift
    cov[0, blind] += spread**2
    # where what had built up before the work is not known, its spread stays in the level
    for j, term in enumerate(fit.terms.terms):
        if term.how == "carry":
            here = term.applies(forest) & (w == 0)
            if state.built_up is not None:
                here &= ~np.isfinite(state.built_up)
            cov[0, here] += (fit.beta[j] * term.spread) ** 2
    return mean, cov


def learn_from_others(
    fit: SeriesFit, forest: Forest, state: State, known: Install, mean: np.ndarray, cov: np.ndarray
) -> None:
    """Level and rate of the cycles anew from what all indicators say of them and their install (in place).

    The newest cycle of each install is known jointly. Any other is taken to depend, given its install, on its own
    readings only; so its posterior is that line of the way down the tree, with that of the install put in.
    """
    wanted = forest.cycles["install_no"].to_numpy()
    k = np.minimum(np.searchsorted(known.install_no, wanted), len(known.install_no) - 1)
    here = known.install_no[k] == wanted
    leaf, at, s2 = state.tree.leaf, sb.slots(2), fit.sigma**2
    fixed = fixed_part(leaf, fit.beta)  # as they were taken off for the joint fit
    expected = fixed + known.mean[:, k]
    d = fit.psi[0]
    ws, u, big_k, _ = sb.integrate(leaf.s / s2, np.linalg.cholesky(d + 1e-14 * np.eye(2)))
    by = leaf.by / s2
    score = sb.subtract_transposed(by, big_k, sb.times(u, by)) - sb.symmetric_times(ws, expected)
    keep = np.eye(2)[:, :, None] - np.einsum("ik,kjn->ijn", d, ws[at])
    mean[:, here] = (expected + sb.constant_times(d, score))[:, here]
    cov[:, here] = (sb.gram(u) + sb.sandwich(keep, known.cov[:, k]))[:, here]
    newest = here & (known.cycle_no[k] == forest.cycles["cycle_no"].to_numpy())
    mean[:, newest] = fixed[:, newest] + known.own_mean[:, k[newest]]
    cov[:, newest] = known.own_cov[:, k[newest]]


def basis_of(forest: Forest, state: State) -> np.ndarray:
    """What the rate leans on most: the largest weight of the shrinkage chain install, model, design, fleet.

    With r the share of a level's own rate variance that its data resolved, the install's own readings carry weight r_i,
    the model's r_m (1 - r_i), the design's r_d (1 - r_m) (1 - r_i), the fleet the rest.
    """
    install = np.clip(state.nodes[0].resolved, 0, 1)
    to_install, to_model, to_design = forest.parents
    model = to_model[to_install]
    r_m = np.clip(state.nodes[2].resolved, 0, 1)[model]
    r_d = np.clip(state.nodes[3].resolved, 0, 1)[to_design[model]]
    weights = np.stack(
        [install, (1 - install) * r_m, (1 - install) * (1 - r_m) * r_d, (1 - install) * (1 - r_m) * (1 - r_d)]
    )
    return np.array(BASES)[weights.argmax(axis=0)]
