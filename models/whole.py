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
from typing import Any

import numpy as np
import polars as pl

from models import shards
from models.analysers import FEW, STATED, AnalyserBias, improved, solved
from models.breaks import typical_gain
from models.cleaning import SCHEMA as CLEANING
from models.cleaning import effects_of
from models.cycle_sums import Readings
from models.drift import search, settled, without_lost
from models.fitted import LOWER, SeriesFit, beta_precision, evaluate_held, install_frame
from models.joint import Said, together
from models.known_installs import Install
from models.lower_levels import LeafSums, Messages, merge
from models.pace import in_words
from models.projection import gram_above
from models.rates import added, compared
from models.refit import FINE, NO_SCATTER, variance_priors
from models.series import FitOptions, SeriesInputs
from models.shards import Mapper, Part, Piece, Source, Step, answer, here
from models.tree import Priors, Trunk
from models.upper_levels import Above, Evaluation, evaluate_upper, places


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

    def ask(self, questions: Sequence[Callable[[shards.Shard], Any]]) -> list[Any]:
        """One question per shard, answered after all steps so far."""
        pieces = [
            Piece((*self.key, k), source, self.head.centre, tuple(steps), question)
            for k, (source, steps, question) in enumerate(zip(self.sources, self.steps, questions, strict=True))
        ]
        return self.mapper(answer, pieces)

    def ask_all(self, question: Callable[[shards.Shard], Any]) -> list[Any]:
        return self.ask([question] * len(self.parts))

    def step(self, function: Callable[..., shards.Shard], above: Above, **told: Any) -> None:
        """To be done in every shard before it answers again."""
        for steps, part in zip(self.steps, self.parts, strict=True):
            steps.append(partial(function, head=self.head, above=above.part(part.models, part.designs), **told))

    def messages(self, roots: Sequence[np.ndarray], gradient: bool = True, held: bool = True) -> Messages:
        """Of all shards; held: the fixed effects but the intercepts taken as `head` has them."""
        answers = self.ask_all(
            partial(shards.said, head=self.head, roots=list(roots[:LOWER]), gradient=gradient, held=held)
        )
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
        """Fixed effects, covariances, and fixed effects again to their optimum: the ones hardly move the others. What
        the fixed effects beyond the intercepts take from the degrees of freedom is left out, which thousands of
        installs do not feel. Without scatter the parameters stay as they stand."""
        try:
            prior = variance_priors(self.head)
            self.head = replace(self.head, beta=self.fixed_effects(prior).beta)
            found = self.fit(self.head.roots, prior, FINE)
            passes = self.head.passes + found.passes
            self.head = replace(self.head, roots=found.roots, passes=passes, converged=found.converged)
            e = self.fixed_effects(prior)
        except np.linalg.LinAlgError:
            self.head = replace(self.head, note=NO_SCATTER)
            return
        self.head = replace(
            self.head, sigma=float(np.sqrt(e.sigma2)), beta=e.beta, beta_cov=e.beta_cov * e.sigma2, reml=e.criterion
        )


@dataclass
class WholeFit:
    """A large fleet's fit. fit: the parameters, without readings; above: models and designs under it; counts: readings,
    cycles, installs read."""

    fit: SeriesFit
    fleet: Fleet
    above: Above
    counts: tuple[int, int, int]
    install: Install | None = None  # from a joint fit

    def posterior(self, cycles: pl.DataFrame) -> pl.DataFrame:
        """As `SeriesFit.posterior`."""
        asked = cycles.with_columns(pl.col("install_no").cast(pl.Int64))
        questions = []
        for part in self.fleet.parts:
            own = asked.join(pl.DataFrame({"install_no": part.installs}), on="install_no", how="semi")
            head = self.fleet.head
            if self.install is not None:
                head = replace(head, install=self.install.of(np.sort(part.installs)))
            above = self.above.part(part.models, part.designs)
            questions.append(partial(shards.posteriors, head=head, above=above, asked=own))
        return pl.concat([found for found in self.fleet.ask(questions) if found is not None]).sort(
            "install_no", "cycle_no"
        )

    def model_rates(self) -> pl.DataFrame:
        """As `rates.model_rates`."""
        parts = self.fleet.ask_all(partial(shards.of_models, head=self.fleet.head))
        total = added(parts, self.fleet.models, len(self.fit.beta))
        return compared(self.fit, total, self.above.at, self.fleet.above[0])

    def cleaning_effects(self) -> pl.DataFrame:
        """As `cleaning.cleaning_effects`."""
        pairs = pl.concat(self.fleet.ask_all(partial(shards.cleanings, head=self.fleet.head)))
        if pairs.is_empty():
            return pl.DataFrame(schema=CLEANING)
        pairs = pairs.sort("design_no", "install_no", "cycle_no")
        return effects_of(pairs, self.fit.centre, self.fit.inputs.transform)


def joined_whole(fits: Sequence[WholeFit]) -> list[WholeFit]:
    """As `joint.joined`, of one fleet in the same shards: what each shard's cycles say of its installs is put
    together."""
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
    said = [whole_said(f.fleet.ask_all(partial(shards.of_cycles, head=f.fleet.head))) for f in fits]
    found = together(said, order, [f.fit for f in fits])
    if found is None:
        return fits
    return [replace(f, install=i, fit=replace(f.fit, together=found[1])) for f, i in zip(fits, found[0], strict=True)]


def whole_said(parts: Sequence[Said]) -> Said:
    """What the cycles of all shards say."""
    s, by = (np.concatenate([getattr(p.leaf, name) for p in parts], axis=1) for name in ("s", "by"))
    number, cycle, began = (
        np.concatenate([getattr(p, name) for p in parts]) for name in ("install_no", "cycle_no", "began")
    )
    leaf = LeafSums(s, by, sum(p.leaf.yy for p in parts), sum(p.leaf.n_obs for p in parts), parts[0].leaf.columns)
    return Said(number, cycle, began, leaf)


def fit_whole(
    searched: Searched,
    installs: pl.DataFrame,
    parts: Sequence[Part],
    sources: Sequence[Source],
    mapper: Mapper = here,
    group: str = "",
) -> WholeFit:
    """The whole fleet from what its sample taught.

    installs: install_no, model_no, design_no of all; parts: `shards.cut` of them; sources: where the readings of each
    part are read. mapper: who does the work. group: of fits that are done together; whoever works on another group
    forgets the shards of this one.
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
    readings, cycles, read, slight = np.sum(fleet.ask_all(shards.counts), axis=0).tolist()
    done = replace(fleet.head, downweighted_share=slight / max(readings, 1))
    if done.paces:
        said = []
        for part in parts:
            said.append(partial(shards.paces, head=done, above=above.part(part.models, part.designs)))
        done = replace(done, pace=in_words(done, done.paces, np.sum(fleet.ask(said), axis=0)))
    fleet.head = done
    return WholeFit(done, fleet, above, (readings, cycles, read))


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
