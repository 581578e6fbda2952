"""Fleets with hundreds or thousands of appliance models: what is looked at, and how many columns a fit has, stay
bounded."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from drift_fleet import fleet

from models.drift.cycle_sums import Forest, Readings
from models.drift.exponents import late_stretches
from models.drift.fit import AT_MOST_WANTED, FEWEST_OF_MODEL, LEAST_OF_MODEL, fit_series, sampled
from models.drift.series import FitOptions
from models.drift.states import install_frame, seen_cycles
from models.known.rates import model_rates


@pytest.mark.parametrize(
    ("models", "of_each"),
    [(20, 200), (400, FEWEST_OF_MODEL), (1_000, 8), (2_000, LEAST_OF_MODEL), (5_000, LEAST_OF_MODEL)],
)
def test_a_sample_stays_small_whatever_the_number_of_models(models: int, of_each: int) -> None:
    """Of 40,000 installs some 4,000 are wanted, and twice as many looked at at most: a tenth of each of few models, 12
    of more, as many of each as twice 4,000 allow, at last 4 of every so many-th model."""
    wanted, number = 4_000, np.arange(40_000)
    installs = pl.DataFrame(
        {"install_no": number, "model_no": number % models, "design_no": (number % models) // 3}
    ).cast(pl.Int32)
    found = sampled(number, installs, wanted)
    model, many = np.unique(found % models, return_counts=True)
    expected = min(of_each, 40_000 // models)
    assert len(found) <= AT_MOST_WANTED * wanted
    if models * expected <= AT_MOST_WANTED * wanted:
        assert len(model) == models
        assert len(found) >= wanted
    else:  # spread evenly over the models, which lie by design
        assert np.diff(model).max() == -(-models * expected // (AT_MOST_WANTED * wanted))
        assert len(found) > 0.9 * AT_MOST_WANTED * wanted
    assert set((many - expected).tolist()) <= {-1, 0, 1}


def late_terms(designs: int, gamma: float) -> tuple[Forest, dict[int, float], list[list[int]]]:
    inputs = fleet(installs=600, seed=5, unknown=0.6, models=designs, designs=designs).inputs
    readings = Readings.of(inputs)
    forest = Forest.of(seen_cycles(inputs, readings), install_frame(inputs))
    exponents = {int(d): gamma if d % 2 else 1.0 for d in forest.designs}
    terms = late_stretches(exponents, forest, np.ones(forest.size))
    columns = np.stack([t.values(forest) for t in terms])
    late = (forest.cycles["opened_by"] == "unknown").to_numpy()
    bent = forest.cycles["design_no"].is_in([d for d, g in exponents.items() if g != 1.0]).to_numpy()
    # each late stretch of a bent design has one of the columns, others have none
    np.testing.assert_array_equal(columns.sum(axis=0), late & bent)
    return forest, exponents, [[int(d) for d in t.value.split(",")] for t in terms]


def test_few_bent_designs_have_a_rate_of_their_own_in_late_stretches() -> None:
    _, exponents, terms = late_terms(8, 1.4)
    assert terms == [[d] for d, g in exponents.items() if g != 1.0]


def test_many_bent_designs_share_one() -> None:
    _, exponents, terms = late_terms(120, 1.4)
    assert terms == [[d for d, g in exponents.items() if g != 1.0]]


def test_rates_of_many_bent_designs_are_those_from_clean() -> None:
    """Truth of the made fleet: all designs bend alike, and share what their late stretches differ by."""
    made = fleet(installs=900, seed=78, gamma=1.4, unknown=0.6, models=60, designs=60)
    fit = fit_series(made.inputs, FitOptions(gammas=(1.0, 1.4), pace=False, analysers=False))
    assert sum(g == 1.4 for g in fit.gamma.values()) > 40
    assert sum(t.how == "aged" for t in fit.terms.terms) == 1
    model_of = made.inputs.installs.select(pl.col("install_no").cast(pl.Int64), "model_no")
    true = made.truth.join(model_of, on="install_no").group_by("model_no").agg(pl.col("rate").mean()).sort("model_no")
    rates = model_rates(fit).sort("model_no")
    bent = np.array([fit.gamma[d] == 1.4 for d in range(60)])  # of each design, one model
    error = true["rate"].to_numpy() * 2.0**0.4 - rates["rate"].to_numpy()
    assert np.mean((error / rates["rate_sd"].to_numpy())[bent] ** 2) < 2.0
