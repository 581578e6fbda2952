"""Fuzzing: no traceback, no lost good row, no silent bad one. Bounded: some dozens of folders."""

from __future__ import annotations

import csv
import io
import random
import tempfile
from pathlib import Path

import pytest
from fleet_writer import TABLES, Checked, account, run_checks, write_fleet
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import FleetError
from pipeline.intake import records

HEADER = ["visit_id", "install_id", "visited_on", "minutes_on_site", "exchanger_cleaning", "trap_cleaned", "notes"]
NASTY = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12) | st.sampled_from(
    [
        '"',
        ",",
        ";",
        "\n",
        "\r\n",
        "=1+1",
        "'; drop table raw_visits; --",
        "\u202e",
        "<b>",
        "１２",
        "1e400",
        "-0",
        "nan",
        "\ufeff",
        "\x1a",
    ]
)
CELL = st.sampled_from(["", "45", "1,5", "brush", "true", "2021-02-30"]) | NASTY
BOUNDED = settings(max_examples=20, suppress_health_check=list(HealthCheck))
GOOD = ["good", "I1", "2021-01-05", "45", "brush", "true", "fine"]


def accounted(checked: Checked) -> None:
    """Every row read is taken or stands in rejected_rows, once."""
    for kind, (read, taken, lost) in account(checked).items():
        assert read == taken + lost, kind
    doubled = "select count(*) from (select file, line from rejected_rows group by all having count(*) > 1)"
    assert checked.store.scalar(doubled) == 0
    assert (
        checked.store.scalar(
            "select count(*) from (select visit_id from current_visits group by all having count(*) > 1)"
        )
        == 0
    )


def written(rows: list[list[str]], delimiter: str, quoting: int) -> str:
    text = io.StringIO()
    csv.writer(text, delimiter=delimiter, quoting=quoting, lineterminator="\r\n").writerows([HEADER, *rows])
    return text.getvalue()


@BOUNDED
@given(
    rows=st.lists(st.lists(CELL, min_size=len(HEADER), max_size=len(HEADER)), max_size=6), place=st.integers(0, 6),
    delimiter=st.sampled_from(",;\t"), quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    encoding=st.sampled_from(["utf-8", "utf-16"]),
)  # fmt: skip
def test_hostile_cells_cost_only_themselves(
    rows: list[list[str]], place: int, delimiter: str, quoting: int, encoding: str
) -> None:
    rows.insert(place, GOOD)
    with tempfile.TemporaryDirectory() as folder:
        text = written(rows, delimiter, quoting).encode(encoding)
        checked = run_checks(write_fleet(Path(folder), {"visits/visits.csv": text, "readings/readings.csv": None}))
        accounted(checked)
        keys = [r[0].strip() for r in rows]
        if keys.count("good") == 1:
            assert checked.store.rows(
                "select minutes_on_site, exchanger_cleaning, trap_cleaned, notes from current_visits where "
                "visit_id = 'good'"
            ) == [(45.0, "brush", True, "fine")]
        filled = sum(1 for r in rows if any(c for c in r))
        assert checked.store.scalar("select count(*) from raw_visits") >= filled - sum(
            1 for r in rows if not any(c.strip() for c in r)
        )


@BOUNDED
@given(numbers=st.lists(st.text(alphabet="0123456789.,-+ eE%°", min_size=1, max_size=8), min_size=1, max_size=60))
def test_a_number_is_taken_as_it_stands_or_told(numbers: list[str]) -> None:
    """What is taken without a word is what Python reads from the same text; a decimal comma is said of the file."""
    with tempfile.TemporaryDirectory() as folder:
        rows = [[f"x{n}", "I1", "2021-01-06", number, "", "", ""] for n, number in enumerate(numbers)]
        text = written([GOOD, *rows], ",", csv.QUOTE_ALL)
        checked = run_checks(write_fleet(Path(folder), {"visits/visits.csv": text, "readings/readings.csv": None}))
        taken = dict(checked.store.rows("select visit_id, minutes_on_site from current_visits"))
        told = dict(checked.store.rows("select visit_id, rule from findings where rule <> 'unlikely'"))
        for n, number in enumerate(numbers):
            value, rule = taken[f"x{n}"], told.get(f"x{n}")
            if rule is None:
                mark = "," if any("decimal comma" in w for w in checked.read.warnings) else "."
                assert value == (float(number.replace(mark, ".")) if number.strip() else None)
            elif value is None:
                assert rule in ("unreadable", "impossible", "not_recorded")
            else:
                assert rule == "mended"


