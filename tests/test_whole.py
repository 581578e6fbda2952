"""A large fleet fitted shard by shard: the same from any cut, by anybody, in any order, and as good as all at once."""

from __future__ import annotations

import pickle
from dataclasses import replace
from functools import partial

import numpy as np
import polars as pl
import pytest
from drift_fleet import Made, fleet

from models.drift.analysers import STATED
from models.drift.fit import fit_series, sampled
from models.drift.joint import joined
from models.drift.refit import variance_priors
from models.drift.robust import lost_variance
from models.drift.series import FitOptions, SeriesInputs
from models.fleets import shards
from models.fleets.shard_levels import NEAR
from models.fleets.shards import cut, here
from models.fleets.whole import Searched, WholeFit, fit_whole, joined_whole, search_sample, split
from models.known.cleaning import cleaning_effects
from models.known.posteriors import posterior
from models.known.rates import model_rates
from models.mixed.tree import in_roots, join_roots
from pipeline.stages.side_by_side import side_by_side

OPTIONS = FitOptions(gammas=(1.0, 1.4), pace=False)


@pytest.fixture(scope="module")
def made() -> Made:
    """Some installs without readings, one design without any, analysers that are off, mistakes."""
    out = fleet(installs=500, seed=8, bias=(0.0, 0.15, 0.0, 0.0, -0.1, 0.0), outliers=0.01, unrecorded=0.1)
    inputs = out.inputs
    silent = (pl.col("design_no") == 3) | (pl.col("install_no") % 50 == 7)
    quiet = inputs.installs.filter(silent)["install_no"].implode()
    inputs = replace(inputs, readings=inputs.readings.filter(~pl.col("install_no").is_in(quiet)))
    return replace(out, inputs=inputs)


def seen(inputs: SeriesInputs, wanted: int) -> SeriesInputs:
    numbers = sampled(np.unique(inputs.readings["install_no"].to_numpy()), inputs.installs, wanted)
    keep = pl.col("install_no").is_in(pl.Series(numbers.astype(np.int32)).implode())
    return replace(
        inputs,
        readings=inputs.readings.filter(keep),
        cycles=inputs.cycles.filter(keep),
        installs=inputs.installs.filter(keep),
    )


@pytest.fixture(scope="module")
def searched(made) -> Searched:
    return search_sample(seen(made.inputs, 200), OPTIONS)


def whole(made: Made, searched: Searched, most: int, mapper=here) -> WholeFit:
    parts = cut(made.inputs.installs, most)
    return fit_whole(searched, made.inputs.installs, parts, split(made.inputs, parts), mapper)


@pytest.fixture(scope="module")
def in_large_shards(made, searched) -> WholeFit:
    return whole(made, searched, most=1_000)


def told(fit: WholeFit, made: Made) -> dict[str, np.ndarray]:
    """All numbers of a fit."""
    open_now = fit.posterior(made.open_cycles)
    rates = fit.model_rates()
    numbers = ["m0", "m1", "v00", "v01", "v11"]
    return {
        "roots": np.stack(fit.fit.roots),
        "sigma": np.array(fit.fit.sigma),
        "beta": fit.fit.beta,
        "beta_cov": fit.fit.beta_cov,
        "posterior": open_now.select(numbers).to_numpy(),
        "readings": open_now["readings"].to_numpy(),
        "rates": rates.select("rate", "rate_sd", "worse_than_fleet_p").to_numpy(),
        "cleaning": fit.cleanings.select("restored_share", "low", "high").to_numpy(),
        "analysers": fit.fit.analysers.bias,
        "counts": np.array(fit.counts),
    }


def one_dies(function, pieces):
    """Nobody remembers any shard, every third piece is worked on twice, and the last are done first."""
    out = {}
    for k in reversed(range(len(pieces))):
        piece = pickle.loads(pickle.dumps(pieces[k]))
        for _ in range(2 if k % 3 == 0 else 1):
            shards.kept.clear()
            out[k] = function(piece)
    return [out[k] for k in range(len(pieces))]


def test_shards_agree_with_one_shard_per_design(made, searched, in_large_shards):
    many = whole(made, searched, most=40)
    assert len(many.fleet.parts) > 10 > len(in_large_shards.fleet.parts)
    expected = told(in_large_shards, made)
    for name, value in told(many, made).items():
        np.testing.assert_allclose(value, expected[name], rtol=1e-9, atol=1e-11, err_msg=name)


