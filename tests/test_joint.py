"""Indicators fitted together: what one says of an install helps the others, and only as far as they go together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from drift_fleet import Made, fleet

from models.drift.cycle_sums import PARTS, Forest
from models.drift.fit import fit_series
from models.drift.fitted import SeriesFit
from models.drift.joint import Group, covariances, cycle_messages, joined, posteriors
from models.drift.series import FitOptions, SeriesInputs
from models.drift.states import evaluate, install_frame, seen_cycles
from models.known.posteriors import posterior
from models.mixed import smallblocks as sb

OPTIONS = FitOptions(gammas=(1.0,), breaks=False, pace=False, analysers=False, robust_rounds=0, covariates=False)


def fitted(*inputs: SeriesInputs) -> list[SeriesFit]:
    return joined([fit_series(series, OPTIONS) for series in inputs])


def second_series(made: Made, share_read: float, seed: int) -> SeriesInputs:
    """A series that is 0.8 of the first on the log scale, with errors of its own, read at some installs only."""
    rng = np.random.default_rng(seed)
    read = made.inputs.readings.filter(pl.col("install_no") < share_read * made.inputs.installs.height)
    error = pl.Series(np.exp(rng.normal(0, 0.06, read.height)))
    value = read["value"] ** 0.8 * error
    return replace(
        made.inputs,
        series_no=1,
        indicator="co_air_free_ppm",
        readings=read.with_columns(value=value),
        cycles=made.inputs.cycles.with_columns(pl.col("value_before") ** 0.8),
    )


def errors(made: Made, fit, factor: float, unread_from: int) -> tuple[float, np.ndarray]:
    """Error of the rates of installs from a number on, and the same in standard deviations."""
    q = posterior(fit, made.open_cycles).join(made.truth, on=["install_no", "cycle_no"])
    q = q.filter(pl.col("install_no") >= unread_from)
    off = (factor * q["rate"] - q["m1"]).to_numpy()
    return float(np.sqrt(np.mean(off**2))), off / np.sqrt(q["v11"].to_numpy())


def test_an_install_never_read_at_one_firing_learns_from_the_other():
    made = fleet(installs=400, seed=61, unknown=0.0)
    low = second_series(made, 0.5, 1)
    alone = [fit_series(made.inputs, OPTIONS), fit_series(low, OPTIONS)]
    together = fitted(made.inputs, low)
    correlation = together[1].together
    assert correlation is not None
    assert correlation[1, 3] > 0.7  # the rates
    before, _ = errors(made, alone[1], 0.8, 200)
    after, in_sd = errors(made, together[1], 0.8, 200)
    assert after < 0.75 * before
    assert np.mean(np.abs(in_sd) < 1.2816) > 0.75  # not surer than it is right
    assert (
        posterior(together[1], made.open_cycles.tail(1))["basis"].to_list()
        == posterior(alone[1], made.open_cycles.tail(1))["basis"].to_list()
    )


def test_covariances_of_a_sample_do_not_depend_on_the_size_of_its_fleet():
    """y'y of all readings is a constant of the criterion: that of a million installs must not end the search sooner."""
    made = fleet(installs=300, seed=66, unknown=0.0)
    fits = [fit_series(made.inputs, OPTIONS), fit_series(second_series(made, 1.0, 1), OPTIONS)]
    said = [cycle_messages(f) for f in fits]
    order = install_frame(made.inputs).select("design_no", "model_no", "install_no").sort(pl.all())
    small = covariances(Group.of(said, order), fits)
    of_large = [replace(m, leaf=replace(m.leaf, yy=m.leaf.yy + 1e8)) for m in said]
    large = covariances(Group.of(of_large, order), fits)
    assert large.passes == small.passes
    for one, other in zip(large.psi, small.psi, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-4, atol=1e-9)


def test_unrelated_series_leave_each_other_alone():
    made, other = fleet(installs=300, seed=62), fleet(installs=300, seed=63)
    stranger = replace(other.inputs, installs=made.inputs.installs, series_no=1)
    alone = fit_series(made.inputs, OPTIONS)
    together = joined([alone, fit_series(stranger, OPTIONS)])[0]
    assert together.together is not None
    assert abs(together.together[1, 3]) < 0.35
    a, b = posterior(alone, made.open_cycles), posterior(together, made.open_cycles)
    assert np.corrcoef(a["m1"], b["m1"])[0, 1] > 0.97
    assert (b["v11"] / a["v11"]).median() == pytest.approx(1.0, abs=0.12)


