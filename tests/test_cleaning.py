"""What work restores, on fleets where the share is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from drift_fleet import fleet
from made_store import made_store
from scipy.integrate import dblquad

from models.cleaning import BETWEEN, between_designs, cleaning_effects
from models.drift import fit_series
from models.series import FitOptions
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


def test_designs_are_drawn_together_as_the_integral_over_mean_and_spread_says():
    """Against adaptive quadrature over both (scipy), flat in the mean and half-normal in the spread."""
    share, sd = np.array([0.62, 0.55, 0.71, 0.58]), np.array([0.02, 0.05, 0.04, 0.015])

    def weight(mean: float, tau: float) -> float:
        variance = tau**2 + sd**2
        fits = np.sum((share - mean) ** 2 / variance + np.log(variance)) + (tau / BETWEEN) ** 2
        return float(np.exp(-0.5 * fits))

    def integral(of) -> float:
        return dblquad(lambda mean, tau: of(mean, tau) * weight(mean, tau), 0, 0.4, 0.3, 0.9, epsabs=1e-9)[0]

    value, variance = between_designs(share, sd**2)
    whole = integral(lambda mean, tau: 1.0)
    for k in range(len(share)):
        drawn = lambda mean, tau, k=k: (tau**2 * share[k] + sd[k] ** 2 * mean) / (tau**2 + sd[k] ** 2)
        squared = lambda mean, tau, k=k, of=drawn: of(mean, tau) ** 2 + tau**2 * sd[k] ** 2 / (tau**2 + sd[k] ** 2)
        expected, square = integral(drawn) / whole, integral(squared) / whole
        assert value[k] == pytest.approx(expected, abs=2e-4)
        assert variance[k] == pytest.approx(square - expected**2, rel=0.01)


def test_one_design_alone_stays_as_it_was_measured():
    value, variance = between_designs(np.array([0.6]), np.array([0.03**2]))
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
        "select opened_by, also_cleaned from drift_cycles where series_no = 3 and cycle_no > 0 order by cycle_no"
    )
    assert rows == [
        ("adjusted", False),
        ("adjusted and cleaned", True),
        ("brush", says_no),
        ("adjusted", True),
        ("rinse", False),
    ]
    flue = store.rows(
        "select opened_by, also_cleaned from drift_cycles where series_no = 0 and cycle_no > 0 order by all"
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
