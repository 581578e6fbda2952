"""The shards of one series of a large fleet as the lower levels of a tree: asked side by side, added in their order."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import polars as pl

from models.drift.analysers import FEW, AnalyserBias, improved, solved
from models.drift.fit import without_lost
from models.drift.fitted import SeriesFit
from models.drift.projection import gram_above
from models.drift.refit import FINE, NO_SCATTER, variance_priors
from models.drift.states import LOWER, beta_prior
from models.fleets import shards
from models.fleets.shards import Mapper, Part, Piece, Source, Step, answer
from models.mixed.lower_levels import Messages, merge
from models.mixed.newton import Secants
from models.mixed.tree import Priors, Trunk
from models.mixed.upper_levels import Above, Evaluation, evaluate_upper, places

LOOKED_AT = 30_000  # installs that bring the covariances so near their optimum that few passes remain
WORTH_WHILE = 10  # times as many installs
NEAR = 0.005  # of -2 log L: no combination of parameters is more than a twentieth of its standard error away


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
        return self.above_of(self.messages(self.head.roots, gradient=False, held=held), held)

    def above_of(self, m: Messages, held: bool) -> Above:
        """Models, designs and fixed effects from messages at the parameters of `head`."""
        prior = beta_prior(self.head, held)
        at = evaluate_upper(m, self.above, LOWER, self.head.roots, prior, self.head.sigma**2, gradient=False)
        return Above(at, self.models, self.designs)

    def refit(self) -> Above:
        """Fixed effects, covariances, and fixed effects again at their optimum: the ones hardly move the others. The
        covariances of a large fleet are first taken near it with some of the installs, which leaves few passes. What
        the fixed effects beyond the intercepts take from the degrees of freedom is left out, which thousands of
        installs do not feel. Without scatter the parameters stay as they stand."""
        prior = variance_priors(self.head)
        try:
            m = self.messages(self.head.roots, gradient=False, held=False)
            e = self.evaluate(self.head.roots, prior, gradient=False, messages=m, nodes=False, lower=False)
            self.head = replace(self.head, beta=e.beta)
            many = self.installs.height // LOOKED_AT
            secants: Secants = ()
            for every in (many, 1) if many >= WORTH_WHILE else (1,):
                enough = NEAR if every == 1 else 0.0
                found = Thinned(self, every).fit(self.head.roots, prior, FINE, secants=secants, enough=enough)
                secants = [(step, every * change) for step, change in found.secants]
                passes = self.head.passes + found.passes
                self.head = replace(self.head, roots=found.roots, passes=passes, converged=found.converged)
            return self.last(prior, found.at)
        except np.linalg.LinAlgError:
            self.head = replace(self.head, note=NO_SCATTER)
            self.head = without_lost(self.head)
            return self.known(held=False)

    def last(self, prior: Priors, near: Evaluation) -> Above:
        """Fixed effects and residual variance at the covariances as they stand, in one pass: it already sees them
        relative to sigma with what the weights took from that. near: an evaluation there or a step away, with
        gradients."""
        settled = without_lost(self.head)
        m = self.messages(settled.roots, gradient=False, held=False)
        e = self.evaluate(settled.roots, prior, gradient=False, messages=m, nodes=False, lower=False)
        # sigma2 before, by its slope: d log sigma2 / d D = -scaled / dof
        before, after = ([r @ r.T for r in roots] for roots in (self.head.roots, settled.roots))
        moved = sum(float(np.sum(s * (a - b))) for s, a, b in zip(near.scaled, after, before, strict=True))
        sigma2 = e.sigma2 * np.exp(moved / near.dof)
        done = without_lost(replace(self.head, sigma=float(np.sqrt(sigma2)), reml=e.criterion))
        self.head = replace(done, beta=e.beta, beta_cov=e.beta_cov * done.sigma**2)
        return self.above_of(m, held=False)


class Thinned(Trunk):
    """A fleet by every so many-th of its installs."""

    def __init__(self, fleet: Fleet, every: int) -> None:
        self.fleet, self.every = fleet, every
        super().__init__(fleet.q, fleet.levels, fleet.n_lower, fleet.above, fleet.n_leaves, fleet.mean_square)

    def messages(self, roots: Sequence[np.ndarray], gradient: bool = True) -> Messages:
        return self.fleet.messages(roots, gradient, every=self.every)


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
