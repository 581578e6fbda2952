"""Fuels: what ships, what fleet.toml may add, and what it may not."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from fleet_writer import run_checks, write_fleet
from hypothesis import example, given
from hypothesis import strategies as st

from pipeline import fuels
from pipeline.errors import FleetError
from pipeline.store import Store

CELLS = Store.open(None)
CELLS.run_file("00_cells.sql")

# Stoichiometry of the shipped reference fuels, recomputed with Cantera for these compositions: air, dry gas (mol/mol or
# m3/kg at 0 °C), CO2max, gross over net, full condensate in kg/kWh gross.
REFERENCE = {
    "natural_gas": (9.550, 8.581, 11.83, 1.1087, 0.1445),
    "methane": (9.547, 8.547, 11.70, 1.1097, 0.1456),
    "propane": (23.866, 21.866, 13.72, 1.0862, 0.1169),
    "n_butane": (31.026, 28.526, 14.02, 1.0828, 0.1127),
    "hydrogen": (2.387, 1.887, 0.0, 1.1820, 0.2269),
    "fuel_oil_2": (11.088, 10.390, 15.63, 1.0647, 0.0895),
    "kerosene": (11.382, 10.600, 15.12, 1.0711, 0.0978),
}


@pytest.mark.parametrize("name", REFERENCE)
def test_shipped_fuels_have_their_stoichiometry(name: str) -> None:
    air, dry_gas, co2_max, gross_net, condensate = REFERENCE[name]
    fuel = fuels.load()[name]
    volume = 22.414e-3 if fuel.basis == "mass" else 1.0
    assert fuel.air * volume == pytest.approx(air, abs=0.001)
    assert fuel.dry_gas * volume == pytest.approx(dry_gas, abs=0.001)
    assert fuel.co2_max_pct == pytest.approx(co2_max, abs=0.005)
    assert fuel.gross_kj / fuel.net_kj == pytest.approx(gross_net, abs=0.0001)
    assert 64.855 * fuel.water / fuel.gross_kj == pytest.approx(condensate, abs=0.0001)


def test_every_shipped_fuel_sums_to_one_as_written() -> None:
    for name, written in fuels.shipped().items():
        assert sum(share for part, share in written.items() if part != fuels.GROSS_KEY) == pytest.approx(1, abs=1e-9), (
            name
        )


@pytest.mark.parametrize(("blend", "share"), [("natural_gas_h10", 0.1), ("natural_gas_h20", 0.2)])
def test_hydrogen_blends_are_natural_gas_and_hydrogen(blend: str, share: float) -> None:
    known = fuels.load()
    mixed = (1 - share) * known["natural_gas"].gross_kj + share * known["hydrogen"].gross_kj
    assert known[blend].gross_kj == pytest.approx(mixed, rel=1e-9)
    assert known[blend].air == pytest.approx((1 - share) * known["natural_gas"].air + share * known["hydrogen"].air)


def test_fleet_toml_adds_fuels_and_may_replace_one() -> None:
    known = fuels.load({"site_biogas": {"methane": 0.6, "carbon_dioxide": 0.4}, "natural_gas": {"methane": 1.0}})
    assert known["site_biogas"].co2_max_pct == pytest.approx(known["biogas"].co2_max_pct)
    assert known["natural_gas"].gross_kj == pytest.approx(known["methane"].gross_kj)
    assert "site_biogas" in fuels.names({"site_biogas": {}})
    assert fuels.names() == sorted(fuels.load())


def test_the_table_of_terms_has_one_row_a_fuel_and_no_gap() -> None:
    frame = fuels.load().frame
    assert frame["fuel"].to_list() == fuels.names()
    assert frame.null_count().sum_horizontal().item() == 0


def test_rounded_fractions_are_taken_and_scaled() -> None:
    fuel = fuels.define("rounded", {"methane": 0.333, "ethane": 0.333, "nitrogen": 0.333})
    assert sum(fuel.composition.values()) == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize(
    ("written", "message"),
    [
        (
            {"methane": 0.6, "carbon_dioxide": 0.3},
            r"fuels\.site.* sum to 0\.9; they must sum to 1, give or take 0\.001",
        ),
        ({"methane": 0.6, "carbon_dioxide": 0.4011}, r"sum to 1\.0011; they must sum to 1"),
        ({"methane": 60, "carbon_dioxide": 40}, r"sum to 100;.*look like percent: divide them by 100"),
        ({}, r"sum to 0; they must sum to 1"),
        ({"methan": 1.0}, r"component 'methan' is not known; did you mean 'methane'"),
        ({"phlogiston": 1.0}, r"component 'phlogiston' is not known; known are butane|carbon_dioxide"),
        ({"methane": 1.2, "nitrogen": -0.2}, r"nitrogen is '-0\.2'; a fraction is a number from 0 to 1"),
        ({"methane": float("nan")}, r"methane is 'nan'; a fraction is a number"),
        ({"methane": True}, r"methane is 'True'; a fraction is a number"),
        ({"nitrogen": 0.5, "carbon_dioxide": 0.5}, r"nothing in this composition burns"),
        ({"hydrogen": 0.5, "oxygen": 0.5}, r"nothing in this composition burns"),
        ({"carbon": 0.87, "hydrogen": 0.13}, r"carbon is a component of an oil.*gross_mj_per_kg"),
        ({"methane": 1.0, "gross_mj_per_kg": 55.5}, r"methane is a component of a gas.*remove gross_mj_per_kg"),
        (
            {"carbon": 0.87, "hydrogen": 0.13, "gross_mj_per_kg": 12.6},
            r"gross_mj_per_kg is 12\.6.*about 46 MJ/kg.*3\.6 MJ",
        ),
        ({"carbon": 0.87, "hydrogen": 0.13, "gross_mj_per_kg": 19500}, r"gross_mj_per_kg is 19500.*Btu/lb"),
        ({"carbon": 0.87, "hydrogen": 0.13, "gross_mj_per_kg": float("inf")}, r"must be a number of MJ per kg"),
    ],
)
def test_what_cannot_be_a_fuel_is_refused(written: dict[str, float], message: str) -> None:
    with pytest.raises(FleetError, match=message):
        fuels.load({"site": written})


@pytest.mark.parametrize(
    "name", ["site_gas", "Site_Gas", "SITE GAS", " site-gas ", "Site  -Gas", "site\u00a0gas", "Site\u2011gas\u2009"]
)
def test_a_fuel_is_known_however_its_name_is_written(name: str, tmp_path: Path) -> None:
    """In fleet.toml, installs.csv and limits.csv alike, in some cells as in fleet.toml and in others otherwise."""
    installs = "".join(f"I{n},M1,A1,{fuel},2018-03-01\n" for n, fuel in enumerate([name, "site_gas", "Site-Gas"]))
    limits = f"M1,{name},any,o2_pct,3,8,\nM2,{name.upper()},any,o2_pct,3,8,\nM1, ANY ,any,co_air_free_ppm,,300,\n"
    files = {
        "fleet.toml": f"[fuels.{json.dumps(name)}]\nmethane = 0.9\nnitrogen = 0.1\n",
        "installs.csv": f"install_id,model_id,area_id,fuel,installed_on\n{installs}",
        "limits.csv": f"model_id,fuel,firing,indicator,low,high,source\n{limits}",
    }
    checked = run_checks(write_fleet(tmp_path, files))
    assert checked.store.rows("select distinct fuel from current_installs") == [("site_gas",)]
    assert checked.store.rows("select fuel, count(*) from current_limits group by fuel order by fuel") == [
        ("any", 1), ("site_gas", 2),
    ]  # fmt: skip
    assert [f for f in checked.findings if f[4] == "unknown_fuel"] == []


def test_a_shipped_fuel_is_replaced_however_its_name_is_written() -> None:
    """Methane with a tenth of nitrogen: 0.9 of methane's 890.58 kJ/mol (ISO 6976:2016)."""
    assert fuels.load({"Natural-Gas": {"methane": 0.9, "nitrogen": 0.1}})["natural_gas"].gross_kj == pytest.approx(
        801.522
    )


