"""What each kind of work gives back: the share of what had built up that it takes away, per exchanger design."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from models.drift.covariates import code, codes, park_codes
from models.drift.cycle_sums import Forest, positions
from models.drift.fitted import SeriesFit
from models.drift.series import backward
from models.drift.states import install_frame, seen_cycles
from models.known.between_designs import Measured, between_designs
from models.tails import Z80

JUST_AFTER_H = 24.0  # burner hours within which a reading still shows what the work left
FEWEST = 5
NOTHING = 1e-6  # built up, on the scale of the fit: made-up readings that never change leave rounding, or nought
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
    "material": pl.String,
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
    design drawn towards those of its material and the fleet. value_before, value_after: typical values, own unit.

    A ratio of sums, not a regression: before and after are read with error, and a slope would be flattened by that. The
    value before is the fitted one (work is done where a reading came out high: the reading alone would regress).
    """
    forest = Forest.of(seen_cycles(fit.inputs, fit.readings), install_frame(fit.inputs))
    if forest.size == 0 or fit.before is None:
        return pl.DataFrame(schema=SCHEMA)
    return effects_of(before_and_after(fit, forest), fit.centre, fit.inputs.transform)


def effects_of(pairs: pl.DataFrame, centre: float, transform: str) -> pl.DataFrame:
    """`cleaning_effects` from what stood before and after each work, as `before_and_after`, of all parts of a fleet."""
    of_design = pairs.group_by("kind", "design_no", maintain_order=True)
    known = [r for (kind, design), g in of_design if (r := ratio(g, str(kind), int(design))) is not None]
    if not known:
        return pl.DataFrame(schema=SCHEMA)
    out = pl.DataFrame(shrunk(known), schema_overrides={"design_no": pl.Int32, "cycles": pl.Int32})
    return (
        out.with_columns(
            *(pl.Series(n, backward(out[n].to_numpy() + centre, transform)) for n in ("value_before", "value_after"))
        )
        .select(SCHEMA.keys())
        .sort("design_no", "kind")
    )


def before_and_after(fit: SeriesFit, forest: Forest) -> pl.DataFrame:
    """Per cycle with a reading just after the work that opened it and one just before: kind, design_no, material, and
    on the scale of the fit less its centre: before (fitted), after (read), clean (the install's level when clean,
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
    place = forest.place_of(fit.before)
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
    described = "material" in forest.park.columns
    material = forest.park["material"].cast(pl.String).gather(install) if described else None
    return pl.DataFrame(
        {
            "install_no": forest.installs[install],
            "cycle_no": forest.rows["cycle_no"].to_numpy()[here],
            "design_no": forest.designs[forest.parents[2]][forest.parents[1]][install],
            "material": material,
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
    if not which or len(here) == 0:
        return np.zeros(len(here))
    # one number per kind of work and material: a cycle of each stands for all
    material = (
        park_codes(forest, "material") if "material" in forest.park.columns else np.zeros(len(forest.installs), int)
    )
    same = codes(forest, "opened_by")[here].astype(np.int64) << 32 | material[forest.parents[0][here]] + 1
    _, one, of_cycle = np.unique(same, return_index=True, return_inverse=True)
    # where nothing is known of what had built up, its typical size stands: at that the error is common to all
    columns = [fit.terms.terms[j].column(forest, None) for j in which]
    x = np.stack([c[here[one]] for c in columns if c is not None])
    error = np.sqrt(np.maximum(np.sum(x * (fit.beta_cov[np.ix_(which, which)] @ x), axis=0), 0.0))
    return error[of_cycle]


def ratio(pairs: pl.DataFrame, kind: str, design_no: int) -> dict | None:
    """Restored share of one design and kind, with its standard error and, apart, what the error of the clean level
    adds (common: it moves all pairs at once); None where too little had built up to tell."""
    before = (pairs["before"] - pairs["clean"]).to_numpy()
    after = (pairs["after"] - pairs["clean"]).to_numpy()
    n, total = len(before), before.sum()
    if n < FEWEST:
        return None
    spread = before.std(ddof=1) / np.sqrt(n)
    if abs(total / n) <= max(3 * spread, NOTHING):
        return None
    left = after.sum() / total
    se = np.sqrt(np.sum((after - left * before) ** 2) * n / (n - 1)) / abs(total)
    return {
        "kind": kind,
        "design_no": design_no,
        "material": pairs["material"].min(),  # a design has one
        "share": 1 - left,
        "se": float(se),
        "common": float((1 - left) * pairs["clean_se"].mean() / abs(total / n)),
        "cycles": n,
        "value_before": float(np.median(pairs["before"].to_numpy())),
        "value_after": float(np.median(pairs["after"].to_numpy())),
    }


def shrunk(known: list[dict]) -> list[dict]:
    """Designs drawn together, all kinds at once (`between_designs`). The error of the clean level moves all pairs alike
    and comes on top."""
    kinds = sorted({r["kind"] for r in known})
    of_kinds = [[r for r in known if r["kind"] == kind] for kind in kinds]
    numbers = {material: k for k, material in enumerate(sorted({str(r["material"]) for r in known}))}
    measured = [
        Measured(
            np.array([r["share"] for r in rows]),
            np.maximum(np.array([r["se"] for r in rows]) ** 2, 1e-8),
            np.array([numbers[str(r["material"])] for r in rows]),
        )
        for rows in of_kinds
    ]
    out = []
    for rows, (value, variance) in zip(of_kinds, between_designs(measured), strict=True):
        sd = np.sqrt(variance + np.array([r["common"] for r in rows]) ** 2)
        for r, v, s in zip(rows, value.tolist(), sd.tolist(), strict=True):
            told = {name: r[name] for name in ("design_no", "kind", "value_before", "value_after", "cycles")}
            out.append(told | {"restored_share": v, "low": v - Z80 * s, "high": v + Z80 * s})
    return out