def test_groups_too_small_or_too_silent_stay_as_fitted_alone():
    made = fleet(installs=8, seed=64)
    low = second_series(made, 0.5, 2)
    fits = fitted(made.inputs, low)
    assert all(f.install is None for f in fits)
    silent = replace(low, readings=low.readings.clear())
    fits = fitted(made.inputs, silent)
    assert fits[1].empty
    with pytest.raises(ValueError, match="same installs"):
        fitted(made.inputs, fleet(installs=30, seed=65).inputs)


def apart(made: Made, days: int) -> SeriesInputs:
    """The second series with every third cycle opened some days later: by work that did not touch the first."""
    low = second_series(made, 0.8, 3)
    later = pl.when(pl.col("cycle_no") % 3 == 2).then(pl.col("opened_day") + days).otherwise(pl.col("opened_day"))
    return replace(low, cycles=low.cycles.with_columns(opened_day=later.cast(pl.Int32)))


def test_cycles_opened_by_the_same_work_are_one():
    made = fleet(installs=60, seed=66)
    low = apart(made, 40)
    group = Group.of([cycle_messages(fit_series(x, OPTIONS)) for x in (made.inputs, low)], installs_in_order(made))
    first, second = group.said
    pairs = pl.DataFrame({"i": first.install_no, "c": first.cycle_no, "at": group.at[0]}).join(
        pl.DataFrame({"i": second.install_no, "c": second.cycle_no, "to": group.at[1]}), on=["i", "c"]
    )
    assert pairs.height > 100
    moved = pairs["c"] // PARTS % 3 == 2
    assert (pairs.filter(~moved)["at"] == pairs.filter(~moved)["to"]).all()
    assert not set(pairs.filter(moved)["at"]) & set(pairs.filter(moved)["to"])
    for at in group.at:
        assert len(np.unique(at)) == len(at)


def installs_in_order(made: Made) -> pl.DataFrame:
    keys = ["design_no", "model_no", "install_no"]
    return install_frame(made.inputs).select(keys).sort(keys)


