"""A large fleet fitted whole, shard by shard, from what a search on a sample of it taught.

How it works: the search (exponents, terms, a first idea of all covariances) sees a sample of the installs. Then rounds
follow. In each, every shard says what its cycles and installs tell of the appliance models at the parameters as they
stand (`shards.said`), the messages are added up in the order of the shards, and what follows for models, designs and
fixed effects goes back with the next question. So the clean levels, the work not recorded, the analysers and the
weights are renewed one after the other, then all covariances are taken to their optimum, and the same rounds give
the posteriors. Shards depend on the list of installs alone and are added in their order, so one process, helpers
beside it and a cluster give the same digits.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl

from models import shard_ends, shards
from models.analysers import FEW, STATED, AnalyserBias, improved, solved
from models.breaks import typical_gain
from models.cleaning import effects_of
from models.cycle_sums import Readings, positions
from models.drift import search, settled, without_lost
from models.fitted import SeriesFit
from models.joint import Said, together
from models.lower_levels import Messages, merge
from models.pace import in_words
from models.posteriors import Install, Open, end_to_end
from models.projection import gram_above
from models.rates import PerModel, added, compared
from models.refit import FINE, NO_SCATTER, variance_priors
from models.series import FitOptions, SeriesInputs
from models.shard_ends import Ended
from models.shards import Mapper, Part, Piece, Source, Step, answer, here
from models.states import LOWER, beta_precision, evaluate_held, install_frame
from models.tree import Priors, Trunk
from models.upper_levels import Above, Evaluation, evaluate_upper, places

LOOKED_AT = 30_000  # installs that bring the covariances so near their optimum that few passes remain
WORTH_WHILE = 10  # times as many installs


@dataclass(frozen=True)
class Searched:
    """What a sample taught. gain: how far work usually brings the indicator back, on the fit's scale."""

    fit: SeriesFit
    gain: float


def search_sample(inputs: SeriesInputs, options: FitOptions) -> Searched:
    """The search on a sample; the readings of the sample do not travel on."""
    fit, forest = search(inputs, Readings.of(inputs), options, last=False)
    if fit.reml is None:
        return Searched(bare(fit), 1.0)
    gain = typical_gain(fit, evaluate_held(fit, forest, cov=False))
    return Searched(bare(settled(fit, forest)), gain)


def bare(fit: SeriesFit) -> SeriesFit:
    """The parameters of a fit without readings and installs."""
    i = fit.inputs
    inputs = replace(i, readings=i.readings.clear(), cycles=i.cycles.clear(), installs=i.installs.clear())
    none = replace(Readings.of(inputs), centre=fit.centre)
    return replace(fit, inputs=inputs, readings=none, clean={}, before=None)


