"""What work restores, on fleets where the share is known."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from drift_fleet import fleet

from models.cleaning import cleaning_effects
from models.drift import fit_series
from models.series import FitOptions

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
