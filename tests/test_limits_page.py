"""Limits sheets: what belongs together in the flue gas of each fuel, and what is said of it."""

from __future__ import annotations

import re
from pathlib import Path

from page_store import small_store, text_of

from pipeline.settings import settings_from
from pipeline.stages.pages import limits_of, prepare
from pipeline.store import Store


def limits_page_of(store: Store, folder: Path) -> str:
    made = prepare(store, settings_from({}), folder)
    limits_of(store, made, settings_from({}))
    made.finish()
    return " ".join(text_of(folder / "limits.html").replace("\u00a0", " ").split())


def test_a_sheet_tells_what_its_own_fuel_does(tmp_path: Path) -> None:
    # Bounds: 0.3 + 0.2 CO2max/20.95 + 0.05 % CO2, of natural gas 0.46 and propane 0.48; hydrogen gives no CO2 at all.
    # That air in the sample moves O2 and CO2 along the fuel's line, so that no pair shows it, is the mole balance.
    with small_store() as store:
        store.run("update current_installs set fuel = 'hydrogen' where model_no = 3")
        page = limits_page_of(store, tmp_path)
    assert "more than 0.46 % CO2 from this table" in page
    assert "more than 0.48 % CO2 from this table" in page
    assert "Air in the probe does not show here" in page
    hydrogen = page[page.index("O2 and excess air of this fuel") : page.index("It has no carbon")]
    assert hydrogen.startswith("O2 and excess air of this fuel O2 [%] Excess air [%] CO that reaches")


def test_a_sheet_gives_the_co_of_both_firings_where_their_limits_differ(tmp_path: Path) -> None:
    with small_store() as store:
        same = limits_page_of(store, tmp_path / "same")
        store.run("update limits set limit_high = 209 where series_no = 2")
        both = limits_page_of(store, tmp_path / "both")
    assert "CO that reaches the limit, as read [ppm]" in same
    assert "CO that reaches the limit at high fire, as read [ppm]" in both
    low = both.index("CO that reaches the limit at low fire, as read [ppm]")
    row = re.search(r" 5\.0 9\.0 28 (\d+) (\d+) ", both[low:])
    assert row
    assert int(row[2]) == 159  # 209 x (20.9 - 5.0) / 20.9: Method 19, eq. 19-1


def test_sheets_without_any_range_of_the_makers_say_so(tmp_path: Path) -> None:
    with small_store() as store:
        store.run("update limits set general = true")
        page = limits_page_of(store, tmp_path)
    assert "All of them rest on general ranges, not the maker's" in page
