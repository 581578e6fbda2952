"""Fixed effects of the drift model: what acts on the level just after work and what acts on the rate."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import polars as pl

from models.drift.cycle_sums import PARTS, CycleSums, Forest
from models.mixed.lower_levels import Column, design_rows
from models.mixed.smallblocks import slots

LEVEL, RATE = 0, 1
ALMOST_NONE = 1e-6  # size of a column, or what is left of its square beside others, below which it tells nothing
FEWEST = 8  # cycles with readings that a column needs to be fitted at all
NUMBERS = (("hardness", False), ("media_kg", True))  # name, on the log scale
CATEGORIES = ("material", "fuel", "air_intake", "condensing")


@dataclass(frozen=True)
class Term:
    """One column of the fixed effects.

    how: intercept; opened (by a kind of work, on a material); carry (what had built up before that work, `centre` where
    that is not known, with `spread`); category; number (standardised); aged (of unknown age, in designs
    "a,b" whose drift is not straight); since, batch (a change of pace).
    """

    component: int
    how: str
    name: str = ""
    value: str = ""
    centre: float = 0.0
    spread: float = 1.0
    log: bool = False

    @property
    def label(self) -> str:
        on = ("level", "rate")[self.component]
        return ":".join(x for x in (on, self.how, self.name, self.value) if x)

    def column(self, forest: Forest, built_up: np.ndarray | None) -> np.ndarray | None:
        """Value per cycle of the tree, None for 1; unknown attributes count as the fleet's middle (0)."""
        if self.how == "intercept":
            return None
        if self.how == "carry":
            out, here = np.zeros(forest.size), np.flatnonzero(self.applies(forest))
            w = np.full(len(here), np.nan) if built_up is None else built_up[here]
            out[here] = np.where(np.isfinite(w), w, self.centre)
            return out
        if self.of_install:
            return self.in_park(forest)[forest.parents[0]]
        if self not in forest.memo:
            remember((self,), forest)
        return forest.memo[self]

    def applies(self, forest: Forest) -> np.ndarray:
        """Opened and carry terms: as `opened`, remembered."""
        key = (self.name, self.value)
        if key not in forest.memo:
            forest.memo[key] = self.opened(forest)
        return forest.memo[key]

    @property
    def of_install(self) -> bool:
        """Whether the column has one value per install."""
        return self.how in ("category", "number", "batch")

    def values(self, forest: Forest) -> np.ndarray:
        """The column, the same at any parameters."""
        if self.how == "since":
            return in_scope(forest.cycles, self.name, self.value, self.how, int(self.centre)).astype(np.int8)
        if self.how == "opened":
            return self.applies(forest).view(np.int8)
        if self.how == "aged":
            bent = [int(number) for number in self.value.split(",")]
            here = np.isin(forest.park["design_no"].to_numpy(), bent)[forest.parents[0]]
            return (here & of_unknown_age(forest)).astype(np.int8)
        raise ValueError(f"term {self.how!r}; allowed: intercept, opened, carry, category, number, aged, since, batch")

    def opened(self, forest: Forest) -> np.ndarray:
        """Cycles opened by this kind of work, on these materials ("~a,b": all but a and b; "": all)."""
        here = codes(forest, "opened_by") == code(self.value)
        if self.name:
            wanted = [code(name) for name in self.name.removeprefix("~").split(",")]
            of_park = np.isin(park_codes(forest, "material"), wanted, invert=self.name.startswith("~"))
            here = here & of_park[forest.parents[0]]
        return here

    def in_park(self, forest: Forest) -> np.ndarray:
        """The column of a term `of_install`, one value per install of the tree."""
        if self not in forest.park_memo:
            forest.park_memo[self] = self.among(forest)
        return forest.park_memo[self]

    def among(self, forest: Forest) -> np.ndarray:
        if self.how == "category":
            return (park_codes(forest, self.name) == code(self.value)).astype(np.int8)
        if self.how == "batch":
            return in_scope(forest.park, self.name, self.value, self.how, int(self.centre)).astype(np.int8)
        x = (numbers(forest.park[self.name], self.log) - self.centre) / self.spread
        return np.where(np.isfinite(x), x, 0.0)


ANY = pl.Series(["new"], dtype=pl.Categorical)  # held, so that Polars' one list of texts and their numbers stays


def codes(forest: Forest, name: str) -> np.ndarray:
    """A column of texts (or truths) of the cycles as numbers, -1 where it is empty."""
    if name not in forest.rows.columns:
        return park_codes(forest, name)[forest.parents[0]]
    if ("codes", name) not in forest.memo:
        forest.memo["codes", name] = coded(forest.rows, [name])[name]
    return forest.memo["codes", name]


