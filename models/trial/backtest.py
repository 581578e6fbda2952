"""The forecasts tried on the past: at several past days, fitted on what was known, scored on what was then found.

An event is an as-found reading outside the range, in the cycle that was open at the origin; the reading's own error and
that of its analyser are therefore in the chance. Covariances, exponents and terms are searched at the first origin; at
the later ones what depends on the readings is renewed: fixed effects, weights, every install's posterior. That is older
knowledge than a run would have, never newer.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.arrays import Floats, Ints
from models.chances.forecast import OWN_SHARE, Outlook
from models.chances.reading_errors import ReadingError, chance_of_reading, reading_quantiles
from models.drift.breaks import ROUNDS, split_at_breaks
from models.drift.cycle_sums import Forest, Readings, positions, rows_of
from models.drift.fit import fit_series, reweighted, with_clean_levels
from models.drift.fitted import SeriesFit
from models.drift.series import FitOptions, SeriesInputs
from models.drift.states import evaluate, install_frame, seen_cycles
from models.known.doubts import ASKED, Visits, after_visits
from models.known.posteriors import posterior
from models.trial.baselines import (
    FEWEST_PAIRS,
    Guess,
    Lesson,
    base_rate,
    boosted_trees,
    common_drift,
    own_line,
    pooled_slope,
    tree_table,
    trees_at_hand,
)
from models.trial.past import HORIZONS, Counted, History, Origin, features, reading_edges, stand_at
from models.trial.scores import bins, score

METHODS = ("foulcast", "base_rate", "own_line", "common_drift", "boosted_trees")
MONTH_DAYS = 30.4375
STEP_MONTHS = 9
ORIGINS_A_TREE = 2  # that the same trees serve
TESTED_MONTHS = 36  # the first origin lies this far back
LEARNING_MONTHS = 36  # the baselines learn from origins this much earlier still
OPTIONS = FitOptions(robust_rounds=1, pace=False)
FEWEST_FORECASTS = 30  # per horizon, below which nothing is told


@dataclass(frozen=True)
class Tried:
    """Rows of backtest_scores and backtest_bins for one series, and a sentence where there was too little to try."""

    scores: list[dict]
    bins: list[dict]
    note: str = ""


@dataclass(frozen=True)
class Outcome:
    """What was found after one origin, (n,) each: months ahead, the value on the scale of the fit, whether it was out
    of range; and what each method had guessed."""

    months: Ints
    z: Floats
    event: NDArray[np.bool_]
    guesses: dict[str, Guess]


@dataclass(frozen=True)
class Attempt:
    """One series tried by all methods but the boosted trees, and what these are to learn from, origin by origin. trees:
    the chances that they give, once they are grown."""

    name: dict[str, str]
    outcomes: list[Outcome]
    lessons: list[Lesson]
    seed: int
    note: str = ""
    trees: list[Floats] | None = None


def attempted(inputs: SeriesInputs, counted: Counted, low: Floats, high: Floats, as_of: int, seed: int) -> Attempt:
    """Try one series on its past, by all methods but the boosted trees.

    inputs: the whole history of the installs of `counted`, with visit_no in readings and opened_visit_no in cycles.
    low, high: ranges on the scale of the fit (-inf, inf where open), in the order of counted.install_no.
    as_of: the day the history ends.
    """
    name = {"indicator": inputs.indicator, "firing": inputs.firing}
    if not inputs.readings.height:
        return Attempt(name, [], [], seed, f"{inputs.indicator} {inputs.firing}: no readings")
    # The first origin needs a year of history before it.
    first_day = int(inputs.readings["day"].quantile(0.02)) + 365  # type: ignore[arg-type]
    days = [d for d in origin_days(as_of) if d >= first_day]
    tested = [d for d in days if d >= as_of - round(MONTH_DAYS * TESTED_MONTHS)]
    if not days:
        return Attempt(name, [], [], seed)
    past_of = History.of(inputs, counted)
    stands = {d: stand_at(d, past_of) for d in days}
    edges = reading_edges(low, high, inputs)
    number = pl.Series("install_no", counted.install_no, inputs.readings.schema["install_no"])
    ranges = pl.DataFrame({"install_no": number, "low": low, "high": high})
    told = [features(stand, counted, low, high, edges) for stand in stands.values()]
    every = pl.concat([frame for frame, _ in told], how="vertical_relaxed")
    events, table, found = np.concatenate([event for _, event in told]), tree_table(every), every["day"].to_numpy()
    sizes = [len(event) for _, event in told]
    ends, origin = dict(zip(days, np.cumsum(sizes).tolist(), strict=True)), np.repeat(days, sizes)
    outcomes: list[Outcome] = []
    lessons: list[Lesson] = []
    fit: SeriesFit | None = None
    for day in tested:
        past = np.flatnonzero((origin < day) & (found <= day))
        here = slice(ends[day] - int((origin == day).sum()), ends[day])
        now, event, past_event = every[here], events[here], events[past]
        if len(past) < FEWEST_PAIRS or not now.height:
            continue
        fit = fit_series(stands[day].inputs, OPTIONS) if fit is None else carried(fit, stands[day].inputs)
        before = every[past]
        rate = base_rate(before, past_event, now)
        anew = len(lessons) % ORIGINS_A_TREE == 0
        lessons.append(Lesson(table[past] if anew else None, past_event, table[here], rate.chance))
        slope = pooled_slope(stands[day].inputs.readings)
        guesses = {
            "foulcast": drift_guess(fit, stands[day], now, counted, ranges),
            "base_rate": rate,
            "own_line": own_line(before, now, rate.chance),
            "common_drift": common_drift(before, now, slope, rate.chance),
        }
        outcomes.append(Outcome(now["months"].to_numpy(), now["z"].to_numpy(), event, guesses))
    return Attempt(name, outcomes, lessons, seed)


def origin_days(as_of: int) -> list[int]:
    """The past days that are tried or learnt from, where a series has the history."""
    return [as_of - round(MONTH_DAYS * m) for m in range(TESTED_MONTHS + LEARNING_MONTHS, 0, -STEP_MONTHS)]


def backtest_piece(piece: tuple[SeriesInputs, Counted, Floats, Floats, int, int]) -> Attempt:
    """`attempted` of its arguments in one: a piece of work that another process does without the rest of the program.
    Trees are grown at once where what grows them has been imported."""
    attempt = attempted(*piece)
    if not trees_at_hand():
        return attempt
    return replace(attempt, lessons=[], trees=boosted_trees(attempt.lessons, attempt.seed))


def trees_piece(attempts: Sequence[tuple[Sequence[Lesson], int]]) -> list[list[Floats]]:
    """`boosted_trees` of the lessons and seeds of several series, in a process that has imported what they need."""
    return [boosted_trees(lessons, seed) for lessons, seed in attempts]


def carried(fit: SeriesFit, inputs: SeriesInputs) -> SeriesFit:
    """A fit's covariances, exponents, terms and analyser biases, with the readings and weights of other inputs."""
    readings = replace(Readings.of(inputs), centre=fit.centre)
    forest = Forest.of(seen_cycles(inputs, readings), install_frame(inputs))
    gamma = {int(d): fit.gamma.get(int(d), 1.0) for d in forest.designs}
    moved = replace(fit, inputs=inputs, readings=readings, gamma=gamma)
    if fit.reml is None:
        return moved
    moved = with_clean_levels(moved, forest)
    for _ in range(ROUNDS):
        moved, cut = split_at_breaks(moved, forest, evaluate(moved, forest))
        if cut == 0:
            break
        forest = Forest.of(seen_cycles(inputs, moved.readings), install_frame(inputs))
    return with_clean_levels(reweighted(moved, forest, analysers=False), forest)


