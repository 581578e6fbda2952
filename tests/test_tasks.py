"""Which cleaning is worth its time, and what a visit does and brings."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.plan.tasks import CLASSES, best_cleaning, write_tasks

MINUTES = {"rinse": 15.0, "brush": 25.0, "chemical": 60.0}


def effects(*rows: tuple[str, str, float, int]) -> pl.DataFrame:
    return pl.DataFrame(
        [("flue_over_return_k", *row) for row in rows],
        schema=["indicator", "exchanger_design", "kind", "restored_share", "cycles"], orient="row")  # fmt: skip


def test_the_harsher_cleaning_is_chosen_where_it_restores_enough_more_for_its_time() -> None:
    # With 60 min of other work, in min per share: rinse (60 + 15) / 0.4 = 188, brush 85 / 0.6 = 142, chemical 133.
    coil = [("coil", "rinse", 0.4, 30), ("coil", "brush", 0.6, 30), ("coil", "chemical", 0.9, 30)]
    fin = [("fin", "rinse", 0.7, 30), ("fin", "brush", 0.72, 30), ("fin", "chemical", 0.9, 30)]
    chosen = best_cleaning(effects(*coil, *fin), MINUTES, 60.0)
    assert chosen == {"coil": "chemical", "fin": "rinse"}  # fin: 107, 118, 133


def test_kinds_seen_too_seldom_or_of_other_indicators_decide_nothing() -> None:
    rows = effects(("coil", "rinse", 0.5, 30), ("coil", "chemical", 1.0, 4), ("coil", "none", 1.0, 90))
    other = rows.with_columns(indicator=pl.lit("co_air_free_ppm"), kind=pl.lit("brush"), restored_share=pl.lit(1.0))
    assert best_cleaning(pl.concat([rows, other]), MINUTES, 30.0) == {"coil": "rinse"}
    assert best_cleaning(rows.clear(), MINUTES, 30.0) == {}


def written(material: str = "stainless", kind: str = "brush", condensing: bool = True, media: float = 4.0,
            co_out: bool = False, co_likely: bool = False, out: bool = False,
            **due: bool) -> tuple[str, str]:  # fmt: skip
    found = write_tasks(
        {name: np.array([due.get(name, False)]) for name in CLASSES}, np.array([co_out]), np.array([co_likely]),
        np.array([out]), np.array([False]), np.array([False]), [material], [kind], np.array([condensing]),
        np.array([media]))  # fmt: skip
    return found.tasks[0], found.take_along[0]


# The cautions: common practice, no source. Local code and the maker's instructions come first.
@pytest.mark.parametrize("material", ["stainless", "aluminium"])
def test_no_metal_brush_goes_to_stainless_or_aluminium(material: str) -> None:
    tasks, take = written(material, exchanger=True)
    assert f"never a metal brush on {material}" in tasks.split(";")
    assert "soft brush" in take.split(";")
    assert "exchanger brush" not in take


def test_only_what_is_due_is_done_and_brought() -> None:
    tasks, take = written()
    assert tasks == (
        "measure as found at high and low fire with the case closed;prime the trap and prove that it discharges before "
        "firing;measure as left with the case closed, then seal the flue test port"
    )
    assert take == "combustion analyser;test port plug"
    tasks, take = written(media=3.5, trap=True, media_=True, electrodes=True)
    assert "trap gasket" in take
    assert "electrode set" in take
    assert "media" not in take


def test_media_are_brought_by_mass_where_they_are_due_and_fitted() -> None:
    due = {name: np.array([name == "media"] * 3) for name in CLASSES}
    no = np.zeros(3, bool)
    kilograms = np.array([2.5, np.nan, 0.0])
    found = write_tasks(due, no, no, no, no, no, ["stainless"] * 3, [""] * 3, np.ones(3, bool), kilograms)
    assert "neutralising media 2.5 kg" in found.take_along[0].split(";")
    assert "media" not in found.take_along[1]
    assert "media" not in found.take_along[2]


def test_co_comes_first_and_says_to_stop() -> None:
    first = written(co_out=True, out=True, exchanger=True)[0].split(";")[0]
    assert first.startswith("CO read out of range: stop, make safe by local code and the maker's instructions")
    assert "licensed" in first
    likely = written(co_likely=True)[0].split(";")[0]
    assert likely.startswith("CO is likely out of range: measure it first")


def test_no_installs_give_no_tasks() -> None:
    none = np.zeros(0, bool)
    found = write_tasks(dict.fromkeys(CLASSES, none), none, none, none, none, none, [], [], none, np.zeros(0))
    assert len(found.tasks) == len(found.take_along) == len(found.cleaning) == 0


def test_a_doubted_limit_and_a_pressure_out_of_range_have_their_own_tasks() -> None:
    due, no, yes = {name: np.array([False]) for name in CLASSES}, np.array([False]), np.array([True])
    found = write_tasks(due, no, no, yes, yes, yes, ["stainless"], [""], no, np.array([np.nan]))
    tasks = found.tasks[0].split(";")
    assert tasks[0] == "a reading was out of range: confirm it before any work"
    assert tasks[1].startswith("check the typed limit")
    assert tasks[2].startswith("bring the system pressure into range")
    plain = write_tasks(due, no, no, no, no, no, ["stainless"], [""], no, np.array([np.nan])).tasks[0]
    assert "typed limit" not in plain
    assert "system pressure" not in plain
