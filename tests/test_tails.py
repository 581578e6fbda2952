"""The chance of lying beyond a limit, held against SciPy's own Student's t."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from models.tails import DF, chance_below, deviate_of

EXACT = stats.t(DF, scale=np.sqrt((DF - 2) / DF))
Z = np.linspace(-40, 40, 200_001)


def test_it_is_students_t_of_standard_deviation_one():
    assert EXACT.std() == pytest.approx(1.0)
    assert np.abs(chance_below(Z) - EXACT.cdf(Z)).max() < 1e-4
    near = Z[np.abs(Z) < 4]
    assert chance_below(near) == pytest.approx(EXACT.cdf(near), rel=0.03)


def test_it_never_falls_and_both_sides_are_alike():
    chance = chance_below(Z)
    assert (np.diff(chance) >= 0).all()
    assert chance + chance_below(-Z) == pytest.approx(1.0)
    assert chance_below(np.array([-np.inf, 0.0, np.inf])).tolist() == [0.0, 0.5, 1.0]


@pytest.mark.parametrize("chance", [1e-4, 0.02, 0.1, 0.5, 0.9, 0.999])
def test_a_chance_has_its_deviate(chance):
    assert float(chance_below(np.array([deviate_of(chance)]))[0]) == pytest.approx(chance, rel=1e-9)
    assert deviate_of(chance) == pytest.approx(EXACT.ppf(chance), abs=2e-2)


def test_values_far_out_are_likelier_than_a_normal_distribution_says():
    assert chance_below(np.array([-3.3]))[0] > 2 * stats.norm.cdf(-3.3)
    assert chance_below(np.array([-1.2816]))[0] < 0.1