def drift_guess(fit: SeriesFit, origin: Origin, now: pl.DataFrame, counted: Counted, ranges: pl.DataFrame) -> Guess:
    """The drift model's chance of each found reading, its own error included, and its 80 % interval.

    ranges: install_no, low, high on the scale of the fit."""
    install = now["install_no"].to_numpy()
    asked = origin.open[positions(origin.open["install_no"].to_numpy(), install)].select(ASKED)
    of_doubt = positions(origin.doubted["install_no"].to_numpy(), install)
    doubt = np.flatnonzero(of_doubt >= 0)
    doubted = origin.doubted[of_doubt[doubt]]
    known = posterior(fit, pl.concat([asked, doubted], how="vertical_relaxed"))
    known, doubts = _heard(fit, origin, known, asked, ranges)
    outlook = _outlook(origin, now, counted, known, asked)
    if len(doubt):
        restarted = _outlook(origin, now[doubt], counted, known, doubted)
        told = positions(doubts["install_no"].to_numpy(), install[doubt])
        chance = np.zeros(len(now))
        chance[doubt] = np.append(doubts["chance"].to_numpy(), 0.0)[told]
        outlook = replace(outlook, doubt=chance, restarted=restarted)
    ahead = now["load_ahead"].to_numpy()
    error = ReadingError.of(fit)
    low, high = reading_quantiles(outlook, ahead, error, (0.1, 0.9))
    return Guess(chance_of_reading(outlook, ahead, error), low, high)


