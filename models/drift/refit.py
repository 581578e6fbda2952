"""Covariances, residual variance and fixed effects of a fit anew, from where they stand.

On the way to a fit the fixed effects are held while the covariances move: a pass then carries three vectors per node in
place of one for every fixed effect, and the two hardly depend on each other. The last refit of a search frees all.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.drift import priors as assumed
from models.drift.covariates import drop_collinear
from models.drift.cycle_sums import Forest
from models.drift.fitted import SeriesFit
from models.drift.states import LOWER, beta_precision, built_up_before, evaluate, freed_levels, tree_sums
from models.mixed.lower_levels import without_fixed
from models.mixed.tree import Priors, Tree
from models.mixed.upper_levels import Evaluation

ROUGH, FINE = 0.1, 1e-5  # how closely a fit on the way, and the last one, is taken to its optimum (of -2 log L)
NO_SCATTER = "no scatter to learn from"


def refit(fit: SeriesFit, forest: Forest, tolerance: float = ROUGH) -> SeriesFit:
    """The parameters at (FINE) or near (ROUGH) their optimum.

    Where the readings leave no residual variance (every one lies on its line), the likelihood has no bound: the
    parameters stay as they stand, and `note` says so.
    """
    prior = variance_priors(fit)
    sums, freed = tree_sums(fit, forest), freed_levels(forest)
    built_up = built_up_before(fit, forest)
    terms = drop_collinear(fit.terms, forest, sums, freed, built_up)
    fit = replace(fit, terms=terms)
    leaf = sums.leaf(terms.columns(forest, built_up), freed)
    tree = Tree(leaf, forest.parents, n_lower=LOWER)
    try:
        beta = fixed_effects(tree, fit.roots, prior).beta
        held = Tree(without_fixed(leaf, beta), forest.parents, n_lower=LOWER).fit(fit.roots, prior, ROUGH)
        fit = replace(fit, roots=held.roots, passes=fit.passes + held.passes, converged=held.converged)
        if tolerance < ROUGH:
            found = tree.fit(fit.roots, prior, tolerance)
            fit = replace(fit, roots=found.roots, passes=fit.passes + found.passes, converged=found.converged)
            e = found.at
        else:
            e = fixed_effects(tree, fit.roots, prior)
    except np.linalg.LinAlgError:
        return with_beta(replace(fit, note=NO_SCATTER), forest)
    return replace(fit, sigma=float(np.sqrt(e.sigma2)), beta=e.beta, beta_cov=e.beta_cov * e.sigma2, reml=e.criterion)


def variance_priors(fit: SeriesFit) -> Priors:
    """The weak priors of a fit's covariances."""
    weak = assumed.weak(fit.inputs.indicator, fit.inputs.transform)
    between = None if fit.reml is None else float(np.sqrt(fit.psi[1, 1, 1]))
    return assumed.level_priors(weak, fit.options.prior_nodes, install_rate=between)


def fixed_effects(tree: Tree, roots: list[np.ndarray], prior: Priors) -> Evaluation:
    return tree.evaluate(roots, prior, gradient=False, nodes=False, lower=False)


def with_beta(fit: SeriesFit, forest: Forest) -> SeriesFit:
    """Fixed effects at the covariances as they stand."""
    if forest.size == 0:
        return replace(fit, beta_cov=np.linalg.inv(beta_precision(fit)))
    state = evaluate(fit, forest)
    return replace(fit, beta=state.at.beta, beta_cov=state.at.beta_cov * fit.sigma**2)