def park_codes(forest: Forest, name: str) -> np.ndarray:
    """As `codes`, of the installs."""
    if name not in forest.park_memo:
        # who asks for one asks for all
        wanted = dict.fromkeys([name, *(other for other in CATEGORIES if other in forest.park.columns)])
        forest.park_memo.update(coded(forest.park, wanted).items())
    return forest.park_memo[name]


def coded(frame: pl.DataFrame, names: Iterable[str]) -> dict[str, np.ndarray]:
    """Columns of texts (or truths) as numbers, -1 where they are empty."""
    texts = [
        pl.col(name) if frame.schema[name] == pl.Categorical else pl.col(name).cast(pl.String).cast(pl.Categorical)
        for name in names
    ]
    numbers = frame.select(text.to_physical().cast(pl.Int32).fill_null(-1) for text in texts)
    return {name: numbers[name].to_numpy() for name in numbers.columns}


@cache
def code(text: str) -> int:
    """The number of a text, the same in all columns."""
    return int(pl.Series([text], dtype=pl.Categorical).to_physical()[0])


def remember(terms: Iterable[Term], forest: Forest) -> None:
    """Fill the forest's memory with the columns of these terms."""
    for t in terms:
        if t.how == "carry":
            t.applies(forest)
        elif t.how != "intercept" and not t.of_install and t not in forest.memo:
            forest.memo[t] = t.values(forest)


def of_unknown_age(forest: Forest) -> np.ndarray:
    """Cycles that were running when the records began; one opened by unrecorded work has an unknown level but a known
    age."""
    if "unknown age" not in forest.memo:
        whole = forest.rows["cycle_no"].to_numpy() % PARTS == 0
        forest.memo["unknown age"] = (codes(forest, "opened_by") == code("unknown")) & whole
    return forest.memo["unknown age"]


def in_scope(frame: pl.DataFrame, scope: str, number: str, how: str, year: int) -> np.ndarray:
    """Cycles of a design or model (all: scope "fleet") that opened in or after a year, or whose install was put in
    then."""
    inside = (
        np.ones(len(frame), dtype=bool)
        if scope == "fleet"
        else (frame[scope] == int(number)).fill_null(False).to_numpy()
    )
    if how == "since":  # a cycle with an unknown start does not know its year
        return inside & (opened_year(frame) >= year) & (frame["opened_by"] != "unknown").fill_null(False).to_numpy()
    return inside & (frame["installed_year"] >= year).fill_null(False).to_numpy()


def opened_year(frame: pl.DataFrame) -> np.ndarray:
    """Calendar year in which each cycle opened; the installation year where the day is unknown."""
    opened = pl.from_epoch(pl.col("opened_day").cast(pl.Int32), time_unit="d").dt.year()
    fallback = pl.col("installed_year") if "installed_year" in frame.columns else pl.lit(None, dtype=pl.Int32)
    return frame.select(opened.fill_null(fallback).fill_null(0))[:, 0].to_numpy()


def numbers(series: pl.Series, log: bool) -> np.ndarray:
    x = series.cast(pl.Float64).to_numpy().astype(float)
    if log:
        with np.errstate(divide="ignore", invalid="ignore"):
            x = np.where(x > 0, np.log(np.where(x > 0, x, 1.0)), np.nan)
    return x


@dataclass(frozen=True)
class Terms:
    """The fixed effects of a fit; reference: what opened the cycles that the intercept stands for."""

    terms: tuple[Term, ...]
    reference: str = "new"
    dropped: tuple[str, ...] = field(default=())

    def columns(self, forest: Forest, built_up: np.ndarray | None) -> tuple[Column, ...]:
        remember(self.terms, forest)
        return tuple((t.component, t.column(forest, built_up)) for t in self.terms)


def fixed_values(terms: Terms, beta: np.ndarray, forest: Forest, built_up: np.ndarray | None) -> np.ndarray:
    """What the fixed effects but the intercepts do to the level and rate of each cycle, (2, cycles)."""
    of_park, out = np.zeros((2, len(forest.installs))), np.zeros((2, forest.size))
    of_work: dict[str, list[tuple[Term, float]]] = {"opened": [], "carry": []}
    for t, b in zip(terms.terms, beta.tolist(), strict=True):
        if t.how in of_work:
            of_work[t.how].append((t, b))
        elif t.of_install:
            of_park[t.component] += b * t.in_park(forest)
        elif t.how != "intercept":
            x = t.column(forest, built_up)
            if x is not None:
                out[t.component] += b * x
    out += of_park.take(forest.parents[0], axis=1)
    if of_work["opened"]:
        out[LEVEL] += by_work(of_work["opened"], forest)
    if carrying := of_work["carry"]:
        w = np.full(forest.size, np.nan) if built_up is None else built_up
        centre = by_work([(t, t.centre) for t, _ in carrying], forest)
        out[LEVEL] += by_work(carrying, forest) * np.where(np.isfinite(w), w, centre)
    return out