def _heard(
    fit: SeriesFit, origin: Origin, known: pl.DataFrame, asked: pl.DataFrame, ranges: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """`doubts.after_visits` at the origin, by the visits until then."""
    seen = origin.inputs
    unsaid = origin.visits.clear() if seen.unsaid is None else seen.unsaid
    visits = Visits(origin.visits, seen.readings, seen.cycles, unsaid, origin.silent, ranges)
    return after_visits(known, asked, visits, fit.open_share, fit.sigma, fit.inputs.transform)


def _outlook(origin: Origin, now: pl.DataFrame, counted: Counted, known: pl.DataFrame, asked: pl.DataFrame) -> Outlook:
    """What the chances of the readings `now` depend on, by the posteriors of the cycles asked for, one for each."""
    cycles = known[rows_of(known, asked["install_no"].to_numpy(), asked["cycle_no"].to_numpy())]

    def column(name: str) -> Floats:
        return cycles[name].to_numpy()

    at, clock = now["at"].to_numpy(), origin.clock
    hours_open = np.maximum(asked["hours_open"].to_numpy() - column("hours_shift"), 0.0)
    area = counted.fleet.area_no[at]
    since = counted.calendar.years(area, np.array(origin.day)) - counted.calendar.years(area, clock.counted_day[at])
    counted_open = np.maximum(hours_open - clock.hours_per_year[at] * np.maximum(since, 0.0), 0.0)
    return Outlook(
        m0=column("m0"), m1=column("m1"), v00=column("v00"), v01=column("v01"), v11=column("v11"),
        gamma=column("gamma"), low=now["edge_low"].to_numpy(), high=now["edge_high"].to_numpy(),
        hours_open=hours_open, counted_open=counted_open, per_year=clock.hours_per_year[at],
        rel_sd=clock.rel_sd[at], weather_sd=np.full(len(at), clock.weather_sd),
        own=np.where((cycles["basis"] == "install").to_numpy(), OWN_SHARE, 0.0), area_no=area,
        as_of=origin.day,
    )  # fmt: skip


def scored(attempt: Attempt, trees: Sequence[Floats]) -> Tried:
    """trees: the chances that `boosted_trees` give, origin by origin."""
    name, outcomes = attempt.name, attempt.outcomes
    if attempt.note:
        return Tried([], [], attempt.note)
    guessed = [
        o.guesses | {"boosted_trees": Guess(chance, *[np.full(len(chance), np.nan)] * 2)}
        for o, chance in zip(outcomes, trees, strict=True)
    ]
    scores, pictures, short = [], [], []
    for months in HORIZONS:
        take = [o.months == months for o in outcomes]

        def all_of(parts: Iterable[NDArray], take: Sequence[NDArray[np.bool_]] = take) -> NDArray:
            return np.concatenate([part[t] for part, t in zip(parts, take, strict=True)])

        event = all_of(o.event for o in outcomes) if outcomes else np.empty(0, bool)
        if len(event) < FEWEST_FORECASTS:
            short.append(f"{months} months: {len(event)}")
            continue
        z = all_of(o.z for o in outcomes)
        told = {}
        for method in METHODS:
            chance, low, high = (
                all_of(getattr(g[method], part) for g in guessed) for part in ("chance", "low", "high")
            )
            between = np.isfinite(low)
            told[method] = (
                score(chance, event),
                float(((z >= low) & (z <= high))[between].mean()) if between.sum() >= FEWEST_FORECASTS else None,
            )
            if method == "foulcast":
                pictures += [name | {"horizon_months": months} | b for b in bins(chance, event)]
        base = told["base_rate"][0].brier
        for method, (result, coverage) in told.items():
            numbers = asdict(result)
            numbers["brier_skill"] = 1 - result.brier / base if base > 0 and result.events else None
            scores.append(name | {"horizon_months": months, "method": method} | numbers | {"coverage80": coverage})
    note = ""
    if short:
        had = ", ".join(short)
        note = f"{' '.join(name.values())}: too few later readings to try ({had}; {FEWEST_FORECASTS} needed)"
    return Tried(scores, pictures, note)
