"""The drift model of one series: level and rate of every cycle, from the fleet's readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from models.drift import priors as assumed
from models.drift.analysers import STATED, analyser_bias
from models.drift.before_work import built_up_by_then, clean_effects
from models.drift.breaks import ROUNDS, open_share, split_at_breaks
from models.drift.covariates import LEVEL, RATE, Term, Terms, choose_terms
from models.drift.cycle_sums import PARTS, Forest, Readings
from models.drift.exponents import choose_exponents, late_stretches
from models.drift.fitted import SeriesFit, of_named
from models.drift.pace import AT_MOST, described, find_change, with_term
from models.drift.projection import Projector
from models.drift.refit import FINE, NO_SCATTER, refit, with_beta
from models.drift.robust import lost_variance, residuals, student_weights
from models.drift.series import FitOptions, SeriesInputs
from models.drift.states import (
    State,
    at_hand,
    built_up_before,
    evaluate_held,
    freed_levels,
    install_frame,
    reading_lines,
    seen_cycles,
    settle_levels,
    tree_sums,
)
from models.drift.unknown_starts import unknown_starts

DEFAULTS = FitOptions()
FEWEST_OF_MODEL, LEAST_OF_MODEL = 12, 4  # installs of each appliance model looked at in a search; where there are many
AT_MOST_WANTED = 2  # times as many installs as are wanted are looked at where there are many models
BENT_STEPS = 3  # towards biases whose effect is no straight line
FEWEST_WORKS = 15  # cycles opened by one kind of work, with the value before known, to fit what it carries over


def fit_series(inputs: SeriesInputs, options: FitOptions = DEFAULTS) -> SeriesFit:
    """Fit one series; never fails for want of readings: then the weak priors of `priors` speak and `reml` is None.

    For a fleet of many thousand installs `whole.fit_whole` is as good and far cheaper.
    """
    inputs = at_hand(inputs)
    fit, forest = search(inputs, Readings.of(inputs), options)
    return fit if fit.reml is None else settled(fit, forest)


def sampled(numbers: np.ndarray, installs: pl.DataFrame, wanted: int) -> np.ndarray:
    """About `wanted` of the install numbers: the same share of every appliance model, spread evenly, but at least
    FEWEST_OF_MODEL of each model while it has so many; sorted. Where that would be more than AT_MOST_WANTED times as
    many, fewer of each model, and at last of some models only. installs: install_no, model_no, design_no of all."""
    park = installs.select("install_no", "design_no", "model_no").sort("design_no", "model_no", "install_no")
    park = park.filter(pl.col("install_no").is_in(pl.Series(numbers).cast(park.schema["install_no"]).implode()))
    number, model = park["install_no"].to_numpy(), park["model_no"].to_numpy()
    first = np.flatnonzero(np.r_[True, model[1:] != model[:-1]])
    size = np.diff(np.r_[first, len(model)])
    share, most = np.round(size * wanted / len(number)).astype(int), AT_MOST_WANTED * wanted
    for fewest in range(FEWEST_OF_MODEL, LEAST_OF_MODEL - 1, -1):
        take = np.minimum(np.maximum(share, fewest), size)
        if take.sum() <= most:
            break
    if take.sum() > most:
        take[np.diff(np.arange(len(take) + 1) * most // take.sum()) == 0] = 0
    place = np.arange(take.sum()) - np.repeat(np.cumsum(take) - take, take)
    at = np.repeat(first, take) + ((place + 0.5) * np.repeat(size / np.maximum(take, 1), take)).astype(int)
    return np.sort(number[at])


def start(inputs: SeriesInputs, readings: Readings, options: FitOptions, forest: Forest) -> SeriesFit:
    """Nothing fitted yet: the weak priors."""
    weak = assumed.weak(inputs.indicator, inputs.transform)
    terms = Terms((Term(LEVEL, "intercept"), Term(RATE, "intercept")))
    relative = [np.diag([weak.level, weak.rate]) / weak.sigma * k for k in (0.5, 1, 1, 1)]
    gamma = {int(d): 1.0 for d in forest.designs}
    return SeriesFit(
        inputs, options, terms, relative, weak.sigma, gamma, np.zeros(2), np.eye(2), readings.centre, readings
    )


def search(
    inputs: SeriesInputs, readings: Readings, options: FitOptions, last: bool = True
) -> tuple[SeriesFit, Forest]:
    """Covariances, exponents, terms, weights and analysers, each in the light of the others. Where readings are too
    few, or leave no residual variance, the weak priors stay. last: take the fit to its optimum at the end."""
    forest = Forest.of(seen_cycles(inputs, readings), install_frame(inputs))
    fit = start(inputs, readings, options, forest)
    if not enough(readings):
        return with_beta(replace(fit, note="too few readings: weak priors"), forest), forest
    fit = replace(fit, terms=choose_terms(forest, tree_sums(fit, forest), freed_levels(forest), options.covariates))
    fit = refit(fit, forest)
    if fit.reml is None:
        return replace(fit, note=f"{NO_SCATTER}: weak priors"), forest
    carrying = with_carry(fit, forest)
    if carrying is not fit:
        fit = refit(carrying, forest)
    before = len(fit.readings.start)
    fit, forest = without_breaks(fit, forest)
    if len(fit.readings.start) > before:
        fit = refit(fit, forest)
    if len(options.gammas) > 1:
        gamma = choose_exponents(fit, forest)
        if gamma != fit.gamma:
            bent = late_stretches(gamma, forest, tree_sums(fit, forest).n)
            terms = replace(fit.terms, terms=fit.terms.terms + bent)
            fit = refit(replace(fit, gamma=gamma, terms=terms), forest)
    for _ in range(options.robust_rounds):
        fit = refit(reweighted(with_clean_levels(fit, forest), forest), forest)
    if options.pace:
        fit = with_paces(fit, forest)
    return refit(fit, forest, FINE) if last else fit, forest


def with_paces(fit: SeriesFit, forest: Forest) -> SeriesFit:
    """Changes of pace, the likeliest first, each fitted before the next is looked for."""
    chances: dict[Term, float] = {}
    for _ in range(AT_MOST):
        found = find_change(fit, forest)
        if found is None:
            break
        fit = refit(with_term(fit, found[0]), forest)
        chances[found[0]] = found[1]
    return replace(fit, paces=chances, pace=described(fit, forest, chances)) if chances else fit


def without_breaks(fit: SeriesFit, forest: Forest, rounds: int = ROUNDS) -> tuple[SeriesFit, Forest]:
    """Cycles cut where work was done and not recorded."""
    for _ in range(rounds if fit.options.breaks else 0):
        fit, cut = split_at_breaks(fit, forest, evaluate_held(fit, forest))
        if cut == 0:
            break
        forest = Forest.of(seen_cycles(fit.inputs, fit.readings), install_frame(fit.inputs))
    return fit, forest


def enough(readings: Readings) -> bool:
    """Readings to estimate at least a mean, a rate and a residual variance: some cycle must have been read twice."""
    if len(readings.z) < 6:
        return False
    first = readings.hours[readings.start][readings.run]
    return int((np.abs(readings.hours - first) > 1.0).sum()) >= 3


def with_clean_levels(fit: SeriesFit, forest: Forest, state: State | None = None) -> SeriesFit:
    """Each install's level when clean, of the reference kind of cycle and with all that acts on the level but work;
    and the fitted level just before each recorded work."""
    state = evaluate_held(fit, forest, cov=False) if state is None else state
    level = state.nodes[1].mean[0] + clean_effects(fit, forest)
    order = np.argsort(forest.installs)
    mean, _ = settle_levels(fit, forest, state, state.nodes[0])
    readings, lines = fit.readings, reading_lines(fit, forest)
    last = np.r_[readings.start[1:], len(readings.z)] - 1
    at = lines.leaf[last]
    fitted = mean[LEVEL, at] + mean[RATE, at] * lines.tau[last]
    # the run that ends at the work which opened the next cycle: the last part of it, where work was not recorded
    cycle = (readings.cycle_no // PARTS + 1) * PARTS
    ends = np.r_[(readings.install_no[1:] != readings.install_no[:-1]) | (cycle[1:] != cycle[:-1]), True]
    before = {"install_no": readings.install_no[ends], "cycle_no": cycle[ends], "before": fitted[ends]}
    before["built_up"] = built_up_by_then(fit, forest, state)[ends]
    place = forest.place(before["install_no"], before["cycle_no"])
    then = (place >= 0) & (forest.opened_day[np.maximum(place, 0)] == readings.day[last][ends])
    before = {name: values[then] for name, values in before.items()}
    forest.last_place = before["cycle_no"], place[then]
    return replace(fit, clean={"install_no": forest.installs[order], "level": level[order]}, before=before)


def with_carry(fit: SeriesFit, forest: Forest) -> SeriesFit:
    """Adds, per kind of work and material with cycles enough, the share of what had built up that the work leaves.

    Work that is fitted so leaves the clean level and a share of what had built up, and keeps a level of its own, per
    material too: what is missing in a share would else move the clean level itself.
    """
    cleaned = with_clean_levels(fit, forest)
    built_up = built_up_before(cleaned, forest)
    if built_up is None:
        return fit
    sums = tree_sums(fit, forest)
    frame = forest.cycles
    usable = np.isfinite(built_up) & (sums.n > 0)
    kinds = sorted(set(frame["opened_by"].drop_nulls().to_list()) - {"new", "unknown"})
    terms: list[Term] = []
    split = set()
    for kind in kinds:
        here = (frame["opened_by"] == kind).fill_null(False).to_numpy() & usable
        if here.sum() < FEWEST_WORKS or np.std(built_up[here]) < 1e-6:
            continue
        own: list[str] = []
        if "material" in frame.columns and kind in ("brush", "rinse", "chemical"):
            counts = frame.filter(pl.Series(here))["material"].drop_nulls().value_counts().sort("material")
            own = [m for m, n in counts.iter_rows() if n >= FEWEST_WORKS]
        names = [*own, "~" + ",".join(own)] if len(own) > 1 else [""]
        for name in names:
            term = Term(LEVEL, "carry", name, kind)
            of_term = built_up[term.applies(forest) & usable]
            if len(of_term) >= (FEWEST_WORKS if name in own or not name else 1):
                if name and Term(LEVEL, "opened", value=kind) in fit.terms.terms:
                    split.add(kind)
                    terms.append(Term(LEVEL, "opened", name, kind))
                terms.append(replace(term, centre=float(of_term.mean()), spread=float(of_term.std())))
    if not terms:
        return fit
    kept = [t for t in fit.terms.terms if t.how != "opened" or t.value not in split]
    return replace(cleaned, terms=replace(fit.terms, terms=(*kept, *terms)))


def reweighted(fit: SeriesFit, forest: Forest, analysers: bool = True) -> SeriesFit:
    """Analyser biases and robust weights from the fit as it stands."""
    stated = STATED.get(fit.inputs.indicator)
    if analysers and fit.options.analysers and stated is not None:
        for _ in range(BENT_STEPS if fit.in_kelvin else 1):
            fit = with_analysers(fit, forest, stated)
    t = residuals(fit, forest, evaluate_held(fit, forest)).studentised(fit.sigma)
    # mistakes have widened sigma itself: the middle half of the residuals tells how wide it is without them
    middle = float(np.clip(np.median(np.abs(t)) / 0.6745, 0.2, 1.0)) if len(t) >= 50 else 1.0
    return weighted(replace(fit, middle=middle), t)


def with_analysers(fit: SeriesFit, forest: Forest, stated: float) -> SeriesFit:
    """Analyser biases by a Gauss-Newton step from the known ones, which are taken off as they are and put back along
    the straight line of the scale."""
    judge, readings = of_named(fit), fit.readings
    # the fitted value sets the scale: the read one carries the very error that is looked for
    left = residuals(judge, forest, evaluate_held(judge, forest))
    offset = 0.0 if fit.offset is None else fit.offset
    scale = fit.scale_at(readings.z - offset - left.residual)
    known = 0.0 if fit.analysers is None else fit.analysers.of(readings.analyser, scale)
    z = readings.z - readings.centre - offset + known
    bent = fit.bent(scale, left.leverage)
    found = analyser_bias(Projector(judge, forest), z, readings.analyser, scale, stated, bent)
    return replace(fit, analysers=found)


def weighted(fit: SeriesFit, t: np.ndarray) -> SeriesFit:
    """Robust weights from the studentised residuals t."""
    weight = student_weights(t / fit.middle, fit.options.robust_df)
    return replace(fit, readings=replace(fit.readings, weight=weight), downweighted_share=float(np.mean(weight < 0.5)))


def without_lost(fit: SeriesFit) -> SeriesFit:
    """sigma with what the weights took from it, the covariances as they are."""
    if not fit.options.robust_rounds:
        return fit
    sigma = fit.sigma / np.sqrt(lost_variance(fit.options.robust_df))
    return replace(fit, sigma=float(sigma), roots=[r * fit.sigma / sigma for r in fit.roots])


def settled(fit: SeriesFit, forest: Forest) -> SeriesFit:
    """Last touches: sigma with what the weights took from it, and how far a level after an unknown start may lie."""
    fit = without_lost(fit)
    state = evaluate_held(fit, forest)
    fit = with_clean_levels(fit, forest, state)
    return replace(fit, open_share=open_share(fit, forest, state), unknown=unknown_starts(fit, forest, state))


__all__ = ["SeriesFit", "fit_series"]
