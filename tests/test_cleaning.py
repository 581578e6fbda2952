"""What work restores, on fleets where the share is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from drift_fleet import fleet
from made_store import made_store
from scipy.stats import multivariate_normal

from models.drift.fit import fit_series
from models.drift.series import FitOptions
from models.known.between_designs import NONE, SPREAD, Measured, between_designs
from models.known.cleaning import PAIRS, cleaning_effects, effects_of
from pipeline.settings import Settings
from pipeline.stages.cycles import cycles

OPTIONS = FitOptions(gammas=(1.0,), breaks=False, pace=False, analysers=False)


def test_restored_shares_come_back():
    made = fleet(installs=700, seed=41)
    effects = cleaning_effects(fit_series(made.inputs, OPTIONS))
    assert effects.height == 8  # 4 designs, 2 kinds of work
    for kind, share in made.restored.items():
        mean = effects.filter(pl.col("kind") == kind)["restored_share"].mean()
        assert mean == pytest.approx(share, abs=0.06)
    assert (effects["low"] < effects["restored_share"]).all()
    assert (effects["high"] > effects["restored_share"]).all()
    assert (effects["value_before"] > effects["value_after"]).all()


def test_a_harsher_kind_is_told_from_a_milder_one_per_design():
    effects = cleaning_effects(fit_series(fleet(installs=500, seed=42).inputs, OPTIONS))
    wide = effects.pivot("kind", index="design_no", values=["low", "high"])
    assert (wide["low_chemical"] > wide["high_brush"]).all()


def test_no_recorded_work_gives_an_empty_table_of_the_same_shape():
    made = fleet(installs=10, seed=43)
    nothing = replace(made.inputs, cycles=made.inputs.cycles.filter(pl.col("cycle_no") == 0))
    first = replace(nothing, readings=nothing.readings.filter(pl.col("cycle_no") == 0))
    for inputs in (first, replace(first, readings=first.readings.head(0))):
        effects = cleaning_effects(fit_series(inputs, OPTIONS))
        assert effects.is_empty()
        assert "restored_share" in effects.columns


@pytest.mark.parametrize("built_up", [0.0, 1e-13])
def test_a_design_whose_readings_never_change_tells_nothing_and_spoils_no_other(built_up):
    """0 divided by 0 was a share, and drew the other designs to itself."""
    n, rng = 8, np.random.default_rng(11)
    pairs = pl.DataFrame(
        {
            "install_no": np.arange(2 * n), "cycle_no": np.ones(2 * n, int), "design_no": np.repeat([0, 1], n),
            "material": ["stainless"] * 2 * n, "kind": ["brush"] * 2 * n, "hours_first": np.zeros(2 * n),
            "after": np.r_[np.zeros(n), 0.25 + 0.01 * rng.normal(size=n)],
            "before": np.r_[np.full(n, built_up), np.full(n, 1.0)],
            "clean": np.zeros(2 * n), "clean_se": np.zeros(2 * n),
        },
        schema_overrides=PAIRS,
    )  # fmt: skip
    effects = effects_of(pairs, 0.0, "identity")
    assert effects["design_no"].to_list() == [1]
    assert effects["restored_share"].to_list() == pytest.approx([0.75], abs=0.02)


def test_designs_are_drawn_together_as_the_integral_over_both_spreads_says():
    """Against dense matrices: shares of two kinds of work under every pair of spreads, these by Gauss and Legendre."""
    rng = np.random.default_rng(3)
    material = [np.array([0, 0, 0, 1, 1, 2]), np.array([0, 1, 2, 0])]
    sd = [rng.uniform(0.01, 0.06, len(m)) for m in material]
    share = [0.6 + 0.05 * np.array([0.5, -1.5, 1.0])[m] + rng.normal(0, 0.03, len(m)) for m in material]
    nodes, weights = np.polynomial.legendre.leggauss(120)
    tau, density = 0.2 * (nodes + 1), weights * np.exp(-0.5 * (0.2 * (nodes + 1) / SPREAD) ** 2)
    tau, prior = np.r_[0.0, tau], np.r_[NONE, (1 - NONE) * density / density.sum()]
    total, first, second = 0.0, [np.zeros(len(m)) for m in material], [np.zeros(len(m)) for m in material]
    for of_design, p in zip(tau, prior, strict=True):
        for of_material, q in zip(tau, prior, strict=True):
            log_fit, means, variances = 0.0, [], []
            for y, s, m in zip(share, sd, material, strict=True):
                own = of_design**2 * np.eye(len(m)) + of_material**2 * (m[:, None] == m) + 1e3
                gain = own @ np.linalg.inv(own + np.diag(s**2))
                log_fit += multivariate_normal(np.full(len(m), 0.5), own + np.diag(s**2)).logpdf(y)
                means.append(0.5 + gain @ (y - 0.5))
                variances.append(np.diag(own - gain @ own))
            w = p * q * np.exp(log_fit)
            total += w
            for k in range(2):
                first[k] += w * means[k]
                second[k] += w * (variances[k] + means[k] ** 2)
    for k, (value, variance) in enumerate(drawn_together(share, sd, material)):
        np.testing.assert_allclose(value, first[k] / total, atol=3e-4)
        np.testing.assert_allclose(variance, second[k] / total - (first[k] / total) ** 2, rtol=0.02)


def drawn_together(share, sd, material):
    return between_designs([Measured(y, s**2, m) for y, s, m in zip(share, sd, material, strict=True)])


@pytest.mark.parametrize(("differ", "narrower"), [(0.0, 0.5), (0.02, 0.7), (0.1, 1.0)])
def test_intervals_hold_the_truth_whether_designs_differ_or_not(differ, narrower):
    """Known truth: three kinds of work on twelve designs of three materials, which differ by as much as the designs."""
    rng = np.random.default_rng(11)
    material, inside, width = np.repeat([0, 1, 2], 4), [], []
    for _ in range(150):
        sd = [rng.uniform(0.02, 0.06, 12) for _ in range(3)]
        true = [k + rng.normal(0, differ, 3)[material] + rng.normal(0, differ, 12) for k in (0.4, 0.6, 0.9)]
        share = [rng.normal(t, s) for t, s in zip(true, sd, strict=True)]
        for (value, variance), t, s in zip(drawn_together(share, sd, [material] * 3), true, sd, strict=True):
            inside.append(np.abs(value - t) < 1.2816 * np.sqrt(variance))
            width.append(np.sqrt(variance) / s)
    # 80 %; more where there is none of the differences that intervals have to allow for, less where they go unnoticed
    assert 0.73 < np.mean(inside) < (0.84 if differ else 0.95)
    assert np.mean(width) < narrower


def test_one_design_alone_stays_as_it_was_measured():
    ((value, variance),) = drawn_together([np.array([0.6])], [np.array([0.03])], [np.array([0])])
    assert value[0] == pytest.approx(0.6)
    assert variance[0] == pytest.approx(0.03**2)


@pytest.mark.parametrize("says_no", [True, False])
def test_adjusting_and_cleaning_at_one_visit_is_work_of_its_own(says_no):
    """What an empty cell means is taken from whether the fleet ever writes "no": own judgement, no source."""
    work = [
        {"exchanger_cleaning": "none", "burner_adjusted": True},
        {"exchanger_cleaning": "brush", "burner_adjusted": True},
        {"exchanger_cleaning": "brush", "burner_adjusted": None},
        {"exchanger_cleaning": None, "burner_adjusted": True},
        {"exchanger_cleaning": "rinse", "burner_adjusted": False if says_no else None},
    ]
    store = made_store([{}], [{"install_no": 0, "visited_on": f"{2016 + n}-01-01"} | w for n, w in enumerate(work)], [])
    cycles(store, Settings())
    store.run_file("70_drift_inputs.sql")
    rows = store.rows(
        "select opened_by, also_cleaned from drift_opened where series_no = 3 and cycle_no > 0 order by cycle_no"
    )
    assert rows == [
        ("adjusted", False),
        ("adjusted and cleaned", True),
        ("brush", says_no),
        ("adjusted", True),
        ("rinse", False),
    ]
    flue = store.rows(
        "select opened_by, also_cleaned from drift_opened where series_no = 0 and cycle_no > 0 order by all"
    )
    assert flue == [("brush", False), ("brush", False), ("rinse", False)]


def test_a_share_per_material_comes_with_a_level_per_material():
    """Were all materials held to one level after a kind of work, the clean level of the one would pay for the other."""
    made = fleet(installs=500, seed=44)
    park = made.inputs.installs.with_columns(
        material=pl.when(pl.col("design_no") % 2 == 0).then(pl.lit("stainless")).otherwise(pl.lit("aluminium"))
    )
    fixed = fit_series(replace(made.inputs, installs=park), OPTIONS).fixed
    for kind in ("brush", "chemical"):
        for what in ("opened", "carry"):
            for material in ("aluminium", "stainless"):
                assert f"level:{what}:{material}:{kind}" in fixed
        assert f"level:opened:{kind}" not in fixed