def mutated(data: bytes, dice: random.Random) -> bytes:
    """A file as damage makes it: bytes changed, cut out, doubled, lines swapped, the end missing."""
    for _ in range(dice.randint(1, 4)):
        at = dice.randrange(len(data) or 1)
        what = dice.randrange(6)
        if what == 0:
            data = data[:at] + bytes([dice.randrange(256)]) + data[at + 1 :]
        elif what == 1:
            data = data[:at] + data[at + dice.randint(1, 30) :]
        elif what == 2:
            data = (
                data[:at]
                + dice.choice([b'"', b"\n", b"\r", b",", b"\0", b"\xff\xfe", b'""', b"\r\n\r\n", b";"])
                + data[at:]
            )
        elif what == 3:
            data = data[:at]
        elif what == 4:
            data = data[:at] + data[max(0, at - 60) : at] + data[at:]
        else:
            lines = data.split(b"\n")
            dice.shuffle(lines)
            data = b"\n".join(lines)
    return data


@pytest.mark.parametrize("seed", range(40))
def test_damaged_files_give_no_traceback_and_every_row_a_place(seed: int, tmp_path: Path) -> None:
    dice = random.Random(seed)
    names = dice.sample(sorted(TABLES), dice.randint(1, 2))
    fleet = write_fleet(tmp_path / "fleet", {name: mutated(TABLES[name].encode(), dice) for name in names})
    refused = None
    try:
        checked = run_checks(fleet)
    except FleetError as error:
        refused = str(error)
    if refused is not None:
        assert len(refused) > 20
        assert any(name.split(".")[0].split("/")[0] in refused for name in names), refused
        return
    accounted(checked)
    if "visits/visits.csv" not in names and not any(
        n in names for n in ("installs.csv", "areas.csv", "appliance_models.csv")
    ):
        assert checked.check.accepted["visits"] == 3


def test_megabytes_in_a_cell(tmp_path: Path) -> None:
    long = "x" * 5_000_000
    visits = TABLES["visits/visits.csv"].replace("fine", long).replace("V3,I2,2021-04-01", "V3,I2,2021-13-01")
    checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": visits}))
    assert checked.check.accepted["visits"] == 2
    assert [(line, rule) for f, line, _, _, rule, _ in checked.rejected if f.startswith("visits")] == [
        (4, "unreadable")
    ]
    assert checked.store.scalar("select max(length(value)) from rejected_rows") < 1000


def test_a_long_cell_beside_a_bad_one_is_not_cut(tmp_path: Path) -> None:
    long = "word, " * 30_000
    visits = (
        "visit_id,install_id,visited_on,minutes_on_site,notes\n"
        + f'L1,I1,2021-01-05,many,"{long}"\nL2,I1,2021-01-06,5,\n'
    )
    checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": visits, "readings/readings.csv": None}))
    assert checked.store.scalar("select notes from current_visits where visit_id = 'L1'") == long
    assert [(f[1], f[4]) for f in checked.findings] == [(2, "unreadable")]


@pytest.mark.parametrize("quoted", [False, True])
def test_a_line_without_end_costs_that_line_only(quoted: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A damaged file may hold gigabytes without an end of line: cut into cells they would fill the memory."""
    monkeypatch.setattr(records, "LONGEST_LINE", 10_000)
    long = "x," * 20_000
    mark = '"' * quoted
    head = "visit_id,install_id,visited_on,notes"
    visits = f"{head}\nL1,I1,2021-01-05,{mark}{long}{mark}\nL2,I1,2021-01-06,fine\n"
    checked = run_checks(
        write_fleet(tmp_path, {"visits/visits.csv": visits.encode("utf-16"), "readings/readings.csv": None})
    )
    assert checked.store.rows("select visit_id, notes from current_visits") == [("L2", "fine")]
    assert [(line, rule) for _, line, _, _, rule, _ in checked.rejected] == [(2, "cells")]
