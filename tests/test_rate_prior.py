"""What is told of drift that hardly anybody has read yet."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from drift_fleet import Made, fleet

from models.drift.fit import fit_series
from models.drift.series import FitOptions
from models.known.posteriors import posterior

OPTIONS = FitOptions(gammas=(1.0,), breaks=False, pace=False, analysers=False)


def read_once(made: Made, worse: str = "up") -> Made:
    first = made.inputs.readings.unique("install_no", keep="first", maintain_order=True)
    return replace(made, inputs=replace(made.inputs, readings=first, worse=worse))


@pytest.mark.parametrize(("worse", "rate"), [("up", 0.06), ("down", -0.06), ("both", 0.0)])
def test_what_was_read_once_is_taken_to_drift_towards_its_limit(worse: str, rate: float) -> None:
    """The prior as it stands in `priors` (own judgement): readings of one day each say nothing of rates."""
    once = read_once(fleet(installs=60, seed=3, unknown=1.0), worse)
    told = posterior(fit_series(once.inputs, OPTIONS), once.open_cycles)
    assert told["m1"].to_numpy() == pytest.approx(rate, abs=0.01)
    assert (told["v11"].sqrt() > 0.1).all()


def test_few_readings_that_say_otherwise_are_believed() -> None:
    made = fleet(installs=3, seed=5, unknown=0.0)
    falls = made.inputs.readings.with_columns(value=400 / pl.col("value"))
    told = posterior(fit_series(replace(made.inputs, readings=falls), OPTIONS), made.open_cycles)
    assert (told["m1"] < -0.05).all()  # true: -0.1, about
