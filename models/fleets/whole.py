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

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np
import polars as pl

from models.drift.analysers import STATED
from models.drift.breaks import typical_gain
from models.drift.cycle_sums import Readings, positions
from models.drift.fit import search, settled
from models.drift.fitted import Install, SeriesFit, Told, bare
from models.drift.joint import Said, together
from models.drift.pace import in_words
from models.drift.series import FitOptions, SeriesInputs
from models.drift.states import evaluate_held, install_frame
from models.fleets import shard_ends, shards
from models.fleets.shard_ends import Ended
from models.fleets.shard_levels import Fleet, renewed
from models.fleets.shards import Mapper, Part, Source, here
from models.known.cleaning import effects_of
from models.known.posteriors import Open
from models.known.rates import PerModel, added, compared
from models.mixed.upper_levels import Above


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


@dataclass
class WholeFit:
    """A large fleet's fit. fit: the parameters, without readings; above: models and designs under it; counts: readings,
    cycles, installs read; models, said, open: as `shard_ends.Ended`, of each shard; cleanings: as
    `cleaning.cleaning_effects`; asked: cycles in `open`."""

    fit: SeriesFit
    fleet: Fleet
    above: Above
    counts: tuple[int, int, int]
    models: PerModel
    cleanings: pl.DataFrame
    said: list[Said] | None
    asked: pl.DataFrame
    open: list[Open | None] | None
    install: list[Install] | None = None  # from a joint fit

    def posterior(self, cycles: pl.DataFrame) -> pl.DataFrame:
        """As `posteriors.posterior`; at once for the cycles that were named when the fleet was fitted."""
        if self.open is None or not cycles.equals(self.asked):
            ask = partial(shard_ends.of_cycles, head=self.fleet.head, joins=False)
            questions = [
                partial(ask, above=self.above.part(part.models, part.designs), asked=own)
                for part, own in zip(self.fleet.parts, per_part(cycles, self.fleet.parts), strict=True)
            ]
            self.open, self.asked = [part for _, part in self.fleet.ask(questions)], cycles
        installs = [None] * len(self.open) if self.install is None else self.install
        of_part = [
            found.told(replace(self.fit, install=install))
            for found, install in zip(self.open, installs, strict=True)
            if found is not None
        ]
        return pl.concat(of_part).sort("install_no", "cycle_no") if of_part else pl.DataFrame()

    def model_rates(self) -> pl.DataFrame:
        """As `rates.model_rates`."""
        return compared(self.fit, self.models, self.above.at, self.fleet.above[0])

    def told(self) -> Told:
        return Told(self.fit, self.counts, self.posterior(self.asked), self.model_rates(), self.cleanings)


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
        above = fleet.refit()
    else:
        above = fleet.known(held=False)
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
        None if asked is None else [e.open for e in ends],
    )


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