@pytest.mark.parametrize("mapper", [one_dies, side_by_side], ids=["lost and repeated", "helpers"])
def test_whoever_works_on_the_shards_finds_the_same_digits(made, searched, mapper):
    expected = told(whole(made, searched, most=60), made)
    for name, value in told(whole(made, searched, most=60, mapper=mapper), made).items():
        np.testing.assert_array_equal(value, expected[name], err_msg=name)


def test_some_installs_first_lead_to_the_same_optimum(made, searched, monkeypatch):
    asked: list[int] = []
    monkeypatch.setattr(shards, "said", partial(counted, shards.said, asked))
    at_once = whole(made, searched, most=1_000)
    passes = asked.count(1)
    asked.clear()
    monkeypatch.setattr("models.fleets.shard_levels.LOOKED_AT", 50)
    stepwise = whole(made, searched, most=1_000)
    assert asked.count(10) > 0  # every tenth of 500
    assert asked.count(1) <= passes + 1
    assert stepwise.fit.reml == pytest.approx(at_once.fit.reml, abs=NEAR)  # as near as each goes to the optimum
    # twice as far apart as each may be from the optimum, in the norm of the information: squares of standard errors
    e = at_once.fleet.evaluate(at_once.fit.roots, variance_priors(searched.fit))
    _, _, information = in_roots(e, at_once.fit.roots, range(4))
    away = join_roots(stepwise.fit.roots) - join_roots(at_once.fit.roots)
    assert away @ information @ away < 4 * NEAR


def test_one_pass_tells_what_two_would(made, searched, in_large_shards):
    """Sigma and fixed effects at the covariances, from messages at the covariances relative to the sigma that the
    weights have taken nothing from; against the restricted likelihood at the covariances themselves."""
    fit, fleet = in_large_shards.fit, in_large_shards.fleet
    lost = np.sqrt(lost_variance(OPTIONS.robust_df))
    roots = [r / lost for r in fit.roots]
    m = fleet.messages(roots, gradient=False, held=False)
    e = fleet.evaluate(roots, variance_priors(searched.fit), gradient=False, messages=m)
    assert fit.sigma * lost == pytest.approx(np.sqrt(e.sigma2), rel=2e-5)
    assert np.all(np.abs(fit.beta - e.beta) < 0.01 * np.sqrt(np.diag(fit.beta_cov)))  # of each one's standard error
    np.testing.assert_allclose(np.diag(fit.beta_cov), np.diag(e.beta_cov) * e.sigma2, rtol=0.01)


def counted(said, asked, *args, held, every=1, **told):
    """Notes how many passes look at every so many-th install with the fixed effects held."""
    if held:
        asked.append(every)
    return said(*args, held=held, every=every, **told)


def test_the_whole_from_a_sample_is_as_good_as_a_search_on_all(made, in_large_shards):
    at_once = fit_series(made.inputs, OPTIONS)
    fit = in_large_shards.fit
    assert in_large_shards.counts[0] == len(at_once.readings.z)
    assert fit.sigma == pytest.approx(at_once.sigma, rel=0.02)
    a = posterior(at_once, made.open_cycles)
    b = in_large_shards.posterior(made.open_cycles)
    assert a.select("install_no", "cycle_no").equals(b.select("install_no", "cycle_no"))
    truth = made.truth.sort("install_no", "cycle_no")
    for mean, variance, true in (("m0", "v00", "level"), ("m1", "v11", "rate")):
        error = [np.sqrt(((x[mean] - truth[true]) ** 2).mean()) for x in (a, b)]
        assert error[1] < 1.03 * error[0]
        assert np.median((b[variance] / a[variance]).to_numpy()) == pytest.approx(1.0, abs=0.1)
    # of the accuracy that makers state, a tenth; where nothing is wrong, a fiftieth
    apart = np.abs(fit.analysers.bias - at_once.analysers.bias) / STATED["flue_over_return_k"]
    assert apart.max() < 0.1
    assert apart[[0, 2, 3, 5]].max() < 0.02
    rates, others = in_large_shards.model_rates(), model_rates(at_once)
    assert rates["model_no"].equals(others["model_no"])
    assert rates["readings"].equals(others["readings"])
    away = ((rates["rate"] - others["rate"]) / others["rate_sd"]).to_numpy()
    assert np.sqrt(np.mean(away**2)) < 0.4
    assert np.abs(away).max() < 0.8
    shares, expected = in_large_shards.cleanings, cleaning_effects(at_once)
    both = shares.join(expected, on=["design_no", "kind"])
    assert both.height == expected.height
    assert (both["restored_share"] - both["restored_share_right"]).abs().max() < 0.06


