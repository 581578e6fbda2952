"""The forecasts tried on the past: honest about what was known, and scored as other software scores."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import brier_score_loss, log_loss, roc_auc_score
from statsmodels.stats.proportion import proportion_confint

from models.clock.hours import Installs, LoadCalendar, day_number
from models.drift.fit import fit_series
from models.drift.series import FitOptions, SeriesInputs
from models.known.posteriors import posterior
from models.trial.backtest import Attempt, Tried, attempted, backtest_piece, carried, drift_guess, scored, trees_piece
from models.trial.baselines import Lesson, base_rate, boosted_trees, common_drift, own_line, pooled_slope
from models.trial.past import Counted, History, features, reading_edges, reading_step, stand_at
from models.trial.scores import bins, score, wilson
from pipeline.stages import past_forecasts

AS_OF = day_number(date(2025, 1, 1))
QUICK = FitOptions(gammas=(1.0,), robust_rounds=0, analysers=False, pace=False, breaks=False, covariates=False)


def test_scores_are_those_of_scikit_learn_and_statsmodels():
    rng = np.random.default_rng(3)
    chance = rng.beta(1, 4, 2000)
    event = rng.random(2000) < chance**1.2
    ours = score(chance, event)
    p = np.clip(chance, 1e-4, 1 - 1e-4)
    assert ours.brier == pytest.approx(brier_score_loss(event, chance))
    assert ours.log_score == pytest.approx(log_loss(event, p))
    assert ours.auc == pytest.approx(roc_auc_score(event, chance))
    fitted = LogisticRegression(C=np.inf, tol=1e-10).fit(np.log(p / (1 - p))[:, None], event)
    assert ours.calibration_slope == pytest.approx(fitted.coef_[0, 0], rel=1e-4)
    assert ours.calibration_intercept == pytest.approx(fitted.intercept_[0], rel=1e-3)
    assert wilson(0.1, 40) == pytest.approx(proportion_confint(4, 40, method="wilson"))
    table = bins(chance, event)
    assert sum(b["n"] for b in table) == 2000
    assert all(b["low"] <= b["observed"] <= b["high"] for b in table)


def test_a_handful_of_events_is_not_scored_for_order():
    for event in (np.arange(50) > 46, np.arange(50) > 2):  # nor a handful of readings that stayed
        few = score(np.linspace(0, 0.4, 50), event)
        assert few.events in (3, 47)
        assert few.auc is None
        assert few.calibration_slope is None
        assert few.brier > 0


def test_readings_written_in_steps_are_out_only_beyond_the_next_step():
    assert reading_step(np.array([5.1, 6.0, 7.3, 6.4] * 10)) == 0.1
    assert reading_step(np.array([5.0, 6.5, 7.0, 6.5] * 10)) == 0.5
    assert reading_step(np.random.default_rng(0).normal(5, 1, 100)) is None
    inputs = fleet(2)[0]
    written = replace(
        inputs,
        transform="identity",
        readings=inputs.readings.with_columns(value=pl.Series(np.round(np.linspace(4, 8, inputs.readings.height), 1))),
    )
    low, high = reading_edges(np.array([5.0, -np.inf]), np.array([10.0, np.inf]), written)
    assert low.tolist() == pytest.approx([4.95, -np.inf])
    assert high.tolist() == pytest.approx([10.05, np.inf])


def fleet(installs: int, seed: int = 1, years: int = 9, bias: tuple[float, ...] = ()):
    """Installs visited once a year whose gap drifts upward and is brought down by a cleaning now and then. bias: of
    each analyser, in K; without any no analyser is named."""
    rng = np.random.default_rng(seed)
    calendar = LoadCalendar(np.full((1, 12), 1 / 12))
    start = day_number(date(2025 - years, 1, 1))
    readings, cycles, visits = [], [], []
    visit_no = 0
    for i in range(installs):
        per_year = 1500 * np.exp(0.2 * rng.standard_normal())
        rate = 0.15 + 0.06 * rng.standard_normal()
        level, cycle, opened = np.log(9) + 0.1 * rng.standard_normal(), 0, 0.0
        cycles.append((i, 0, "new", start, None, None))
        first = int(rng.integers(0, 365))
        for year in range(years):
            day = start + first + 365 * year
            hours = per_year * (day - start) / 365.25
            z = level + rate * (hours - opened) / 1000
            value = float(np.exp(z + 0.06 * rng.standard_normal()))
            analyser = int(rng.integers(len(bias))) if bias else None
            value += bias[analyser] if bias else 0.0
            visits.append((visit_no, i, day, float(round(hours))))
            readings.append((i, cycle, day, hours - opened, value, 0, analyser, visit_no))
            if value > 22 or rng.random() < 0.25:
                cycle, opened = cycle + 1, hours
                level = np.log(9) + 0.1 * rng.standard_normal()
                cycles.append((i, cycle, "brush", day, value, visit_no))
                left = float(np.exp(level + 0.06 * rng.standard_normal()))
                left += bias[analyser] if bias else 0.0
                readings.append((i, cycle, day, 0.0, left, 1, analyser, visit_no))
            visit_no += 1
    frame = pl.DataFrame(
        sorted(readings, key=lambda r: (r[0], r[1], r[2], r[5])), orient="row",
        schema={"install_no": pl.Int32, "cycle_no": pl.Int32, "day": pl.Int32, "hours": pl.Float64, "value": pl.Float64,
                "stage_order": pl.Int8, "analyser_no": pl.Int32, "visit_no": pl.Int64},
    )  # fmt: skip
    opened_by = pl.DataFrame(
        cycles, orient="row",
        schema={"install_no": pl.Int32, "cycle_no": pl.Int32, "opened_by": pl.String, "opened_day": pl.Int32,
                "value_before": pl.Float64, "opened_visit_no": pl.Int64},
    )  # fmt: skip
    of_install = pl.DataFrame(
        {
            "install_no": range(installs),
            "model_no": [i % 4 for i in range(installs)],
            "design_no": [i % 2 for i in range(installs)],
        },
        schema={"install_no": pl.Int32, "model_no": pl.Int32, "design_no": pl.Int32},
    )
    inputs = SeriesInputs(0, "flue_over_return_k", "high", "log", "up", frame, opened_by, of_install)
    number = np.arange(installs)
    no, at, day, counter = (np.array(c) for c in zip(*visits, strict=True))
    known = Installs(number % 4, number % 2, number * 0, np.full(installs, start), np.full(installs, np.nan))
    return inputs, Counted(number, known, no, at, day, counter, calendar, np.full(installs, start))


def test_nothing_that_came_later_enters_what_was_known():
    inputs, counted = fleet(40)
    origin = AS_OF - 700
    changed = replace(
        inputs,
        readings=inputs.readings.with_columns(
            value=pl.when(pl.col("day") > origin).then(pl.col("value") * 7).otherwise(pl.col("value"))
        ),
    )
    recounted = replace(counted, counter=np.where(counted.day > origin, counted.counter * 3, counted.counter))
    told, other = (stand_at(origin, History.of(i, c)) for i, c in ((inputs, counted), (changed, recounted)))
    assert told.inputs.readings.equals(other.inputs.readings)
    assert told.open.equals(other.open)
    assert told.clock.hours_per_year == pytest.approx(other.clock.hours_per_year)
    limits = np.full(40, -np.inf), np.full(40, np.log(26))
    now, _ = features(told, counted, *limits, limits)
    then, event = features(other, recounted, *limits, limits)
    assert event.mean() > 0.9  # the readings to be forecast did change
    ranges = pl.DataFrame({"install_no": np.arange(40, dtype=np.int32), "low": limits[0], "high": limits[1]})
    ours, theirs = (
        drift_guess(fit_series(o.inputs, QUICK), o, n, c, ranges)
        for o, n, c in ((told, now, counted), (other, then, recounted))
    )
    assert ours.chance == pytest.approx(theirs.chance)


def test_nothing_later_and_no_later_install_is_known():
    inputs, counted = fleet(40)
    day = day_number(date(2020, 6, 30))
    years = pl.Series([2021 if i % 4 == 1 else None if i % 4 == 2 else 2020 for i in range(40)], dtype=pl.Int32)
    inputs = replace(inputs, installs=inputs.installs.with_columns(installed_year=years))
    told = stand_at(day, History.of(inputs, counted))
    there = [i for i in range(40) if i % 4 != 1]
    for rows in (told.inputs.readings, told.inputs.cycles, told.inputs.installs, told.open):
        assert sorted(set(rows["install_no"])) == there
    assert told.inputs.readings["day"].max() <= day < inputs.readings["day"].max()
    assert told.inputs.cycles["opened_day"].max() <= day < inputs.cycles["opened_day"].max()
    assert told.found["day"].min() > day
    expected = inputs.readings.filter(pl.col("day") <= day, pl.col("install_no").is_in(there))
    assert told.inputs.readings.select("install_no", "day", "value").equals(
        expected.select("install_no", "day", "value")
    )


def test_only_the_next_found_reading_of_the_open_cycle_is_forecast():
    inputs, counted = fleet(40)
    origin = stand_at(AS_OF - 900, History.of(inputs, counted))
    later = inputs.readings.filter((pl.col("day") > origin.day) & (pl.col("stage_order") == 0))
    following = later.sort("day").group_by("install_no").first().select("install_no", "day", "cycle_no")
    checked = origin.found.join(following, on="install_no", suffix="_next").join(
        origin.open.select("install_no", pl.col("cycle_no").alias("open_no")), on="install_no"
    )
    assert origin.found.height > 30
    assert (checked["day"] == checked["day_next"]).all()
    assert (checked["cycle_no"] == checked["open_no"]).all()
    months = dict(origin.found.group_by("months").agg((pl.col("day") - origin.day).max()).iter_rows())
    assert months[6] < 274 <= months[12] < 457


def test_baselines_do_what_their_names_say():
    inputs, counted = fleet(60)
    limits = np.full(60, -np.inf), np.full(60, np.log(26))
    before, now = (
        features(stand_at(AS_OF - d, History.of(inputs, counted)), counted, *limits, limits) for d in (1500, 900)
    )
    rate = base_rate(before[0], before[1], now[0])
    for months in (6, 12):
        share = before[1][(before[0]["months"] == months).to_numpy()].mean()
        assert rate.chance[(now[0]["months"] == months).to_numpy()] == pytest.approx(share, abs=0.03)
    slope = pooled_slope(stand_at(AS_OF, History.of(inputs, counted)).inputs.readings)
    # One slope and a level of its own for every cycle, as one least-squares problem.
    cycle, z, h = (
        inputs.readings.select(
            pl.struct("install_no", "cycle_no").rank("dense"), pl.col("value").log(), pl.col("hours") / 1000
        )
        .to_numpy()
        .T
    )
    design = np.column_stack([cycle[:, None] == np.unique(cycle)[None, :], h])
    assert slope == pytest.approx(np.linalg.lstsq(design, z, rcond=None)[0][-1], rel=1e-3)
    guess = common_drift(before[0], now[0], slope, rate.chance)
    row = now[0].row(0, named=True)
    middle = row["last_z"] + slope * (row["then_h"] - row["last_h"])
    assert (guess.low[0] + guess.high[0]) / 2 == pytest.approx(middle)
    line = own_line(before[0], now[0], rate.chance)
    many = now[0].with_row_index().filter(pl.col("count") > 1)["index"].to_list()[0]
    readings = stand_at(AS_OF - 900, History.of(inputs, counted))
    own = readings.inputs.readings.join(readings.open, on=["install_no", "cycle_no"], how="semi").filter(
        pl.col("install_no") == now[0]["install_no"][many]
    )
    fitted = np.polyfit(own["hours"].to_numpy() / 1000, np.log(own["value"].to_numpy()), 1)
    assert (line.low[many] + line.high[many]) / 2 == pytest.approx(np.polyval(fitted, now[0]["then_h"][many]))


def test_a_fit_carried_to_later_readings_is_near_one_made_anew():
    inputs, counted = fleet(80)
    early, late = (stand_at(AS_OF - d, History.of(inputs, counted)).inputs for d in (1100, 200))
    options = replace(QUICK, robust_rounds=1)
    moved, anew = carried(fit_series(early, options), late), fit_series(late, options)
    asked = late.cycles.group_by("install_no", maintain_order=True).last()
    ours, theirs = (posterior(f, asked) for f in (moved, anew))
    gap = (ours["m1"] - theirs["m1"]).abs() / theirs["v11"].sqrt()
    assert gap.median() < 0.3
    assert ours["readings"].equals(theirs["readings"])


def tried_on_its_past(inputs: SeriesInputs, counted: Counted, low: np.ndarray, high: np.ndarray) -> Tried:
    attempt = attempted(inputs, counted, low, high, AS_OF, seed=0)
    return scored(attempt, boosted_trees(attempt.lessons, 0))


def test_on_a_made_fleet_the_forecasts_beat_the_simpler_ways_and_come_true():
    inputs, counted = fleet(250)
    tried = tried_on_its_past(inputs, counted, np.full(250, -np.inf), np.full(250, np.log(22)))
    rows = {(s["horizon_months"], s["method"]): s for s in tried.scores}
    ours = rows[6, "foulcast"]
    assert ours["events"] > 40
    for method in ("base_rate", "own_line", "common_drift", "boosted_trees"):
        assert ours["brier"] < rows[6, method]["brier"]
    # About 700 forecasts: the standard error of the coverage is 0.015, that of the slope 0.1.
    assert ours["coverage80"] == pytest.approx(0.8, abs=0.05)
    assert ours["calibration_slope"] == pytest.approx(1.0, abs=0.3)
    assert {b["horizon_months"] for b in tried.bins} == {6, 12}


def test_readings_to_come_carry_the_bias_of_some_analyser():
    inputs, counted = fleet(400, bias=(0.0, 0.0, 0.0, 5.0, 0.0, -4.0))
    tried = tried_on_its_past(inputs, counted, np.full(400, -np.inf), np.full(400, np.log(22)))
    ours = next(s for s in tried.scores if s["method"] == "foulcast" and s["horizon_months"] == 6)
    # About 1,100 forecasts: the standard error of the coverage is 0.012. With the reading's own error alone it is 0.55.
    assert ours["coverage80"] == pytest.approx(0.8, abs=0.04)
    assert ours["calibration_slope"] == pytest.approx(1.0, abs=0.3)


def test_too_short_a_history_is_said_not_scored():
    inputs, counted = fleet(6, years=2)
    tried = tried_on_its_past(inputs, counted, np.full(6, -np.inf), np.full(6, np.log(26)))
    assert tried.scores == []
    assert "flue_over_return_k high: too few later readings" in tried.note


def test_boosted_trees_are_those_of_the_library_whoever_grows_them():
    """Judge: scikit-learn asked directly, on the rows known at the one origin that is learnt from."""
    rng = np.random.default_rng(4)
    past, now = rng.normal(size=(400, 3)), rng.normal(size=(60, 3))
    past[:, 1], past[::7, 2] = 5.0, np.nan  # a column that tells nothing, and one that is not always known
    event, base = past[:, 0] + rng.normal(size=400) > 1, np.full(60, 0.25)
    lessons = [Lesson(past, event, now, base), Lesson(None, event, now[:20], base[:20])]
    judge = HistGradientBoostingClassifier(
        max_iter=60, learning_rate=0.08, max_leaf_nodes=8, min_samples_leaf=20, l2_regularization=1.0,
        early_stopping=False, random_state=3,
    ).fit(past[:, [0, 2]], event)  # fmt: skip
    expected = judge.predict_proba(now[:, [0, 2]])[:, 1]
    ((first, second),) = trees_piece([(lessons, 3)])
    assert first == pytest.approx(expected)
    assert second == pytest.approx(expected[:20])
    few = Lesson(past, np.arange(400) < 4, now, base)
    assert boosted_trees([few], 3)[0] is base


def test_trees_are_the_same_grown_at_once_or_later(monkeypatch):
    inputs, counted = fleet(150)
    piece = inputs, counted, np.full(150, -np.inf), np.full(150, np.log(22)), AS_OF, 5
    at_once = backtest_piece(piece)  # scikit-learn has been imported here
    assert at_once.trees is not None
    assert at_once.lessons == []
    monkeypatch.setattr("models.trial.backtest.trees_at_hand", lambda: False)
    later = backtest_piece(piece)
    assert later.trees is None
    (grown,) = trees_piece([(later.lessons, later.seed)])
    assert scored(at_once, at_once.trees) == scored(later, grown)


@pytest.mark.parametrize(("most", "pieces"), [(10**6, [3]), (100, [1, 2])])
def test_a_small_fleets_lessons_are_one_piece(monkeypatch, most, pieces):
    monkeypatch.setattr(past_forecasts, "LESSONS_A_PIECE", most)
    learn = lambda n: [Lesson(np.zeros((n, 2)), np.zeros(n, bool), np.zeros((1, 2)), np.zeros(1))]
    attempts = [Attempt({}, [], lessons, k) for k, lessons in enumerate([learn(90), learn(90), []])]
    made = past_forecasts.lessons_of(attempts)
    assert [len(piece) for piece in made] == pieces
    assert [seed for piece in made for _, seed in piece] == [0, 1, 2]
    assert past_forecasts.lessons_of([]) == []