class Fleet(Trunk):
    """The shards of one series as the lower levels of a tree."""

    def __init__(
        self,
        installs: pl.DataFrame,
        parts: Sequence[Part],
        sources: Sequence[Source],
        head: SeriesFit,
        mapper: Mapper,
        group: str = "",
    ) -> None:
        order = installs.select("design_no", "model_no").unique().sort("design_no", "model_no")
        design, self.models = (order[c].to_numpy() for c in ("design_no", "model_no"))
        self.designs, to_design = np.unique(design, return_inverse=True)
        self.installs = installs
        self.parts, self.sources, self.mapper = parts, sources, mapper
        self.steps: list[list[Step]] = [[] for _ in parts]
        self.head = head
        self.key = group, uuid.uuid4().hex  # names the shards in the memory of whoever works on them; in no result
        super().__init__(2, LOWER + 2, LOWER, [to_design], installs.height, head.sigma**2)

    def ask(self, questions: Sequence[Callable[[shards.Shard], Any]], last: bool = False) -> list[Any]:
        """One question per shard, answered after all steps so far. last: the shards may be let go."""
        pieces = [
            Piece((*self.key, k), source, self.head.centre, tuple(steps), question, last)
            for k, (source, steps, question) in enumerate(zip(self.sources, self.steps, questions, strict=True))
        ]
        answers = self.mapper(answer, pieces)
        if last:
            shards.forget(self.key)
        return answers

    def ask_all(self, question: Callable[[shards.Shard], Any]) -> list[Any]:
        return self.ask([question] * len(self.parts))

    def step(self, function: Callable[..., shards.Shard], above: Above, **told: Any) -> None:
        """To be done in every shard before it answers again."""
        for steps, part in zip(self.steps, self.parts, strict=True):
            steps.append(partial(function, head=self.head, above=above.part(part.models, part.designs), **told))

    def messages(
        self, roots: Sequence[np.ndarray], gradient: bool = True, held: bool = True, every: int = 1
    ) -> Messages:
        """Of all shards. held: the fixed effects but the intercepts taken as `head` has them. every: of every so
        many-th install."""
        lower = list(roots[:LOWER])
        question = partial(shards.said, head=self.head, roots=lower, gradient=gradient, held=held, every=every)
        answers = self.ask_all(question)
        groups = [places(self.models, models) for models, _ in answers]
        return merge([m for _, m in answers], groups, len(self.models))

    def known(self, held: bool = True) -> Above:
        """Models, designs and fixed effects at the parameters of `head`."""
        fit = self.head
        precision = beta_precision(fit)
        priors = Priors(beta_precision=precision[:2, :2] if held else precision)
        m = self.messages(fit.roots, gradient=False, held=held)
        at = evaluate_upper(m, self.above, LOWER, fit.roots, priors, fit.sigma**2, gradient=False)
        return Above(at, self.models, self.designs)

    def fixed_effects(self, priors: Priors) -> Evaluation:
        m = self.messages(self.head.roots, gradient=False, held=False)
        return self.evaluate(self.head.roots, priors, gradient=False, messages=m, nodes=False, lower=False)

    def refit(self) -> None:
        """Fixed effects, covariances, and fixed effects again to their optimum: the ones hardly move the others. The
        covariances of a large fleet are first taken near it with some of the installs, which leaves few passes. What
        the fixed effects beyond the intercepts take from the degrees of freedom is left out, which thousands of
        installs do not feel. Without scatter the parameters stay as they stand."""
        try:
            prior = variance_priors(self.head)
            self.head = replace(self.head, beta=self.fixed_effects(prior).beta)
            many = self.installs.height // LOOKED_AT
            for every in (many, 1) if many >= WORTH_WHILE else (1,):
                found = Thinned(self, every).fit(self.head.roots, prior, FINE)
                passes = self.head.passes + found.passes
                self.head = replace(self.head, roots=found.roots, passes=passes, converged=found.converged)
            e = self.fixed_effects(prior)
        except np.linalg.LinAlgError:
            self.head = replace(self.head, note=NO_SCATTER)
            return
        self.head = replace(
            self.head, sigma=float(np.sqrt(e.sigma2)), beta=e.beta, beta_cov=e.beta_cov * e.sigma2, reml=e.criterion
        )


class Thinned(Trunk):
    """A fleet by every so many-th of its installs."""

    def __init__(self, fleet: Fleet, every: int) -> None:
        self.fleet, self.every = fleet, every
        super().__init__(fleet.q, fleet.levels, fleet.n_lower, fleet.above, fleet.n_leaves, fleet.mean_square)

    def messages(self, roots: Sequence[np.ndarray], gradient: bool = True) -> Messages:
        return self.fleet.messages(roots, gradient, every=self.every)


