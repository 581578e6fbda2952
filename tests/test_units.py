"""Units: factors against their definitions; differences of temperature have no offset."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.units import SHOWN_US, SUFFIXES, other_forms, shown_unit, to_shown

# NIST SP 811 (2008), appendix B: the exact ones by definition, the others as printed there.
PUBLISHED = [
    ("f", 212, 100), ("f", 32, 0), ("f", -40, -40), ("psi", 1, 6.894757), ("bar", 1, 100), ("ft", 1, 0.3048),
    ("lb", 1, 0.45359237),
    ("kbtuh", 1, 0.2930711),
    # 1 grain per US gallon = 17.11806 mg/L (NIST SP 811, grain per gallon (US)).
    ("gpg", 1, 17.11806),
]  # fmt: skip


@pytest.mark.parametrize(("suffix", "written", "si"), PUBLISHED)
def test_factors_to_si(suffix: str, written: float, si: float) -> None:
    _, factor, offset = SUFFIXES[suffix]
    assert written * factor + offset == pytest.approx(si, rel=1e-6, abs=1e-9)


@settings(deadline=None)
@given(
    st.sampled_from([("°C", "f"), ("kPa", "psi"), ("m", "ft"), ("kg", "lb"), ("kW", "kbtuh"), ("mg/L", "gpg")]),
    st.floats(-1e4, 1e4),
)
def test_shown_units_turn_back_what_loading_did(pair: tuple[str, str], value: float) -> None:
    unit, suffix = pair
    _, factor, offset = SUFFIXES[suffix]
    assert SHOWN_US[unit].number(value) * factor + offset == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_a_temperature_difference_has_no_offset() -> None:
    frame = pl.DataFrame({"x": [10.0]})
    assert frame.select(to_shown(pl.col("x"), "K", "us")).item() == pytest.approx(18)
    assert frame.select(to_shown(pl.col("x"), "°C", "us")).item() == pytest.approx(50)


def test_si_is_shown_as_it_is_and_so_is_a_unit_without_another() -> None:
    assert shown_unit("kPa", "si").name == "kPa"
    assert shown_unit("ppm", "us").name == "ppm"


def test_forms_follow_the_longest_part_of_the_name() -> None:
    assert set(other_forms("system_pressure_kpa")) == {"system_pressure_psi", "system_pressure_bar"}
    assert set(other_forms("water_hardness_mg_l")) == {"water_hardness_gpg"}
    assert set(other_forms("media_kg")) == {"media_lb"}
    assert set(other_forms("o2_pct")) == set()
