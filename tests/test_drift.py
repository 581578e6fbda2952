"""The drift fit on fleets of known truth, on tiny and odd fleets, and as a scikit-learn estimator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from drift_fleet import Made, fleet
from sklearn.base import clone
from sklearn.utils.estimator_checks import parametrize_with_checks

from models.drift.covariates import fixed_values
from models.drift.cycle_sums import Forest, Readings
from models.drift.estimator import DriftModel
from models.drift.fit import fit_series, start
from models.drift.series import FitOptions
from models.drift.states import (
    built_up_before,
    from_own,
    install_frame,
    reading_lines,
    reweighed,
    seen_cycles,
    tree_sums,
)
from models.fleets.small import Member, fitted_together
from models.known.doubts import Visits
from models.known.posteriors import posterior
from models.known.rates import model_rates

PLAIN = FitOptions(gammas=(1.0,), breaks=False, pace=False, analysers=False)
Z80 = 1.2816


@parametrize_with_checks([DriftModel()])
def test_the_estimator_keeps_the_scikit_learn_contract(estimator, check):
    check(estimator)


def judged(made: Made, fit) -> pl.DataFrame:
    """Posterior of the open cycles beside their truth, in standard deviations."""
    return (
        posterior(fit, made.open_cycles)
        .join(made.truth, on=["install_no", "cycle_no"])
        .with_columns(
            z_level=(pl.col("level") - pl.col("m0")) / pl.col("v00").sqrt(),
            z_rate=(pl.col("rate") - pl.col("m1")) / pl.col("v11").sqrt(),
        )
    )


def covered(z: pl.Series) -> float:
    return float((z.abs() < Z80).mean())


@pytest.fixture(scope="module")
def plain() -> tuple[Made, object]:
    made = fleet(installs=700, seed=3)
    return made, fit_series(made.inputs, PLAIN)


def test_known_rates_lie_in_their_intervals(plain):
    """700 installs: the share covered by an 80 % interval has a standard error of 1.5 %; hence 80 ± 5 %."""
    made, fit = plain
    q = judged(made, fit).filter(pl.col("readings") > 0)
    assert q.height > 600
    assert 0.75 < covered(q["z_rate"]) < 0.86
    assert abs(q["z_rate"].mean()) < 0.2
    known = q.join(made.open_cycles.cast({"install_no": pl.Int64}), on="install_no").filter(
        pl.col("opened_by") != "unknown"
    )
    assert 0.74 < covered(known["z_level"]) < 0.87


def test_parameters_come_back(plain):
    _, fit = plain
    assert fit.converged
    assert fit.sigma == pytest.approx(0.06, rel=0.05)
    rate_sd = np.sqrt(fit.psi[1, 1, 1])
    assert 0.015 < rate_sd < 0.025  # made with 0.02
    effect, se = fit.fixed["rate:number:hardness"]
    assert effect / se > 5
    left = {k: v for k, v in fit.fixed.items() if k.startswith("level:carry")}
    assert left["level:carry:brush"][0] == pytest.approx(0.4, abs=0.08)
    assert left["level:carry:chemical"][0] == pytest.approx(0.1, abs=0.08)


def test_posterior_of_a_cycle_without_readings_is_wider_and_leans_on_the_model(plain):
    made, fit = plain
    seen = posterior(fit, made.open_cycles.head(50))
    new = made.open_cycles.head(50).with_columns(pl.col("cycle_no") + 1, opened_by=pl.lit("brush"), value_before=15.0)
    unseen = posterior(fit, new)
    assert (unseen["readings"] == 0).all()
    assert unseen["v00"].median() > seen["v00"].median()
    assert np.isfinite(unseen.select("m0", "m1", "v00", "v01", "v11").to_numpy()).all()
    # what was found before the work matters: more built up, a higher level after
    higher = posterior(fit, new.with_columns(value_before=30.0))
    assert (higher["m0"] > unseen["m0"]).all()


def test_an_install_of_a_model_never_read_leans_on_its_design(plain):
    made, fit = plain
    added = made.inputs.installs.head(1).with_columns(
        install_no=pl.lit(10_000, dtype=pl.Int32), model_no=pl.lit(99, dtype=pl.Int32)
    )
    stranger = added.with_columns(
        install_no=pl.lit(10_001, dtype=pl.Int32),
        model_no=pl.lit(100, dtype=pl.Int32),
        design_no=pl.lit(77, dtype=pl.Int32),
    )
    wide = replace(fit, inputs=replace(made.inputs, installs=pl.concat([made.inputs.installs, added, stranger])))
    asked = pl.DataFrame(
        {"install_no": [10_000, 10_001], "cycle_no": [0, 0], "opened_by": ["new", "new"], "value_before": [None, None]}
    )
    out = posterior(wide, asked)
    assert out["basis"].to_list() == ["design", "fleet"]
    assert out["v11"][1] > out["v11"][0]


def test_the_same_fit_whatever_the_order_of_rows_and_numbers(plain):
    made, fit = plain
    rng = np.random.default_rng(0)
    new = rng.permutation(made.inputs.installs.height).astype(np.int32)
    mapped = {"install_no": pl.col("install_no").replace_strict(dict(enumerate(new.tolist())), return_dtype=pl.Int32)}
    other = replace(
        made.inputs,
        readings=made.inputs.readings.with_columns(**mapped).sort("install_no", "cycle_no", "day", "stage_order"),
        cycles=made.inputs.cycles.with_columns(**mapped),
        installs=made.inputs.installs.with_columns(**mapped),
    )
    again = fit_series(other, PLAIN)
    assert again.reml == pytest.approx(fit.reml, rel=1e-8)
    assert again.sigma == pytest.approx(fit.sigma, rel=1e-5)


@pytest.mark.parametrize("gamma", [0.7, 0.85, 1.2, 1.4])
def test_the_exponent_of_the_hours_is_found(gamma):
    made = fleet(installs=500, seed=11, gamma=gamma, unknown=0.0)
    fit = fit_series(made.inputs, replace(PLAIN, gammas=FitOptions().gammas))
    assert list(fit.gamma.values()).count(gamma) >= 3  # of 4 designs
    q = judged(made, fit).filter((pl.col("readings") > 0) & (pl.col("gamma") == gamma))
    assert 0.73 < covered(q["z_rate"]) < 0.87


def test_a_strong_bend_is_found_where_a_slight_one_would_not_be_likely_enough():
    """Few noisy installs: the step next to 1 alone does not pay for leaving 1, the true 0.5 does."""
    bent = []
    for seed in range(12):
        made = fleet(installs=20, seed=seed, gamma=0.5, unknown=0.1, models=2, designs=2, sigma=0.12)
        bent += [g < 1 for g in fit_series(made.inputs, replace(PLAIN, gammas=FitOptions().gammas)).gamma.values()]
    assert sum(bent) > 14  # of 24 designs; 9 where each step must pay by itself


def test_a_straight_fleet_keeps_exponent_one_and_a_small_one_too():
    for made in (fleet(installs=300, seed=5), fleet(installs=12, seed=6)):
        fit = fit_series(made.inputs, replace(PLAIN, gammas=FitOptions().gammas))
        assert set(fit.gamma.values()) == {1.0}


def test_mistyped_readings_do_not_bend_rates():
    clean, dirty = fleet(installs=400, seed=9), fleet(installs=400, seed=9, outliers=0.03)
    robust = fit_series(dirty.inputs, PLAIN)
    naive = fit_series(dirty.inputs, replace(PLAIN, robust_rounds=0))
    sound = fit_series(clean.inputs, PLAIN)

    def error(fit, made):
        q = judged(made, fit)
        return float(np.sqrt(((q["rate"] - q["m1"]) ** 2).mean()))

    assert error(robust, dirty) < 0.9 * error(naive, dirty)
    assert robust.sigma < 0.6 * naive.sigma
    assert robust.downweighted_share > sound.downweighted_share + 0.01


def test_work_that_was_not_recorded_is_found():
    made = fleet(installs=500, seed=21, unrecorded=0.25)
    blind = fit_series(made.inputs, PLAIN)
    fit = fit_series(made.inputs, replace(PLAIN, breaks=True))
    parts = fit.readings.cycle_no % 32 > 0
    assert parts.sum() > 100
    q, p = judged(made, fit), judged(made, blind)
    assert (q["rate"] - q["m1"]).abs().mean() < 0.9 * (p["rate"] - p["m1"]).abs().mean()
    none = fit_series(fleet(installs=500, seed=22).inputs, replace(PLAIN, breaks=True))
    assert (none.readings.cycle_no % 32 > 0).mean() < 0.01


def test_a_first_cycle_without_commissioning_does_not_move_the_clean_level():
    """The same fleet with and without its unknown first cycles: level parameters agree, slopes still count."""
    made = fleet(installs=300, seed=31, unknown=0.5)
    fit = fit_series(made.inputs, replace(PLAIN, robust_rounds=0, covariates=False))
    kept = made.inputs.cycles.filter(pl.col("opened_by") != "unknown").select("install_no", "cycle_no")
    less = replace(made.inputs, readings=made.inputs.readings.join(kept, on=["install_no", "cycle_no"], how="semi"))
    without = fit_series(less, replace(PLAIN, robust_rounds=0, covariates=False))
    a, b = fit.fixed["level:intercept"][0] + fit.centre, without.fixed["level:intercept"][0] + without.centre
    assert a == pytest.approx(b, abs=0.03)
    assert fit.fixed["rate:intercept"][1] <= without.fixed["rate:intercept"][1] * 1.02


def tiny(rows: int, installs: int = 3) -> Made:
    made = fleet(installs=installs, seed=1, models=1, designs=1, unknown=0.0)
    return replace(made, inputs=replace(made.inputs, readings=made.inputs.readings.head(rows)))


@pytest.mark.parametrize("rows", [0, 1, 2, 5, 8, 30])
def test_tiny_fleets_get_finite_wide_answers(rows):
    made = tiny(rows)
    fit = fit_series(made.inputs)
    out = posterior(fit, made.open_cycles)
    numbers = out.select("m0", "m1", "v00", "v01", "v11").to_numpy()
    assert out.height == 3
    assert np.isfinite(numbers).all()
    assert (out["v11"] > 0.002**2).all()  # eight readings over 13,000 h at sigma 0.06 would give 0.005 by least squares
    assert (out["v00"] > 0).all()
    assert fit.empty == (rows == 0)
    determinant = out["v00"] * out["v11"] - out["v01"] ** 2
    assert (determinant >= -1e-12).all()


def test_a_series_that_applies_to_no_install_is_told_as_empty():
    made = tiny(4)
    none = replace(made.inputs, readings=made.inputs.readings.clear(), cycles=made.inputs.cycles.clear())
    nothing = none.cycles.with_columns(hours_open=pl.lit(0.0))
    told = fitted_together([Member(none, nothing, nothing, Visits(*[pl.DataFrame()] * 6))], FitOptions())[0]
    assert told.counts == (0, 0, 0)
    assert told.known.is_empty()
    assert told.cleanings.is_empty()


def test_a_design_with_as_many_readings_as_fixed_effects_keeps_exponent_one():
    """Nothing is then left over to weigh exponents by."""
    made = fleet(installs=120, seed=31, unknown=0.0)
    inputs = made.inputs
    few = inputs.installs["install_no"].to_list()[:3]
    lonely = pl.when(pl.col("install_no").is_in(few))
    installs = inputs.installs.with_columns(
        design_no=lonely.then(99).otherwise("design_no").cast(inputs.installs.schema["design_no"]),
        model_no=lonely.then(99).otherwise("model_no").cast(inputs.installs.schema["model_no"]),
    )
    # one reading each, at different ages: three readings for a level, a rate and the hardness
    rank = pl.int_range(pl.len()).over("install_no")
    kept = pl.any_horizontal((pl.col("install_no") == i) & (rank == k) for k, i in enumerate(few))
    readings = inputs.readings.filter(~pl.col("install_no").is_in(few) | kept)
    hardness = pl.when(pl.col("install_no") == few[0]).then(50.0).otherwise(pl.col("hardness").fill_null(100.0))
    inputs = replace(inputs, installs=installs.with_columns(hardness=hardness), readings=readings)
    fit = fit_series(inputs, FitOptions(pace=False, breaks=False))
    assert np.isfinite(fit.sigma)
    assert fit.gamma[99] == 1.0


def test_odd_values_are_left_out_and_do_not_fail():
    made = fleet(installs=30, seed=2)
    readings = (
        made.inputs.readings.with_row_index("k")
        .with_columns(
            value=pl.when(pl.col("k") % 7 == 0)
            .then(-1.0)
            .when(pl.col("k") % 11 == 0)
            .then(None)
            .otherwise(pl.col("value")),
            hours=pl.when(pl.col("k") % 13 == 0).then(None).otherwise(pl.col("hours")),
            analyser_no=pl.lit(None, dtype=pl.Int32),
        )
        .drop("k")
    )
    cycles = made.inputs.cycles.with_columns(
        opened_by=pl.when(pl.col("cycle_no") == 1).then(None).otherwise(pl.col("opened_by"))
    )
    fit = fit_series(replace(made.inputs, readings=readings, cycles=cycles))
    assert len(fit.readings.z) < readings.height
    assert np.isfinite(posterior(fit, made.open_cycles).select("m0", "v00").to_numpy()).all()


def test_inputs_without_a_column_are_refused():
    made = fleet(installs=20, seed=4)
    with pytest.raises(ValueError, match="lacks value"):
        replace(made.inputs, readings=made.inputs.readings.drop("value"))


def test_model_rates_compare_with_the_fleet_by_their_joint_posterior(plain):
    made, fit = plain
    rates = model_rates(fit)
    assert rates["installs"].sum() == made.inputs.installs.height
    mean = float(np.average(rates["rate"], weights=rates["installs"]))
    np.testing.assert_allclose(rates["minus_fleet"], rates["rate"] - mean, atol=1e-9)
    assert ((rates["minus_fleet"] > 0) == (rates["worse_than_fleet_p"] > 0.5)).all()
    # against draws from the posterior of the installs' own rates, summed up by model
    truth = made.truth.join(
        made.inputs.installs.select(pl.col("install_no").cast(pl.Int64), "model_no"), on="install_no"
    )
    true = truth.group_by("model_no").agg(pl.col("rate").mean().alias("true")).sort("model_no")
    z = (true["true"] - rates["rate"]) / rates["rate_sd"]
    assert z.abs().max() < 4
    assert float((z**2).mean()) < 2.5
    # two that nobody ever read; others without a cycle, which the series does not apply to and no mean may hold
    known = made.inputs.installs["model_no"][0]
    more = made.inputs.installs.head(4).with_columns(
        install_no=pl.Series([9_000, 9_001, 9_002, 9_003], dtype=pl.Int32),
        model_no=pl.Series([50, 50, known, 51], dtype=pl.Int32),
    )
    begun = made.inputs.cycles.head(2).with_columns(
        install_no=pl.Series([9_000, 9_001], dtype=pl.Int32), cycle_no=pl.lit(0, pl.Int32), opened_by=pl.lit("unknown")
    )
    installs, cycles = pl.concat([made.inputs.installs, more]), pl.concat([made.inputs.cycles, begun])
    silent = model_rates(replace(fit, inputs=replace(made.inputs, installs=installs, cycles=cycles)))
    before = rates.filter(pl.col("model_no") == known)["installs"][0]
    assert silent.filter(pl.col("model_no") == known)["installs"][0] == before
    assert 51 not in silent["model_no"]
    row = silent.filter(pl.col("model_no") == 50)
    assert row["installs"][0] == 2
    assert row["readings"][0] == 0
    assert 0.05 < row["worse_than_fleet_p"][0] < 0.95
    assert row["rate_sd"][0] > rates["rate_sd"].max()


def test_the_estimator_predicts_unknown_groups_from_those_above():
    rng = np.random.default_rng(0)
    group = np.repeat(np.arange(30), 8)
    hours = np.tile(np.arange(8) * 1000.0, 30)
    y = 1 + rng.normal(0, 0.5, 30)[group] + 0.2 * hours / 1000 + rng.normal(0, 0.05, len(group))
    X = np.column_stack([group % 3, group, hours])
    model = clone(DriftModel()).fit(X, y)
    inside, sd_inside = model.predict(np.array([[0, 0, 4000.0]]), return_std=True)
    outside, sd_outside = model.predict(np.array([[0, 77, 4000.0], [9, 77, 4000.0]]), return_std=True)
    assert sd_inside[0] < 0.1 < sd_outside[0] <= sd_outside[1] * 1.0001
    assert abs(inside[0] - y[(group == 0) & (hours == 4000)][0]) < 0.3
    assert abs(outside[1] - (1 + 0.8)) < 0.5
    with pytest.raises(ValueError, match="above 0"):
        DriftModel(power=-1).fit(X, y)


def test_model_rates_of_bent_drift_are_those_from_clean():
    """Stretches that were running when the records began are fitted as straight lines: their rate is a late one, and
    no part of the model's."""
    made = fleet(installs=500, seed=77, gamma=1.4, unknown=0.6)
    fit = fit_series(made.inputs, FitOptions(gammas=(1.0, 1.4), pace=False, analysers=False))
    assert set(fit.gamma.values()) == {1.4}
    assert any(t.how == "aged" for t in fit.terms.terms)
    model_of = made.inputs.installs.select(pl.col("install_no").cast(pl.Int64), "model_no")
    true = made.truth.join(model_of, on="install_no").group_by("model_no").agg(pl.col("rate").mean()).sort("model_no")
    rates = model_rates(fit)
    # the change of the first 2,000 h, per 1,000 h
    error = true["rate"].to_numpy() * 2.0**0.4 - rates["rate"].to_numpy()
    assert np.abs(error.mean()) < 3 * np.sqrt(np.mean(rates["rate_sd"].to_numpy() ** 2) / len(error)) + 0.004
    assert np.mean((error / rates["rate_sd"].to_numpy()) ** 2) < 2.5


