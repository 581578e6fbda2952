"""The tree against brute force: dense matrices, finite differences, shards."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.mixed.lower_levels import LeafSums, merge
from models.mixed.nested import leaf_sums, nest
from models.mixed.smallblocks import unpack
from models.mixed.tree import (
    LevelPrior,
    Priors,
    Tree,
    evaluate_upper,
    in_roots,
    join_roots,
    split_roots,
)
from models.mixed.whole_posteriors import all_nodes


def random_tree(rng: np.random.Generator, q: int, children: tuple[int, ...]):
    """A tree with 0 to 4 readings per leaf and one covariate on the last component, which differs between leaves, or
    between nodes of a higher level only."""
    n = int(rng.integers(1, children[0] + 1))
    parents = []
    for k in children[1:]:
        number = rng.integers(1, k + 1, size=n)
        parents.append(np.repeat(np.arange(n), number))
        n = int(number.sum())
    parents = parents[::-1]
    leaf = np.repeat(np.arange(n), rng.integers(0, 5, size=n))
    rows = len(leaf)
    z = np.column_stack([np.ones(rows), *(rng.normal(1, 1, rows) for _ in range(q - 1))])
    y = rng.normal(3, 2, rows)
    owner = ancestors(parents, np.arange(n))[int(rng.integers(0, len(children)))]
    x = rng.normal(size=n)[owner]
    design = np.column_stack([z, z[:, q - 1] * x[leaf]])
    return sums_of(z, y, leaf, n, q, x), parents, leaf, z, y, design


def sums_of(z, y, leaf, n, q, x) -> LeafSums:
    s = np.stack([np.bincount(leaf, z[:, i] * z[:, j], n) for i in range(q) for j in range(i + 1)])
    by = np.stack([np.bincount(leaf, z[:, i] * y, n) for i in range(q)])
    return LeafSums(s, by, float(y @ y), float(len(y)), (*((k, None) for k in range(q)), (q - 1, x)))


def ancestors(parents, leaf):
    """Node of each row at every level."""
    out = [leaf]
    for parent in parents:
        out.append(parent[out[-1]])
    return out


def dense(parents, leaf, z, y, design, ds, sigma2):
    """-2 REML with its constants, and effects by generalised least squares, from the full covariance matrix."""
    rows, p = design.shape
    v = sigma2 * np.eye(rows)
    for index, d in zip(ancestors(parents, leaf), ds, strict=True):
        v += sigma2 * (z @ d @ z.T) * (index[:, None] == index[None, :])
    inverse = np.linalg.inv(v)
    xx = design.T @ inverse @ design
    beta = np.linalg.solve(xx, design.T @ inverse @ y)
    r = y - design @ beta
    criterion = (rows - p) * np.log(2 * np.pi) + np.linalg.slogdet(v)[1] + np.linalg.slogdet(xx)[1] + r @ inverse @ r
    return criterion, beta, np.linalg.inv(xx), inverse


def usable(seed, q, children):
    rng = np.random.default_rng(seed)
    while True:
        made = random_tree(rng, q, children)
        design = made[-1]
        if len(design) >= design.shape[1] + 2 and np.linalg.matrix_rank(design) == design.shape[1]:
            return rng, made


trees = {
    "seed": st.integers(0, 10_000),
    "q": st.integers(1, 4),
    "n_lower": st.integers(1, 4),
    "empty_level": st.integers(-1, 3),
    "depth": st.integers(1, 4),
}


@settings(max_examples=40, deadline=None)
@given(**trees)
def test_criterion_and_effects_equal_those_of_the_dense_matrix(seed, q, n_lower, empty_level, depth):
    rng, (leaf, parents, rows, z, y, design) = usable(seed, q, (3, 3, 3, 3)[:depth])
    roots = [np.tril(rng.normal(size=(q, q))) for _ in range(depth)]
    if 0 <= empty_level < depth:
        roots[empty_level] = roots[empty_level] * (np.arange(q) > 0)  # singular: no variance in the first component
    tree = Tree(leaf, parents, n_lower=min(n_lower, depth), block=5)
    e = tree.evaluate(roots)
    criterion, beta, cov, _ = dense(parents, rows, z, y, design, [r @ r.T for r in roots], e.sigma2)
    assert e.criterion == pytest.approx(criterion, rel=1e-9, abs=1e-7)
    np.testing.assert_allclose(e.beta, beta, rtol=1e-6, atol=1e-8)
    np.testing.assert_allclose(e.beta_cov * e.sigma2, cov, rtol=1e-6, atol=1e-8)


@settings(max_examples=25, deadline=None)
@given(**trees)
def test_gradient_is_that_of_finite_differences(seed, q, n_lower, empty_level, depth):
    rng, (leaf, parents, *_) = usable(seed, q, (3, 3, 3, 3)[:depth])
    roots = [np.tril(rng.normal(size=(q, q))) for _ in range(depth)]
    prior = LevelPrior(2.0, np.diag(rng.uniform(0.2, 1, q)))
    priors = Priors(
        levels=tuple(prior if k == empty_level else None for k in range(depth)), sigma_members=1.5, sigma2=0.7
    )
    tree = Tree(leaf, parents, n_lower=min(n_lower, depth), block=5)
    x = join_roots(roots)
    for r in roots:  # away from the wall of the prior, where differences lose their digits
        r[np.diag_indices(q)] = np.sign(np.diag(r)) * np.maximum(np.abs(np.diag(r)), 0.3)
    x = join_roots(roots)
    _, gradient, _ = in_roots(tree.evaluate(roots, priors), roots, range(depth))

    def value(at):
        return tree.evaluate(split_roots(at, q), priors, gradient=False).criterion

    h = 1e-5
    steps = h * np.eye(len(x))
    numeric = np.array([(value(x + s) - value(x - s)) / (2 * h) for s in steps])
    np.testing.assert_allclose(gradient, numeric, rtol=2e-5, atol=2e-5 * (1 + np.abs(gradient).max()))


@settings(max_examples=25, deadline=None)
@given(**trees)
def test_posteriors_equal_those_of_the_dense_matrix(seed, q, n_lower, empty_level, depth):
    rng, (leaf, parents, rows, z, y, design) = usable(seed, q, (3, 3, 3, 3)[:depth])
    roots = [np.tril(rng.normal(size=(q, q))) for _ in range(depth)]
    ds = [r @ r.T for r in roots]
    tree = Tree(leaf, parents, n_lower=min(n_lower, depth), block=5)
    e = tree.evaluate(roots, gradient=False)
    _, beta, beta_cov, inverse = dense(parents, rows, z, y, design, ds, e.sigma2)
    nodes = all_nodes(tree, roots, e)
    covariate = leaf.columns[-1][1]
    of_row = ancestors(parents, rows)
    n_leaves = leaf.by.shape[1]
    for level in range(depth):
        for node in range(tree.sizes[level]):
            # total = fixed part + effects of the node and of all above it; C = covariance of that with the readings
            path = {level: node}
            for k in range(level, depth - 1):
                path[k + 1] = int(parents[k][path[k]])
            fixed = np.zeros((q, design.shape[1]))
            fixed[:, :q] = np.eye(q)
            if level == 0:
                fixed[q - 1, q] = covariate[node]
            c = sum(e.sigma2 * ds[k] @ (z * (of_row[k] == path[k])[:, None]).T for k in path)
            prior = sum(e.sigma2 * ds[k] for k in path)
            gain = c @ inverse
            mean = fixed @ beta + gain @ (y - design @ beta)
            left = fixed - gain @ design
            cov = prior - gain @ c.T + left @ beta_cov @ left.T
            np.testing.assert_allclose(nodes[level].mean[:, node], mean, rtol=1e-6, atol=1e-7)
            np.testing.assert_allclose(unpack(nodes[level].cov, q)[node] * e.sigma2, cov, rtol=1e-6, atol=1e-7)
    assert n_leaves == tree.sizes[0]


def test_shards_by_group_add_to_the_same_fit():
    rng = np.random.default_rng(4)
    groups, leaves = 6, 60
    parent = np.sort(np.r_[np.arange(groups), rng.integers(0, groups, leaves - groups)])
    rows = np.repeat(np.arange(leaves), 4)
    z = np.column_stack([np.ones(len(rows)), rng.uniform(0, 5, len(rows))])
    y = rng.normal(size=groups)[parent[rows]] + rng.normal(size=len(rows))
    x = rng.normal(size=leaves)
    whole = Tree(sums_of(z, y, rows, leaves, 2, x), [parent], n_lower=1)
    roots = [np.array([[0.7, 0.0], [0.1, 0.3]]), np.array([[0.9, 0.0], [-0.2, 0.2]])]
    parts, numbers = [], []
    for mine in (np.arange(0, 2), np.arange(2, 5), np.arange(5, 6)):
        kept = np.flatnonzero(np.isin(parent, mine))
        take = np.isin(rows, kept)
        local = np.searchsorted(kept, rows[take])
        leaf = sums_of(z[take], y[take], local, len(kept), 2, x[kept])
        parts.append(Tree(leaf, [np.searchsorted(mine, parent[kept])], n_lower=1).messages(roots))
        numbers.append(mine)
    merged = merge(parts, numbers, groups)
    alone = whole.evaluate(roots)
    together = evaluate_upper(merged, [], 1, roots, Priors(), None, True)
    assert together.criterion == pytest.approx(alone.criterion, rel=1e-12)
    np.testing.assert_allclose(together.beta, alone.beta, rtol=1e-9)
    for a, b in zip(together.gradients, alone.gradients, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-9, atol=1e-9)


def test_an_optimum_on_the_boundary_is_returned_and_named():
    rng = np.random.default_rng(8)
    rows = np.repeat(np.arange(40), 6)
    z = np.column_stack([np.ones(len(rows)), np.tile(np.arange(6.0), 40)])
    y = 2 + 0.3 * z[:, 1] + rng.normal(0, 1, len(rows))  # no difference between leaves at all
    parent = np.repeat(np.arange(4), 10)
    leaf = sums_of(z, y, rows, 40, 2, rng.normal(size=40))
    found = Tree(leaf, [parent], n_lower=1).fit([np.eye(2)] * 2)
    assert found.converged
    assert any(found.singular)
    assert found.passes <= 30
    # the conditions of an optimum over positive semidefinite matrices: gradient without negative direction
    for gradient, root in zip(found.at.gradients, found.roots, strict=True):
        scale = np.trace(root @ root.T)
        assert np.linalg.eigvalsh(gradient)[0] * max(scale, 1e-3) > -1e-2


def test_as_many_effects_as_readings_is_refused():
    z = np.ones((5, 1))
    y = np.arange(5.0)
    leaf = LeafSums(np.ones((1, 5)), y[None], float(y @ y), 5.0, ((0, None),))
    found = Tree(leaf).fit([np.eye(1)])  # level and residual cannot be told apart: any split is as good
    assert found.at.sigma2 * (1 + found.roots[0][0, 0] ** 2) == pytest.approx(np.var(y, ddof=1), rel=1e-6)
    assert z.shape == (5, 1)


def test_all_levels_at_once_and_the_upper_ones_inside_reach_one_optimum(monkeypatch):
    rng = np.random.default_rng(8)
    models, installs = np.repeat(np.arange(4), 5), np.repeat(np.arange(20), 12)
    leaf = np.repeat(np.arange(240), 6)
    z = np.column_stack([np.ones(len(leaf)), rng.uniform(0, 3, len(leaf))])
    effect = rng.normal(size=(240, 2)) + rng.normal(size=(20, 2))[installs] + rng.normal(size=(4, 2))[models[installs]]
    y = (z * effect[leaf]).sum(axis=1) + rng.normal(0, 0.5, len(leaf))
    sums = sums_of(z, y, leaf, 240, 2, rng.normal(size=240))
    found = []
    for most in (0, 6000):
        monkeypatch.setattr("models.mixed.tree.TOGETHER", most)
        found.append(Tree(sums, [installs, models], n_lower=2).fit([np.eye(2)] * 3))
    inside, together = found
    assert together.at.criterion == pytest.approx(inside.at.criterion, abs=1e-5)
    assert together.converged


def test_as_many_effects_as_readings_leave_no_residual_variance():
    leaf = np.arange(3)
    z = np.column_stack([np.ones(3), np.array([0.5, 1.0, 2.0])])
    sums = sums_of(z, np.array([1.0, 2.0, 4.0]), leaf, 3, 2, np.array([0.0, 1.0, 3.0]))
    with pytest.raises(np.linalg.LinAlgError, match="no residual variance"):
        Tree(sums).evaluate([np.eye(2)])


def test_the_scoring_matrix_knows_that_the_residual_variance_moves_along():
    """Against finite differences of the gradient at the truth, in a tree so large that expected and observed curvature
    agree."""
    rng = np.random.default_rng(11)
    groups, leaves = 40, 6_000
    parent = np.sort(rng.integers(0, groups, leaves))
    parent = np.unique(parent, return_inverse=True)[1]
    roots = [np.array([[0.9, 0.0], [0.2, 0.5]]), np.array([[0.6, 0.0], [0.1, 0.4]])]
    effect = rng.normal(size=(leaves, 2)) @ roots[0].T + (rng.normal(size=(parent[-1] + 1, 2)) @ roots[1].T)[parent]
    leaf = np.repeat(np.arange(leaves), 4)
    z = np.column_stack([np.ones(4 * leaves), rng.normal(size=4 * leaves)])
    y = np.sum(z * effect[leaf], axis=1) + rng.normal(size=4 * leaves)
    s = np.stack([np.bincount(leaf, z[:, i] * z[:, j]) for i in range(2) for j in range(i + 1)])
    by = np.stack([np.bincount(leaf, z[:, i] * y) for i in range(2)])
    tree = Tree(LeafSums(s, by, float(y @ y), float(len(y)), ((0, None), (1, None))), [parent], n_lower=1)

    def gradient(x: np.ndarray) -> np.ndarray:
        at = [*split_roots(x, 2), roots[1]]
        return in_roots(tree.evaluate(at), at, range(1))[1]

    x = join_roots(roots[:1])
    curvature = [(gradient(x + d) - gradient(x - d)) / 2e-5 for d in 1e-5 * np.eye(3)]
    e = tree.evaluate(roots)
    matrix = in_roots(e, roots, range(1))[2]
    assert np.abs(matrix - curvature).max() < 0.1 * np.abs(curvature).max()
    e.dof = np.inf  # as if the residual variance were known
    assert np.abs(in_roots(e, roots, range(1))[2] - curvature).max() > 0.2 * np.abs(curvature).max()


def test_a_fixed_effect_that_differs_within_a_leaf_is_refused() -> None:
    nested = nest([np.array([0, 0, 0]), np.array([0, 0, 1])])
    z, y = np.ones((3, 1)), np.arange(3.0)
    same = leaf_sums(nested, z, y, [(0, np.array([1.0, 1.0, 2.0]))])
    assert same.columns[-1][1] == pytest.approx([1.0, 2.0])
    with pytest.raises(ValueError, match="must be the same for all rows of a leaf"):
        leaf_sums(nested, z, y, [(0, np.array([1.0, 2.0, 2.0]))])