@dataclass
class WholeFit:
    """A large fleet's fit. fit: the parameters, without readings; above: models and designs under it; counts: readings,
    cycles, installs read; models, said, open: as `shard_ends.Ended`, of all shards; cleanings: as
    `cleaning.cleaning_effects`; asked: cycles in `open`."""

    fit: SeriesFit
    fleet: Fleet
    above: Above
    counts: tuple[int, int, int]
    models: PerModel
    cleanings: pl.DataFrame
    said: list[Said] | None
    asked: pl.DataFrame
    open: Open | None
    install: Install | None = None  # from a joint fit

    def posterior(self, cycles: pl.DataFrame) -> pl.DataFrame:
        """As `SeriesFit.posterior`; at once for the cycles that were named when the fleet was fitted."""
        if self.open is None or not cycles.equals(self.asked):
            questions = []
            for part, own in zip(self.fleet.parts, per_part(cycles, self.fleet.parts), strict=True):
                above = self.above.part(part.models, part.designs)
                questions.append(
                    partial(shard_ends.of_cycles, head=self.fleet.head, above=above, asked=own, joins=False)
                )
            found = [part for _, part in self.fleet.ask(questions) if part is not None]
            self.open, self.asked = end_to_end(found), cycles
        return self.open.told(replace(self.fit, install=self.install))

    def model_rates(self) -> pl.DataFrame:
        """As `rates.model_rates`."""
        return compared(self.fit, self.models, self.above.at, self.fleet.above[0])

    def cleaning_effects(self) -> pl.DataFrame:
        return self.cleanings


def per_part(cycles: pl.DataFrame, parts: Sequence[Part]) -> list[pl.DataFrame]:
    """The cycles of the installs of each part."""
    number = np.concatenate([part.installs for part in parts])
    place = positions(number, cycles["install_no"].to_numpy())
    order = np.argsort(place, kind="stable")
    ends = np.searchsorted(place[order], np.cumsum([0, *(len(part.installs) for part in parts)])).tolist()
    inside = cycles[order]
    return [inside[a:b] for a, b in pairwise(ends)]


def joined_whole(fits: Sequence[WholeFit]) -> list[WholeFit]:
    """As `joint.joined`, of one fleet in the same shards."""
    fits = list(fits)
    if len(fits) < 2 or any(f.fit.reml is None for f in fits):
        return fits
    parts = fits[0].fleet.parts
    numbers = np.concatenate([part.installs for part in parts])
    order = pl.DataFrame({"install_no": numbers}).join(
        fits[0].fleet.installs.select(pl.col("install_no").cast(pl.Int64), "model_no", "design_no"),
        on="install_no",
        how="left",
        maintain_order="left",
    )
    cuts = np.cumsum([len(part.installs) for part in parts])[:-1].tolist()
    said = [told_by_cycles(f) for f in fits]
    pieces = [
        (of_part, order[a:b])
        for of_part, a, b in zip(zip(*said, strict=True), [0, *cuts], [*cuts, order.height], strict=True)
    ]
    found = together(pieces, [f.fit for f in fits], fits[0].fleet.mapper)
    if found is None:
        return fits
    return [
        replace(f, install=i, fit=replace(f.fit, together=found[1]), said=None)
        for f, i in zip(fits, found[0], strict=True)
    ]


def told_by_cycles(fit: WholeFit) -> list[Said]:
    """Per shard; told when the fit ended, or asked for now."""
    if fit.said is not None:
        return fit.said
    question = partial(shard_ends.of_cycles, head=fit.fleet.head, above=None, asked=None, joins=True)
    return [said for said, _ in fit.fleet.ask_all(question)]