def test_how_often_open_visits_had_done_the_work_is_told_from_what_followed():
    """Some 70 % where work goes unrecorded; next to none where the cell is left empty when nothing was done."""
    hidden = fit_series(fleet(installs=500, seed=22, unrecorded=0.3).inputs, replace(PLAIN, breaks=True))
    made = fleet(installs=500, seed=22)
    found = (pl.col("stage_order") == 0) & (pl.col("day") % 2 == 0)
    worked = made.inputs.cycles.select("install_no", day="opened_day").with_columns(worked=True)
    readings = made.inputs.readings.join(worked, on=["install_no", "day"], how="left", maintain_order="left")
    readings = readings.with_columns(unsure=found & pl.col("worked").is_null()).drop("worked")
    habit = fit_series(replace(made.inputs, readings=readings), replace(PLAIN, breaks=True))
    assert 0.5 < hidden.open_share < 0.9
    assert habit.open_share < 0.05


def test_fixed_effects_taken_off_by_kind_are_those_of_their_columns():
    made = fleet(installs=300, seed=4, unrecorded=0.2, outliers=0.01)
    metal = pl.when(pl.col("install_no") % 2 == 0).then(pl.lit("stainless")).otherwise(pl.lit("aluminium"))
    inputs = replace(made.inputs, installs=made.inputs.installs.with_columns(material=metal))
    fit = fit_series(inputs, FitOptions(gammas=(1.0, 1.4)))
    forest = Forest.of(seen_cycles(fit.inputs, fit.readings), install_frame(fit.inputs))
    assert {"carry", "opened", "number"} <= {term.how for term in fit.terms.terms}
    assert {"carry", "opened"} <= {term.how for term in fit.terms.terms if term.name}  # some for a material alone
    built_up = built_up_before(fit, forest)
    expected = np.zeros((2, forest.size))
    for b, (component, x) in zip(fit.beta, fit.terms.columns(forest, built_up), strict=True):
        expected[component] += 0 if x is None else b * x
    np.testing.assert_allclose(fixed_values(fit.terms, fit.beta, forest, built_up), expected, rtol=1e-12, atol=1e-14)


