"""Changes of pace: a design or model that drifts differently from some calendar year on, or from some installation
year on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy import sparse

from models.drift.covariates import RATE, Term, opened_year
from models.drift.cycle_sums import Forest
from models.drift.fitted import SeriesFit
from models.drift.projection import Projector
from models.drift.robust import residuals
from models.drift.states import State, evaluate_held, reading_lines
from models.tails import Z80

FEWEST_INSTALLS = 8  # on either side of the change
SHARE_CHANGING = 0.05  # of designs and models that change their pace at all: own judgement, no source
LOOKED_AT = 6  # candidates weighed exactly, the most striking by a quick score
AT_MOST = 4  # changes told per series
LEAST_RATIO = 0.15  # of the usual rate: a smaller change is none that anybody would act on
SURE = 0.95
SCHEMA = {
    "scope": pl.String,
    "number": pl.Int32,
    "since_year": pl.Int32,
    "ratio": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "p": pl.Float64,
    "installs": pl.Int32,
}


@dataclass(frozen=True)
class Candidate:
    term: Term
    after: np.ndarray  # cycles after the change
    score: float


def find_change(fit: SeriesFit, forest: Forest) -> tuple[Term, float] | None:
    """The likeliest change of pace not yet in the fit and the chance that it is none; None where nothing is likely.

    Candidates are screened by their scores; the best are weighed by a Bayes factor whose prior lets the rate change by
    about half itself, against how rarely designs change and how many years were looked at.
    """
    state = evaluate_held(fit, forest, cov=False)
    readings = fit.readings
    lines = reading_lines(fit, forest)
    leaf, tau = lines.leaf, lines.tau
    left = readings.weight * residuals(fit, forest, state).residual / fit.sigma**2  # P z
    g = np.bincount(leaf, left * tau, forest.size)
    candidates = sorted(screened(fit, forest, state.sums.n, g), key=lambda c: -c.score)[:LOOKED_AT]
    usual = abs(float(np.average(state.nodes[0].mean[1], weights=np.maximum(state.sums.n, 1e-9))))
    kappa2 = (0.5 * usual) ** 2
    best: tuple[Term, float] | None = None
    if not candidates:
        return None
    moved = np.stack([np.isin(leaf, candidate.after) * tau for candidate in candidates], axis=1)
    scores, informations = moved.T @ left, np.diag(Projector(fit, forest).gram(sparse.csr_array(moved)))
    years = max(len(set(opened_year(forest.cycles).tolist())), 1)
    for candidate, u, information in zip(candidates, scores.tolist(), informations.tolist(), strict=True):
        if information <= 0:
            continue
        b = u / information
        log_factor = 0.5 * u * u / (information + 1 / kappa2) - 0.5 * np.log1p(kappa2 * information)
        odds = log_factor + np.log(SHARE_CHANGING / (1 - SHARE_CHANGING) / (2 * years))
        none = float(1 / (1 + np.exp(np.clip(odds, -500, 500))))
        if none < 1 - SURE and abs(b) > LEAST_RATIO * usual and (best is None or none < best[1]):
            best = (candidate.term, none)
    return best


def screened(fit: SeriesFit, forest: Forest, n: np.ndarray, g: np.ndarray) -> Iterator[Candidate]:
    """Every design and model with years enough on both sides, scored by the sum of its cycles' rate scores."""
    frame = forest.cycles
    install = forest.parents[0]
    taken = {(t.how, t.name, t.value) for t in fit.terms.terms if t.how in ("since", "batch")}
    opened = opened_year(frame)
    installed = (
        frame["installed_year"].fill_null(0).to_numpy() if "installed_year" in frame.columns else np.zeros(len(frame))
    )
    read = n > 0
    dated = read & (frame["opened_by"] != "unknown").fill_null(False).to_numpy()
    for scope, hows in (("design_no", ("since", "batch")), ("model_no", ("since",))):
        number = frame[scope].to_numpy()
        for value in np.unique(number):
            for how in hows:
                of_scope = (dated if how == "since" else read) & (number == value)
                if (how, scope, str(value)) in taken:
                    continue
                year = opened if how == "since" else installed
                here = np.flatnonzero(of_scope & (year > 0))
                if len(here) == 0:
                    continue
                for since in np.unique(year[here])[1:]:
                    after = here[year[here] >= since]
                    before = here[year[here] < since]
                    # cycles lie in the order of their installs
                    if min(distinct(install[after]), distinct(install[before])) < FEWEST_INSTALLS:
                        continue
                    per_install = np.bincount(install[after] - install[after[0]], g[after])
                    spread = np.sqrt(np.sum(per_install**2))
                    if spread <= 0:
                        continue
                    term = Term(RATE, how, scope, str(int(value)), centre=float(since))
                    yield Candidate(term, after, abs(float(per_install.sum())) / spread)


def distinct(rising: np.ndarray) -> int:
    """How many different numbers there are in a sorted list."""
    return int(np.count_nonzero(rising[1:] != rising[:-1])) + 1 if len(rising) else 0


def described(fit: SeriesFit, forest: Forest, chances: dict[Term, float]) -> pl.DataFrame:
    """One row per change in the fit: ratio of the rates after and before with its 80 % interval, p the chance of
    none."""
    return in_words(fit, chances, rates_after(forest, evaluate_held(fit, forest, cov=False), chances))


def rates_after(forest: Forest, state: State, chances: dict[Term, float]) -> np.ndarray:
    """Per change: sum of the rates of the cycles after it, their number, and that of their installs, (changes, 3).
    Parts of a fleet add."""
    out = np.zeros((len(chances), 3))
    for row, term in zip(out, chances, strict=True):
        inside = term.column(forest, None)
        assert inside is not None
        here = (inside > 0) & (state.sums.n > 0)
        row[:] = state.nodes[0].mean[1, here].sum(), here.sum(), len(np.unique(forest.parents[0][here]))
    return out


def in_words(fit: SeriesFit, chances: dict[Term, float], after: np.ndarray) -> pl.DataFrame:
    """`described` from the sums of `rates_after`."""
    se = np.sqrt(np.maximum(np.diag(fit.beta_cov), 0))
    rows = []
    for term, (total, cycles, installs) in zip(chances, after.tolist(), strict=True):
        if term not in fit.terms.terms or cycles == 0:
            continue
        j = fit.terms.terms.index(term)
        b, s = float(fit.beta[j]), float(se[j])
        base = total / cycles - b
        if base == 0:
            continue
        ends = sorted((1 + (b - Z80 * s) / base, 1 + (b + Z80 * s) / base))
        scope = "batch" if term.how == "batch" else term.name.removesuffix("_no")
        rows.append((scope, int(term.value), int(term.centre), 1 + b / base, *ends, chances[term], int(installs)))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row").sort("p", "number")


def with_term(fit: SeriesFit, term: Term) -> SeriesFit:
    return replace(fit, terms=replace(fit.terms, terms=(*fit.terms.terms, term)))