def fit_whole(
    searched: Searched,
    installs: pl.DataFrame,
    parts: Sequence[Part],
    sources: Sequence[Source],
    mapper: Mapper = here,
    group: str = "",
    asked: pl.DataFrame | None = None,
    joins: bool = True,
) -> WholeFit:
    """The whole fleet from what its sample taught.

    installs: install_no, model_no, design_no of all; parts: `shards.cut` of them; sources: where the readings of each
    part are read. mapper: who does the work. group: a name of the fit; whoever works on another one forgets the shards
    of this. asked: cycles of which the posterior will be wanted. joins: whether the fit will be joined with others.
    """
    fit = searched.fit
    designs = sorted(set(installs["design_no"].to_list()))
    fit = replace(fit, gamma={int(d): fit.gamma.get(int(d), 1.0) for d in designs})
    fleet = Fleet(installs, parts, sources, fit, mapper, group)
    if fit.reml is not None:
        # clean levels, breaks and weights do not move the models' posteriors enough to ask for them again
        above = fleet.known()
        fleet.step(shards.with_clean, above)
        if fit.options.breaks:
            fleet.step(shards.with_breaks, above, gain=searched.gain)
        if fit.options.robust_rounds:
            fleet.step(shards.with_weights, above)
        stated = STATED.get(fit.inputs.indicator)
        if fit.analysers is not None and stated is not None:  # mistakes weighed down by now
            fleet.head = replace(fleet.head, analysers=renewed(fleet, above, stated))
        fleet.step(shards.with_clean, above)
        fleet.refit()
        fleet.head = without_lost(fleet.head)
    above = fleet.known(held=False)
    if fit.reml is None:
        cov = above.at.beta_cov * fit.sigma**2
        fleet.head = replace(fleet.head, beta=above.at.beta, beta_cov=cov)
    questions = []
    own = [None] * len(parts) if asked is None else per_part(asked, parts)
    for part, cycles in zip(parts, own, strict=True):
        known = above.part(part.models, part.designs)
        questions.append(
            partial(shard_ends.ended, head=fleet.head, above=known, asked=cycles, joins=joins and asked is not None)
        )
    ends: list[Ended] = fleet.ask(questions, last=asked is not None)
    readings, n_cycles, read, slight = np.sum([e.counts for e in ends], axis=0).tolist()
    done = replace(fleet.head, downweighted_share=slight / max(readings, 1))
    if done.paces:
        done = replace(done, pace=in_words(done, done.paces, np.sum([e.paces for e in ends], axis=0)))
    fleet.head = done
    opened = [e.open for e in ends if e.open is not None]
    pairs = pl.concat([e.pairs for e in ends])
    return WholeFit(
        done,
        fleet,
        above,
        (readings, n_cycles, read),
        added([e.models for e in ends], fleet.models, len(done.beta)),
        effects_of(pairs.sort("design_no", "install_no", "cycle_no"), done.centre, done.inputs.transform),
        None if asked is None or not joins else [e.said for e in ends if e.said is not None],
        pl.DataFrame() if asked is None else asked,
        None if not opened else end_to_end(opened),
    )


def renewed(fleet: Fleet, above: Above, stated: float) -> AnalyserBias:
    """The analysers' biases from all readings."""
    known = fleet.head.analysers
    assert known is not None
    number = np.unique(np.concatenate(fleet.ask_all(shards.analysers)))
    everyone = known.extended(number)
    fleet.head = replace(fleet.head, analysers=everyone)
    parts = [above.part(part.models, part.designs) for part in fleet.parts]
    if len(number) > FEW:
        asked = partial(shards.of_analysers, head=fleet.head, number=everyone.number)
        return improved(everyone, np.sum(fleet.ask([partial(asked, above=own) for own in parts]), axis=0), stated)
    said = partial(shards.said_of_analysers, head=fleet.head, number=everyone.number)
    answers = fleet.ask([partial(said, above=own) for own in parts])
    m = merge([x for _, x, _ in answers], [places(fleet.models, x) for x, _, _ in answers], len(fleet.models))
    tests = np.sum([x for _, _, x in answers], axis=0)
    return solved(everyone.number, gram_above(m, fleet.above, fleet.head), tests, stated)


def split(inputs: SeriesInputs, parts: Sequence[Part]) -> list[Source]:
    """The shards of a series at hand."""
    out: list[Source] = []
    for part in parts:
        own = pl.DataFrame({"install_no": part.installs}).cast(inputs.installs.schema["install_no"])
        keep = lambda frame, own=own: frame.join(own, on="install_no", how="semi", maintain_order="left")
        out.append(
            shards.Given(
                replace(
                    inputs,
                    readings=keep(inputs.readings),
                    cycles=keep(inputs.cycles),
                    installs=keep(install_frame(inputs).cast({"install_no": inputs.installs.schema["install_no"]})),
                )
            )
        )
    return out