def test_two_names_that_installs_cannot_tell_apart_are_refused() -> None:
    with pytest.raises(FleetError, match=r"\[fuels.site_gas\]: means the same as \[fuels.Site Gas\]"):
        fuels.load({"Site Gas": {"methane": 1.0}, "site_gas": {"hydrogen": 1.0}})
    with pytest.raises(FleetError, match="has no name"):
        fuels.load({" ": {"methane": 1.0}})


@pytest.mark.parametrize("name", ["any", "Any", "ANY\u00a0"])
def test_no_fuel_can_be_called_any(name: str) -> None:
    with pytest.raises(FleetError, match=rf"\[fuels\.{name}\].*every fuel"):
        fuels.load({name: {"methane": 1.0}})


@given(st.text() | st.text("aÄİς-_ \u2011\u00a0\ufeff\x1c\n"))
@example("".join(map(chr, range(1, 0xD800))))
@example("".join(map(chr, range(0xE000, sys.maxunicode + 1))))
def test_the_store_words_a_fuel_as_python_does(name: str) -> None:
    """Every character that there is once, and names of a few of those that could be taken differently."""
    assert CELLS.scalar("select cell_word(?)", [name.replace("\0", "")]) == fuels.fuel_word(name.replace("\0", ""))


def test_the_nearest_component_is_found_whatever_its_case() -> None:
    with pytest.raises(FleetError, match="'Methane' is not known; did you mean 'methane'"):
        fuels.load({"x": {"Methane": 1.0}})