def test_the_tree_says_what_dense_matrices_say():
    """Installs and their newest cycles by one joint normal of all effects and flat intercepts, written out."""
    made = fleet(installs=45, seed=67, models=5, designs=2)
    low = apart(made, 40)
    fits = [fit_series(x, OPTIONS) for x in (made.inputs, low)]
    group = Group.of([cycle_messages(f) for f in fits], installs_in_order(made))
    rng = np.random.default_rng(5)
    roots = [np.tril(rng.normal(0, 0.03, (4, 4))) + np.diag([0.1, 0.04, 0.12, 0.03]) for _ in range(4)]
    q, n = 4, len(group.install)
    tree = group.tree()
    index, offset, count = [np.arange(n)], [0], [n]
    for parent in tree.parents:
        index.append(parent[index[-1]])
        offset.append(offset[-1] + count[-1])
        count.append(int(parent[-1]) + 1)
    size = q * (sum(count) + 1)
    precision = np.zeros((size, size))
    for level, root in enumerate(roots):
        inverse = np.linalg.inv(root @ root.T)
        for node in range(count[level]):
            at = slice(q * (offset[level] + node), q * (offset[level] + node + 1))
            precision[at, at] += inverse

    def rows(cycle: int, lowest: int) -> np.ndarray:
        """Total effect of a cycle (lowest 0), or of what it hangs in, as a map of all effects."""
        out = np.zeros((q, size))
        for level in range(lowest, 4):
            node = offset[level] + index[level][cycle]
            out[:, q * node : q * node + q] = np.eye(q)
        out[:, -q:] = np.eye(q)
        return out

    score = np.zeros(size)
    for cycle in range(n):
        m = rows(cycle, 0)
        precision += m.T @ sb.unpack(tree.leaf.s[:, [cycle]], q)[0] @ m
        score += m.T @ tree.leaf.by[:, cycle]
    cov = np.linalg.inv(precision)
    mean = cov @ score
    parts = [group.order[a : a + 20] for a in range(0, group.order.height, 20)]
    of_parts = [([m.of(own["install_no"].to_numpy()) for m in group.said], own) for own in parts]
    for k, of_series in enumerate(posteriors(of_parts, roots)):
        own = slice(2 * k, 2 * k + 2)
        assert len(of_series) == len(parts)
        for place in range(0, group.order.height, 4):
            found = of_series[place // 20]
            at = int(np.flatnonzero(found.install_no == group.order["install_no"][place])[0])
            newest = int(group.at[k][group.newest[k, place]])
            install, cycle = rows(newest, 1)[own], rows(newest, 0)[own]
            assert found.cycle_no[at] == group.said[k].cycle_no[group.newest[k, place]]
            np.testing.assert_allclose(found.mean[:, at], install @ mean, rtol=1e-7, atol=1e-9)
            np.testing.assert_allclose(found.cov[:, at], (install @ cov @ install.T)[[0, 1, 1], [0, 0, 1]], rtol=1e-6)
            np.testing.assert_allclose(found.own_mean[:, at], cycle @ mean, rtol=1e-7, atol=1e-9)
            np.testing.assert_allclose(found.own_cov[:, at], (cycle @ cov @ cycle.T)[[0, 1, 1], [0, 0, 1]], rtol=1e-6)


def test_the_same_readings_twice_are_no_second_witness():
    """With the cycles of both taken as independent, the variance of an install's own rate comes out at 0.73 of what one
    of them tells."""
    made = fleet(installs=400, seed=68, unknown=0.0, sigma=0.02)
    rng = np.random.default_rng(1)
    noise = pl.Series(np.exp(rng.normal(0, 0.002, made.inputs.readings.height)))
    twin = replace(
        made.inputs, series_no=1, readings=made.inputs.readings.with_columns(pl.col("value") * noise), firing="low"
    )
    alone = fit_series(made.inputs, OPTIONS)
    together = joined([alone, fit_series(twin, OPTIONS)])[0]
    forest = Forest.of(seen_cycles(alone.inputs, alone.readings), install_frame(alone.inputs))
    single = evaluate(alone, forest).nodes[1].cov[2][np.argsort(forest.installs)]
    assert together.install is not None
    assert 0.95 < np.median(together.install.cov[2][np.argsort(together.install.install_no)] / single) < 1.5
    found = posterior(together, made.open_cycles)
    off = (found["m1"] - found.join(made.truth, on=["install_no", "cycle_no"])["rate"]) / found["v11"].sqrt()
    assert (off.abs() < 1.2816).mean() > 0.76


def test_a_cycle_not_read_at_one_firing_learns_from_the_same_cycle_at_the_other():
    made = fleet(installs=400, seed=69, unknown=0.0)
    low = second_series(made, 1.0, 4)
    newest = made.open_cycles.filter((pl.col("install_no") % 2 == 0) & (pl.col("cycle_no") > 0))
    low = replace(low, readings=low.readings.join(newest, on=["install_no", "cycle_no"], how="anti"))
    alone = [fit_series(made.inputs, OPTIONS), fit_series(low, OPTIONS)]
    asked = low.cycles.join(newest.select("install_no", "cycle_no"), on=["install_no", "cycle_no"])
    off = []
    for fit in (alone[1], joined(alone)[1]):
        found = posterior(fit, asked)
        assert (found["readings"] == 0).all()
        level = found.join(made.truth, on=["install_no", "cycle_no"])["level"]
        off.append(((found["m0"] - 0.8 * level).to_numpy(), found["v00"].to_numpy()))
    (before, _), (after, variance) = off
    assert np.sqrt(np.mean(after**2)) < 0.8 * np.sqrt(np.mean(before**2))  # the level of the cycle, read at the other
    assert np.mean(np.abs(after) < 1.2816 * np.sqrt(variance)) > 0.76


def test_what_is_taken_off_for_the_joint_fit_is_put_back():
    """A fixed effect that the readings hardly tell from a design's own may stand anywhere: what a cycle was read at
    does not depend on it, as long as the same is put back that was taken off."""
    made = fleet(installs=120, seed=70, unknown=0.2)
    park = made.inputs.installs.with_columns(condensing=pl.col("design_no") != 0)
    inputs = replace(made.inputs, installs=park)
    options = replace(OPTIONS, covariates=True)
    alone = [fit_series(x, options) for x in (inputs, second_series(replace(made, inputs=inputs), 1.0, 6))]
    own = [t.label == "level:category:condensing:false" for t in alone[0].terms.terms]
    assert sum(own) == 1
    alone[0] = replace(alone[0], beta=alone[0].beta + 0.5 * np.array(own))
    single, both = posterior(alone[0], made.open_cycles), posterior(joined(alone)[0], made.open_cycles)
    off = ((both["m0"] - single["m0"]) / single["v00"].sqrt()).filter(single["readings"] >= 3)
    assert off.abs().max() < 1.5