def by_work(terms: Sequence[tuple[Term, float]], forest: Forest) -> np.ndarray:
    """Per cycle the number that goes with its opened or carry term, 0 without; no cycle has more than one of them."""
    kind, material = codes(forest, "opened_by"), np.zeros(0, dtype=np.int32)
    if any(t.name for t, _ in terms):
        material = park_codes(forest, "material")
    size = int(kind.max(initial=0)) + 2, int(material.max(initial=0)) + 2  # the last places, also -1, for none
    table = np.zeros(size)
    for t, number in terms:
        if code(t.value) < size[0] - 1:
            named = [code(name) for name in t.name.removeprefix("~").split(",") if name]
            others = t.name in ("", "~") or t.name.startswith("~")
            of = np.full(size[1], others)
            of[[k for k in named if k < size[1] - 1]] = not others
            table[code(t.value), of] = number
    return table[kind, material[forest.parents[0]] if len(material) else -1]


def choose_terms(forest: Forest, sums: CycleSums, freed: np.ndarray, covariates: bool) -> Terms:
    """Intercepts, what opened the cycle, and the covariates that vary among cycles with readings."""
    seen = sums.n > 0
    frame = forest.cycles.filter(pl.Series(seen))
    park = forest.park[np.unique(forest.parents[0][seen])]
    known = forest.cycles.filter(pl.Series(seen & ~freed))
    counts = dict(known["opened_by"].value_counts().sort(["count", "opened_by"], descending=[True, False]).iter_rows())
    counts.pop(None, None)
    kinds = [k for k, n in counts.items() if n >= FEWEST]
    reference = "new" if "new" in kinds else (kinds[0] if kinds else "new")
    terms = [Term(LEVEL, "intercept"), Term(RATE, "intercept")]
    terms += [Term(LEVEL, "opened", value=k) for k in sorted(kinds) if k != reference]
    if covariates:
        for name in CATEGORIES:
            if name not in frame.columns:
                continue
            values = (
                frame[name].cast(pl.String).drop_nulls().value_counts().sort(["count", name], descending=[True, False])
            )
            usual = [v for v, n in values.iter_rows() if n >= FEWEST]
            terms += [Term(RATE, "category", name, v) for v in usual[1:]]
            if name in ("condensing", "fuel"):
                terms += [Term(LEVEL, "category", name, v) for v in usual[1:]]
        for name, log in NUMBERS:
            if name not in frame.columns:
                continue
            # an install that drifts fast has more cycles, but is one install
            x = numbers(park[name], log)
            x = x[np.isfinite(x)]
            if len(x) >= FEWEST and x.std() > 1e-9 * (1 + abs(x.mean())):
                terms.append(Term(RATE, "number", name, centre=float(x.mean()), spread=float(x.std()), log=log))
    return drop_collinear(Terms(tuple(terms), reference), forest, sums, freed, None)


def drop_collinear(
    terms: Terms, forest: Forest, sums: CycleSums, freed: np.ndarray, built_up: np.ndarray | None, always: int = 2
) -> Terms:
    """Leave out, last first, the terms that the readings cannot tell from those before them."""
    columns = terms.columns(forest, built_up)
    leaf = sums.leaf(columns, freed)
    at = slots(2)
    p = len(columns)
    gram = np.empty((p, p))
    of_component = design_rows(leaf, slice(0, len(freed)))
    for i, (own, rows) in enumerate(of_component):
        for j, (other, x) in enumerate(of_component[: i + 1]):
            value = (rows * leaf.s[at[i, j]]) @ x.T
            gram[np.ix_(own, other)] = value
            gram[np.ix_(other, own)] = value.T
    scale = np.sqrt(np.maximum(np.diag(gram), 1e-300))
    gram = gram / np.outer(scale, scale)
    if (scale > ALMOST_NONE).all() and apart(gram):
        return terms
    kept: list[int] = []
    for j in range(p):
        if j >= always and scale[j] <= ALMOST_NONE:
            continue
        if kept:
            within = gram[np.ix_(kept, kept)] + 1e-12 * np.eye(len(kept))
            left = 1 - gram[j, kept] @ np.linalg.solve(within, gram[j, kept])
        else:
            left = 1.0
        if j < always or left > ALMOST_NONE:
            kept.append(j)
    gone = tuple(terms.terms[j].label for j in range(p) if j not in kept)
    return Terms(tuple(terms.terms[j] for j in kept), terms.reference, terms.dropped + gone)


def apart(gram: np.ndarray) -> bool:
    """Whether each column clearly is more than a sum of those before it, by what a Cholesky factor leaves of it."""
    try:
        left = np.linalg.cholesky(gram).diagonal() ** 2
    except np.linalg.LinAlgError:
        return False
    return bool((left > 10 * ALMOST_NONE).all())