def test_covariates_are_centred_on_installs_however_many_cycles_they_have(plain):
    made, fit = plain
    read = made.inputs.readings["install_no"].unique()
    hardness = (
        made.inputs.installs.filter(pl.col("install_no").is_in(read.implode()))["hardness"].drop_nans().drop_nulls()
    )
    (term,) = (t for t in fit.terms.terms if t.name == "hardness")
    assert term.centre == pytest.approx(hardness.mean())
    assert term.spread == pytest.approx(hardness.std(ddof=0))


def test_sums_of_cycles_whose_readings_weigh_differently_are_those_made_of_all():
    inputs = fleet(installs=80, seed=12).inputs
    readings = Readings.of(inputs)
    forest = Forest.of(seen_cycles(inputs, readings), install_frame(inputs))
    fit = start(inputs, readings, FitOptions(), forest)
    known = tree_sums(fit, forest)
    for every, made_of_all in ((23, False), (2, True)):
        weight = np.ones(len(readings.z))
        weight[::every] = 0.3
        again = replace(fit, readings=replace(readings, weight=weight))
        lines, runs = reading_lines(again, forest), forest.runs(readings)
        assert (reweighed(known, readings.weight, again.readings, lines, runs) is None) == made_of_all
        found = tree_sums(again, forest)
        forest.last_sums = None
        expected = tree_sums(again, forest)
        for name, values in vars(expected).items():
            np.testing.assert_array_equal(getattr(found, name), values, err_msg=name)
        assert np.any(expected.w != known.w)
        forest.last_sums = None
        tree_sums(fit, forest)


