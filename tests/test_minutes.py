"""Expected minutes of a visit, against minutes drawn from known tasks, and beside the standard times."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy import sparse
from sklearn import linear_model
from sklearn.metrics import mean_absolute_error

from models.plan.minutes import (
    BASE_MINUTES,
    EXCHANGER_MINUTES,
    RIDGE,
    TRAP_MINUTES,
    Ridge,
    fit_minutes,
    standard_minutes,
)


def drawn(n: int, seed: int, noise: float = 6.0, models: int = 6) -> tuple[pl.DataFrame, np.ndarray]:
    """Visits with minutes from known times per task, purpose and model; and the minutes without the noise."""
    rng = np.random.default_rng(seed)
    model = rng.integers(0, models, n)
    kind = rng.integers(0, 4, n)
    trap, media, electrodes, burner = (rng.random(n) < 0.4 for _ in range(4))
    purpose = rng.integers(0, 2, n)
    true = (
        33
        + 4 * model
        + np.array([0, 22, 35, 60])[kind]
        + 13 * trap
        + 9 * media
        + 6 * electrodes
        + 17 * burner
        + 25 * purpose
    )
    seen = true + rng.normal(0, noise, n)
    return pl.DataFrame({
        "model_no": model, "purpose": np.array(["annual", "breakdown"])[purpose],
        "exchanger_cleaning": np.array(["none", "rinse", "brush", "chemical"])[kind], "trap_cleaned": trap,
        "media_renewed": media, "electrodes_cleaned": electrodes, "burner_adjusted": burner, "minutes_on_site": seen,
        "base_visit_minutes": [40.0] * n, "exchanger_cleaning_minutes": [30.0] * n, "trap_cleaning_minutes": [10.0] * n,
    }), true  # fmt: skip


def test_the_regression_finds_the_times_that_visits_were_drawn_with() -> None:
    visits, _ = drawn(4000, seed=1)
    fitted = fit_minutes(visits)
    fresh, true = drawn(500, seed=2)
    assert fitted.used == "regression"
    # 4,000 visits with noise of 6 min leave 20 coefficients uncertain by well under a minute; the ridge bends them
    # as little.
    assert np.abs(fitted.predict(fresh) - true).max() < 1.5


@pytest.mark.parametrize("shape", [(400, 30), (50, 200)])
def test_the_regression_is_the_one_of_a_reference_library(shape: tuple[int, int]) -> None:
    """Judge: scikit-learn's Ridge, by Cholesky of the dense columns."""
    rng = np.random.default_rng(shape[0])
    x, y = rng.random(shape) * (rng.random(shape) < 0.2), rng.normal(40, 20, shape[0])
    judge = linear_model.Ridge(alpha=RIDGE, solver="cholesky").fit(x, y)
    found = Ridge.fit(sparse.csr_matrix(x), y)
    assert found.weights == pytest.approx(judge.coef_, abs=1e-6)
    assert found.intercept == pytest.approx(judge.intercept_, abs=1e-6)


def test_the_stated_error_is_the_error_on_visits_not_seen() -> None:
    visits, _ = drawn(1500, seed=3)
    fitted = fit_minutes(visits)
    fresh, _ = drawn(6000, seed=4)
    on_fresh = mean_absolute_error(fresh["minutes_on_site"], fitted.predict(fresh))
    assert fitted.mae == pytest.approx(
        on_fresh, rel=0.06
    )  # both are means over thousands: a standard error of 1 to 2 %
    # A normal error of 6 min has a mean absolute value of 6 sqrt(2 / pi) = 4.79 (closed form).
    assert fitted.mae == pytest.approx(6 * np.sqrt(2 / np.pi), rel=0.06)
    assert abs(fitted.bias) < 0.5


def test_few_visits_fall_back_on_standard_times() -> None:
    visits, _ = drawn(40, seed=5)
    fitted = fit_minutes(visits)
    assert fitted.used == "standard times"
    assert np.isnan(fitted.mae)
    assert fitted.predict(visits) == pytest.approx(standard_minutes(visits))


def test_standard_times_stay_where_they_err_less() -> None:
    visits, _ = drawn(400, seed=6)
    exact = visits.with_columns(pl.Series("minutes_on_site", standard_minutes(visits)))
    assert fit_minutes(exact).used == "standard times"


def test_standard_times_add_up_and_defaults_fill_in() -> None:
    visits = pl.DataFrame({
        "exchanger_cleaning": ["brush", "none", None], "trap_cleaned": [True, None, False],
        "media_renewed": [False] * 3,
        "electrodes_cleaned": [None] * 3, "burner_adjusted": [False] * 3, "base_visit_minutes": [50.0, None, None],
        "exchanger_cleaning_minutes": [25.0, None, None], "trap_cleaning_minutes": [None, 7.0, None]},
        schema_overrides={"electrodes_cleaned": pl.Boolean})  # fmt: skip
    assert standard_minutes(visits).tolist() == [50 + 25 + TRAP_MINUTES, BASE_MINUTES, BASE_MINUTES]
    brushed = visits.with_columns(exchanger_cleaning=pl.lit("brush"))
    assert standard_minutes(brushed)[2] == BASE_MINUTES + EXCHANGER_MINUTES


def test_a_model_without_past_visits_gets_the_tasks_times() -> None:
    visits, _ = drawn(3000, seed=7)
    fitted = fit_minutes(visits.filter(pl.col("model_no") != 3))
    fresh, true = drawn(300, seed=8)
    unseen = fresh["model_no"].to_numpy() == 3
    expected = fitted.predict(fresh)[unseen]
    assert np.abs(expected - true[unseen]).mean() < 4  # the model's own 12 min lie near the mean of the others', 10.4
    assert fitted.predict(fresh.with_columns(model_no=pl.lit(99))).min() > 5


def test_absurd_minutes_do_not_bend_the_fit() -> None:
    visits, _ = drawn(1000, seed=9)
    typed = visits.with_columns(
        pl.when(pl.int_range(pl.len()) % 50 == 0).then(54_000.0).otherwise("minutes_on_site").alias("minutes_on_site")
    )
    fresh, true = drawn(300, seed=10)
    assert np.abs(fit_minutes(typed).predict(fresh) - true).max() < 3


def test_the_times_of_the_kinds_of_cleaning_come_from_the_visits() -> None:
    visits, _ = drawn(4000, seed=11)
    added = fit_minutes(visits).of_cleaning(visits.head(500))
    assert added == pytest.approx({"rinse": 22, "brush": 35, "chemical": 60}, abs=1.5)


def test_a_kind_of_cleaning_that_was_never_recorded_is_not_taken_for_a_quick_one() -> None:
    visits, _ = drawn(3000, seed=12)
    seen = visits.filter(pl.col("exchanger_cleaning") != "chemical")
    assert fit_minutes(seen).of_cleaning(visits.head(500))["chemical"] >= 30  # the model's standard time
