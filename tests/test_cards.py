"""What a visit card warns of: the cautions of the trade (common practice, no source) that its visit calls for."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from reports.cards import CO_HIGH, MAKE_SAFE, cautions

BRUSH, DRY, TRAP, CASE = "metal brush", "unscratched", "Trap primed", "case closed"


# out, CO out, tasks, material, condensing; what must be warned of, what must not
@pytest.mark.parametrize(
    ("out", "co_out", "tasks", "material", "condensing", "said", "unsaid"),
    [
        (False, False, None, None, None, [CASE], [MAKE_SAFE, CO_HIGH, BRUSH, DRY, TRAP]),
        (True, False, None, None, None, [MAKE_SAFE, CASE], [CO_HIGH]),
        (True, True, None, None, None, [CO_HIGH, CASE], [MAKE_SAFE]),
        (
            False,
            False,
            "rinse exchanger",
            "stainless",
            True,
            ["Stainless exchanger: never a metal brush", DRY, TRAP],
            [],
        ),
        (False, False, "Brush the exchanger", "aluminium", True, ["Aluminium exchanger: never a metal brush", DRY], []),
        (False, False, "chemical cleaning", "cast_iron", False, [DRY], [BRUSH, TRAP]),
        (False, False, "clean trap;set burner", "stainless", True, [TRAP], [BRUSH, DRY]),
        # what the tasks say already is not said twice
        (False, False, "rinse; never a metal brush on stainless", "stainless", True, [DRY], [BRUSH]),
        (False, False, "rinse; keep refractory dry", "stainless", True, [BRUSH], [DRY]),
        (False, False, "prove discharge of the trap;seal the flue test port", "steel", True, [], [TRAP, CASE]),
    ],
)
def test_cautions_are_those_of_the_visit(
    out: bool,
    co_out: bool,
    tasks: str | None,
    material: str | None,
    condensing: bool | None,
    said: list[str],
    unsaid: list[str],
) -> None:
    told = "\n".join(cautions(out, co_out, tasks, material, condensing))
    assert all(words in told for words in said)
    assert not any(words in told for words in unsaid)
    assert "replaces no required inspection" in told


def test_a_card_warns_of_co_where_co_is_out_and_of_any_other_reading_that_is(site: Path) -> None:
    met = set()
    for page in (site / "visits").glob("*.html"):
        for card in page.read_text(encoding="utf-8").split('<details class="card')[1:]:
            rows = re.findall(r'<tr><th scope="row">(.*?)</th>.*?<span class="state (\w+)">', card)
            out = [label for label, state in rows if state == "out_of_range"]
            co = any(label.startswith("CO air-free") for label in out)
            met.add((bool(out), co))
            assert ("watch your personal CO alarm" in card) == co
            assert ("if the first test confirms it" in card) == (bool(out) and not co)
    assert met == {(False, False), (True, False), (True, True)}