@pytest.mark.parametrize("power", [1.0, 0.5, 1.4])
def test_without_groups_the_estimator_is_least_squares(power):
    rng = np.random.default_rng(3)
    hours = rng.uniform(0, 6000, 40)
    clock = (hours / 1000) ** power
    y = 1.5 + 0.2 * clock + rng.normal(0, 0.05, 40)
    model = DriftModel(power=power).fit(hours[:, None], y)
    line, cov = np.polyfit(clock, y, 1, cov=True)
    assert model.coef_ == pytest.approx(line[::-1])
    assert model.coef_cov_ == pytest.approx(cov[::-1, ::-1])
    assert model.predict(np.array([[2500.0]])) == pytest.approx(np.polyval(line, 2.5**power))
    with pytest.raises(ValueError, match="at least 0"):
        DriftModel(prior_nodes=-1.0).fit(hours[:, None], y)


def test_a_level_told_by_its_own_readings_goes_with_the_rate_as_algebra_says():
    """level = mean z - mean tau * rate + error: mean and covariance of a linear function of independent ones."""
    w, tbar, zbar, sigma = np.array([3.0, 8.0]), np.array([1.2, 0.4]), np.array([2.5, 2.1]), 0.07
    rate, of_rate = np.array([0.2, 0.3]), np.array([0.01, 0.04])
    mean, cov = np.stack([np.zeros(2), rate]), np.stack([np.zeros(2), np.zeros(2), of_rate])
    from_own(mean, cov, np.arange(2), np.stack([w, tbar, zbar]), sigma)
    for k in range(2):
        by = np.array([[-tbar[k], 1.0], [1.0, 0.0]])  # of rate and error, to level and rate
        expected = by @ np.diag([of_rate[k], sigma**2 / w[k]]) @ by.T
        assert cov[:, k] == pytest.approx([expected[0, 0], expected[0, 1], expected[1, 1]])
        assert mean[:, k] == pytest.approx([zbar[k] - tbar[k] * rate[k], rate[k]])