def test_series_of_a_large_fleet_are_joined(made, searched):
    # the same truth with errors of its own: the same draws at twice the error tell which error each reading has
    wider = fleet(
        installs=500, seed=8, bias=(0.0, 0.15, 0.0, 0.0, -0.1, 0.0), outliers=0.01, unrecorded=0.1, sigma=0.12
    ).inputs.readings
    keys = ["install_no", "cycle_no", "day", "stage_order"]
    error = made.inputs.readings.select(keys).join(wider, on=keys, maintain_order="left")
    own = np.exp(np.random.default_rng(1).normal(0, 0.06, error.height))
    noisy = made.inputs.readings.with_columns(pl.col("value") ** 2 / error["value"] * own)
    other = replace(made, inputs=replace(made.inputs, firing="low", readings=noisy))
    fits = [whole(made, searched, 60), whole(other, search_sample(seen(other.inputs, 200), OPTIONS), 60)]
    alone = fits[0].posterior(made.open_cycles)
    found = joined_whole(fits)
    together = found[0].posterior(made.open_cycles)
    assert found[0].fit.together is not None
    rate = alone.join(made.truth, on=["install_no", "cycle_no"], maintain_order="left")["rate"]
    assert ((together["m1"] - rate) ** 2).mean() < 0.95 * ((alone["m1"] - rate) ** 2).mean()
    assert ((together["m1"] - rate).abs() < 1.2816 * together["v11"].sqrt()).mean() > 0.72
    small = posterior(joined([fit_series(x.inputs, OPTIONS) for x in (made, other)])[0], made.open_cycles)
    assert np.corrcoef(small["m1"], together["m1"])[0, 1] > 0.98


def test_a_fleet_read_once_each_keeps_the_weak_priors():
    made = fleet(installs=60, seed=3, years=1)
    first = made.inputs.readings.unique("install_no", keep="first", maintain_order=True)
    once = replace(made, inputs=replace(made.inputs, readings=first))
    fit = whole(once, search_sample(once.inputs, OPTIONS), 20)
    assert fit.fit.reml is None
    assert fit.fit.note
    told, at_once = fit.posterior(made.open_cycles), posterior(fit_series(once.inputs, OPTIONS), made.open_cycles)
    assert np.isfinite(told["v11"].to_numpy()).all()
    assert told["m1"].to_numpy() == pytest.approx(at_once["m1"].to_numpy(), abs=1e-6)


def test_the_cut_knows_the_list_of_installs_only():
    installs = fleet(installs=200, seed=1).inputs.installs
    parts = cut(installs, 30)
    assert np.array_equal(np.sort(np.concatenate([p.installs for p in parts])), installs["install_no"].to_numpy())
    assert all(len(p.designs) == 1 and len(p.installs) <= 30 for p in parts)
    again = cut(installs.sample(fraction=1.0, shuffle=True, seed=2), 30)
    assert all(np.array_equal(a.installs, b.installs) for a, b in zip(parts, again, strict=True))


def test_analysers_too_many_to_be_solved_together_are_known_as_those_that_are(monkeypatch):
    """Each on its own, from what the search sample knows of the others, as beyond `analysers.FEW`."""
    bias = np.where(np.arange(50) % 7 == 3, 0.15, 0.0) * np.where(np.arange(50) % 2, 1, -1)
    made = fleet(installs=500, seed=18, bias=tuple(bias))
    searched = search_sample(seen(made.inputs, 250), OPTIONS)
    together = whole(made, searched, most=1_000).fit.analysers
    monkeypatch.setattr("models.fleets.shard_levels.FEW", 2)
    apart = whole(made, searched, most=100).fit.analysers
    known = searched.fit.analysers
    far, before = (np.sqrt(np.mean(((who.bias - together.bias) / together.sd) ** 2)) for who in (apart, known))
    assert far < 0.6 < before  # standard errors; a step leaves half of one
    # a variance follows the bias that is found: single ones differ more than all of them
    assert np.median(apart.sd / together.sd) == pytest.approx(1.0, abs=0.05)
    assert np.abs(np.log(apart.sd / together.sd)).max() < 0.3
    assert np.median(known.sd / together.sd) > 1.15
    assert (apart.tests == together.tests).all()
