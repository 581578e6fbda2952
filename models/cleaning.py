"""What each kind of work gives back: the share of what had built up that it takes away, per exchanger design."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from models.covariates import code, codes
from models.cycle_sums import Forest, positions
from models.fitted import SeriesFit
from models.series import backward
from models.states import install_frame, seen_cycles

Z80 = 1.2816
JUST_AFTER_H = 24.0  # burner hours within which a reading still shows what the work left
FEWEST = 5
BETWEEN = 0.1  # scale of what designs differ by in the share that a kind of work restores: own judgement, no source
SCHEMA = {
    "design_no": pl.Int32,
    "kind": pl.String,
    "restored_share": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "value_before": pl.Float64,
    "value_after": pl.Float64,
    "cycles": pl.Int32,
}

PAIRS: dict[str, Any] = {
    "install_no": pl.Int64,
    "cycle_no": pl.Int64,
    "design_no": pl.Int32,
    "kind": pl.String,
    "hours_first": pl.Float64,
    "after": pl.Float64,
    "before": pl.Float64,
    "clean": pl.Float64,
    "clean_se": pl.Float64,
}


def cleaning_effects(fit: SeriesFit) -> pl.DataFrame:
    """One row per exchanger design and kind of work with cycles enough, sorted.

    restored_share: 1 is back to clean, 0 is nothing gained, on the scale of the fit; low, high: 80 % interval, each
    design drawn towards the fleet's mean for that kind. value_before, value_after: typical values, own unit.

    A ratio of sums, not a regression: before and after are read with error, and a slope would be flattened by that. The
    value before is the fitted one (work is done where a reading came out high: the reading alone would regress).
    """
    forest = Forest.of(seen_cycles(fit.inputs, fit.readings), install_frame(fit.inputs))
    if forest.size == 0 or fit.before is None:
        return pl.DataFrame(schema=SCHEMA)
    return effects_of(before_and_after(fit, forest), fit.centre, fit.inputs.transform)


def effects_of(pairs: pl.DataFrame, centre: float, transform: str) -> pl.DataFrame:
    """`cleaning_effects` from what stood before and after each work, as `before_and_after`, of all parts of a fleet."""
    rows = []
    for kind in sorted(set(pairs["kind"].to_list())):
        of_kind = pairs.filter(pl.col("kind") == kind)
        per_design = [ratio(g, int(d[0])) for d, g in of_kind.group_by("design_no", maintain_order=True)]
        known = [r for r in per_design if r is not None]
        rows += shrunk(known, kind)
    if not rows:
        return pl.DataFrame(schema=SCHEMA)
    out = pl.DataFrame(rows, schema_overrides={"design_no": pl.Int32, "cycles": pl.Int32})
    return (
        out.with_columns(
            *(pl.Series(n, backward(out[n].to_numpy() + centre, transform)) for n in ("value_before", "value_after"))
        )
        .select(SCHEMA.keys())
        .sort("design_no", "kind")
    )


def before_and_after(fit: SeriesFit, forest: Forest) -> pl.DataFrame:
    """Per cycle with a reading just after the work that opened it and one just before: kind, design_no, and on the
    scale of the fit less its centre: before (fitted), after (read), clean (the install's level when clean,
    with its error clean_se). Left out:
    burners adjusted and cleaned at one visit (cycles may say so in `also_cleaned`)."""
    readings = fit.readings
    assert fit.before is not None
    also = np.zeros(fit.inputs.cycles.height, dtype=bool)
    if "also_cleaned" in fit.inputs.cycles.columns:
        also = fit.inputs.cycles["also_cleaned"].fill_null(False).to_numpy()
    kind, run = codes(forest, "opened_by"), forest.runs(readings)
    row = np.where(run >= 0, np.r_[readings.row, -1][run], -1)
    before = np.full(forest.size, np.nan)
    place = forest.place(fit.before["install_no"], fit.before["cycle_no"])
    before[place[place >= 0]] = fit.before["before"][place >= 0]
    known = positions(forest.installs, fit.clean["install_no"])
    of_install = np.full(len(forest.installs), np.nan)
    of_install[known[known >= 0]] = fit.clean["level"][known >= 0]
    clean = of_install[forest.parents[0]]
    here = (kind >= 0) & (kind != code("new")) & (kind != code("unknown")) & (row >= 0) & ~np.r_[also, False][row]
    here = np.flatnonzero(here & np.isfinite(before) & np.isfinite(clean))
    first = readings.start[run[here]]
    told = (readings.hours[first] <= JUST_AFTER_H) & (readings.weight[first] > 0.5)
    here, first = here[told], first[told]
    after = readings.z[first] - readings.centre - (0.0 if fit.offset is None else fit.offset[first])
    install = forest.parents[0][here]
    return pl.DataFrame(
        {
            "install_no": forest.installs[install],
            "cycle_no": forest.rows["cycle_no"].to_numpy()[here],
            "design_no": forest.designs[forest.parents[2]][forest.parents[1]][install],
            "kind": forest.rows["opened_by"].gather(here),
            "hours_first": readings.hours[first],
            "after": after,
            "before": before[here],
            "clean": clean[here],
            "clean_se": clean_error(fit, forest, here),
        },
        schema_overrides=PAIRS,
    ).sort("design_no", "install_no", "cycle_no")


def clean_error(fit: SeriesFit, forest: Forest, here: np.ndarray) -> np.ndarray:
    """Standard error of the level after each cycle's kind of work over the clean one, where as much had built up as
    usual, by the fixed effects of the fit; of the cycles `here` of the forest.

    The clean level is pinned by few cycles, those of new installs: an error in it is common to all pairs and designs.
    """
    which = [j for j, term in enumerate(fit.terms.terms) if term.how in ("opened", "carry")]
    if not which:
        return np.zeros(len(here))
    # where nothing is known of what had built up, its typical size stands: at that the error is common to all
    columns = [fit.terms.terms[j].column(forest, None) for j in which]
    x = np.stack([c[here] for c in columns if c is not None])
    return np.sqrt(np.maximum(np.sum(x * (fit.beta_cov[np.ix_(which, which)] @ x), axis=0), 0.0))


def ratio(pairs: pl.DataFrame, design_no: int) -> dict | None:
    """Restored share of one design and kind, with its standard error and, apart, what the error of the clean level
    adds (common: it moves all pairs at once); None where too little had built up to tell."""
    before = (pairs["before"] - pairs["clean"]).to_numpy()
    after = (pairs["after"] - pairs["clean"]).to_numpy()
    n, total = len(before), before.sum()
    if n < FEWEST:
        return None
    spread = before.std(ddof=1) / np.sqrt(n)
    if abs(total / n) < 3 * spread:
        return None
    left = after.sum() / total
    se = np.sqrt(np.sum((after - left * before) ** 2) * n / (n - 1)) / abs(total)
    return {
        "design_no": design_no,
        "share": 1 - left,
        "se": float(se),
        "common": float((1 - left) * pairs["clean_se"].mean() / abs(total / n)),
        "cycles": n,
        "value_before": float(np.median(pairs["before"].to_numpy())),
        "value_after": float(np.median(pairs["after"].to_numpy())),
    }


def shrunk(known: list[dict], kind: str) -> list[dict]:
    """Designs drawn towards their mean by what they differ more than chance.

    By how much designs differ is itself learnt from few of them: all sizes count, by their likelihood and a half-normal
    prior (Gelman 2006, Bayesian Anal. 1), so that a difference of none that happens to fit best is not taken for sure.
    """
    if not known:
        return []
    share, variance = np.array([r["share"] for r in known]), np.array([r["se"] for r in known]) ** 2
    common = np.array([r["common"] for r in known])
    value, spread = between_designs(share, np.maximum(variance, 1e-8))
    sd = np.sqrt(spread + common**2)
    return [
        {
            "design_no": r["design_no"],
            "kind": kind,
            "restored_share": float(v),
            "low": float(v - Z80 * s),
            "high": float(v + Z80 * s),
            "value_before": r["value_before"],
            "value_after": r["value_after"],
            "cycles": r["cycles"],
        }
        for r, v, s in zip(known, value, sd, strict=True)
    ]


def between_designs(share: np.ndarray, variance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Posterior mean and variance of each design's share, each measured with this variance: normal around a mean of
    which nothing is known, the standard deviation between them by its posterior on a grid."""
    tau2 = np.linspace(0.0, 4 * BETWEEN, 81)[:, None] ** 2
    w = 1 / (tau2 + variance)
    total = w.sum(axis=1, keepdims=True)
    centre = (w * share).sum(axis=1, keepdims=True) / total
    fits = 0.5 * np.log(w).sum(axis=1) - 0.5 * np.log(total[:, 0]) - 0.5 * (w * (share - centre) ** 2).sum(axis=1)
    fits -= 0.5 * tau2[:, 0] / BETWEEN**2
    p = np.exp(fits - fits.max())[:, None]
    p[[0, -1]] /= 2  # trapezoidal rule
    p /= p.sum()
    left = w * variance  # of the way to the mean
    value = share + left * (centre - share)
    spread = left * tau2 + left**2 / total
    mean = (p * value).sum(axis=0)
    return mean, (p * (spread + (value - mean) ** 2)).sum(axis=0)
