"""Numbers as nobody writes one: set aside with a word, however the file they stand in is read."""

from __future__ import annotations

from pathlib import Path

import pytest
from fleet_writer import Checked, run_checks, write_fleet

from pipeline.intake import dialect
from pipeline.intake.dialect import scan_bytes

HEADER = "visit_id,stage,firing,o2_pct,air_temp_c\n"
WAYS = ("plain", "careful", "records")


def with_cell(folder: Path, written: str, way: str) -> Checked:
    """A fleet with the cell as the combustion air's temperature, in a file that DuckDB reads as it is, reads as text
    column by column, or that is read record by record."""
    odd = [f'X{n},as_found,high,5.0,"n/a"\n' for n in range(9)] if way == "careful" else []
    rows = [f"P{n},as_found,high,5.0,20\n" for n in range(20)]
    visits = "visit_id,install_id,visited_on\n" + "".join(
        f"{name},I1,2021-03-01\n" for name in ("T1", *(row.partition(",")[0] for row in (*odd, *rows)))
    )
    text = HEADER + "".join([*odd, *rows]) + f'T1,as_found,high,5.0,"{written}"\n'
    content = text.encode("utf-16") if way == "records" else text.encode()
    return run_checks(write_fleet(folder, {"visits/visits.csv": visits, "readings/readings.csv": content}))


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(
    ("written", "value", "rule"),
    [
        ("5_0", None, "unreadable"), ("1_0.5", None, "unreadable"), ("2.5_0", None, "unreadable"),
        ("+-5", None, "unreadable"), ("--5", None, "unreadable"), ("0x10", None, "unreadable"),
        ("5 5", None, "unreadable"), ("5'5", None, "unreadable"), ("1 00", None, "unreadable"),
        ("½", None, "unreadable"), ("١٢", None, "unreadable"), ("true", None, "unreadable"),
        ("inf", None, "impossible"), ("-Infinity", None, "impossible"), ("1e400", None, "impossible"),
        ("1 000", None, "impossible"), ("nan", None, "not_recorded"), ("none", None, "not_recorded"),
        ("+5", 5.0, None), (".5", 0.5, None), ("5.", 5.0, None), ("1e1", 10.0, None), ("005", 5.0, None),
        ("-5 °C", -5.0, "mended"), ("- 5", -5.0, "mended"), ("> 50", 50.0, "mended"), ("\u22125", -5.0, "mended"),
    ],
)  # fmt: skip
def test_a_number_is_read_or_told_the_same_whatever_reads_it(
    written: str, value: float | None, rule: str | None, way: str, tmp_path: Path
) -> None:
    checked = with_cell(tmp_path, written, way)
    taken = "select air_temp_c from current_readings where visit_id = 'T1'"
    assert checked.store.rows(taken) == [(value,)]
    told = "select rule from findings where visit_id = 'T1' and rule <> 'unlikely'"
    assert [found for (found,) in checked.store.rows(told)] == ([rule] if rule else [])


@pytest.mark.parametrize("written", ["1 000", "12 345", "1'234'567", "1 234 567,5", "1\u202f000 h"])
def test_thousands_may_be_parted_by_blanks(written: str, tmp_path: Path) -> None:
    visits = f'visit_id,install_id,visited_on,burner_hours\nV1,I1,2020-03-01,"{written}"\n'
    checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": visits, "readings/readings.csv": None}))
    digits = written.removesuffix(" h").replace(",", ".")
    plain = float("".join(c for c in digits if c.isdigit() or c == "."))
    assert checked.findings == ([("visits/visits.csv", 2, "burner_hours", written, "mended")] if plain < 1e6 else
                                [("visits/visits.csv", 2, "burner_hours", written, "impossible")])  # fmt: skip
    assert checked.store.scalar("select burner_hours from current_visits") == (plain if plain < 1e6 else None)


@pytest.mark.parametrize(
    ("text", "odd"),
    [
        ("V_1,as_found,5_a,a_5,_5,5_", False),
        ("V2024_01,Ö1_2,B.1-2_3", False),
        ("2024_01", True),
        ("-2.5_0", True),
        (" 1_0", True),
        ('"1_0"', True),
        ("1+1,++-", True),
        ("5+5,_+_-", False),
    ],
)
def test_odd_numbers_are_seen_wherever_a_piece_of_the_file_ends(
    text: str, odd: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dialect, "CHUNK", 8)
    monkeypatch.setattr(dialect, "BORDER", 8)
    for blanks in range(24):
        path = tmp_path / "a.csv"
        path.write_text("x" * blanks + "," + text + ",\n", encoding="utf-8")
        assert scan_bytes(path).odd_numbers is odd, blanks
