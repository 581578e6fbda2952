"""Reading: whatever a spreadsheet or an analyser writes gives the same rows."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import polars as pl
import pytest
from fleet_writer import TABLES, account, run_checks, write_fleet

from pipeline.intake.records import MOST_RESTARTS

VISITS, READINGS = TABLES["visits/visits.csv"], TABLES["readings/readings.csv"]
SHOWN = {
    "visits": "select * exclude (file_id, line) from current_visits order by visit_no",
    "readings": "select * exclude (file_id, line) from current_readings order by visit_no, stage, firing",
}


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    checked = run_checks(write_fleet(tmp_path_factory.mktemp("plain")))
    assert checked.rejected == []
    assert checked.findings == []
    return {kind: checked.table(query) for kind, query in SHOWN.items()}


def semicolons(text: str) -> str:
    return text.replace(",", ";")


def decimal_commas(text: str) -> str:
    return semicolons(text).replace(".", ",")


def all_quoted(text: str) -> str:
    return "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in text.splitlines()) + "\n"


def shuffled(text: str) -> str:
    """Columns the other way round, with one more that nobody knows."""
    return "\n".join(",".join([*reversed(line.split(",")), "x"]) for line in text.splitlines()) + "\n"


DIALECTS = {
    "crlf": lambda t: t.replace("\n", "\r\n").encode(),
    "old mac": lambda t: t.replace("\n", "\r").encode(),
    "mixed line ends": lambda t: t.replace("\n", "\r\n", 2).encode(),
    "no last line end": lambda t: t.rstrip("\n").encode(),
    "semicolon": lambda t: semicolons(t).encode(),
    "tab": lambda t: t.replace(",", "\t").encode(),
    "bar": lambda t: t.replace(",", "|").encode(),
    "decimal comma": lambda t: decimal_commas(t).encode(),
    "decimal comma, quoted": lambda t: all_quoted(t).replace("5.0", "5,0").replace("4.8", "4,8").replace("5.1", "5,1")
    .replace("9.0", "9,0").replace("9.1", "9,1").replace("8.9", "8,9").replace("6.0", "6,0").encode(),
    "bom": lambda t: b"\xef\xbb\xbf" + t.encode(),
    "utf-16 with bom": lambda t: t.encode("utf-16"),
    "utf-16 le bare": lambda t: t.encode("utf-16-le"),
    "utf-16 be with bom, crlf, tab": lambda t: ("\ufeff" + t.replace("\n", "\r\n").replace(",", "\t"))
    .encode("utf-16-be"),
    "all quoted": lambda t: all_quoted(t).encode(),
    "all quoted, crlf": lambda t: all_quoted(t).replace("\n", "\r\n").encode(),
    "blank lines": lambda t: ("\n" + t.replace("\n", "\n\n")).encode(),
    "blank lines, crlf": lambda t: t.replace("\n", "\r\n\r\n").encode(),
    "other order, unknown column": lambda t: shuffled(t).encode(),
    "shouted headers": lambda t: (t.split("\n", 1)[0].upper().replace("_", " ") + "\n" + t.split("\n", 1)[1]).encode(),
    "blanks around keys": lambda t: t.replace("V1", " V1 ").replace("V2", "V2\u00a0").encode(),
    "delimiter told in the first line": lambda t: ("sep=;\r\n" + semicolons(t)).encode(),
    "tab told in the first line, utf-16": lambda t: ('"sep=\t"\n' + t.replace(",", "\t")).encode("utf-16"),
    "trailing separator": lambda t: "\n".join(line + "," for line in t.splitlines()).encode(),
}  # fmt: skip


@pytest.mark.parametrize("name", DIALECTS)
def test_the_same_rows_in_any_dialect(name: str, tmp_path: Path, expected: dict[str, pl.DataFrame]) -> None:
    change = DIALECTS[name]
    fleet = write_fleet(tmp_path, {"visits/visits.csv": change(VISITS), "readings/readings.csv": change(READINGS)})
    checked = run_checks(fleet)
    for kind, query in SHOWN.items():
        assert checked.table(query).equals(expected[kind]), kind
    assert checked.rejected == []
    assert all(read == taken + lost for read, taken, lost in account(checked).values())


@pytest.mark.parametrize("kind", ["areas", "appliance_models", "limits", "installs"])
def test_reference_tables_in_another_dialect(kind: str, tmp_path: Path) -> None:
    plain = run_checks(write_fleet(tmp_path / "plain"))
    other = run_checks(
        write_fleet(tmp_path / "other", {f"{kind}.csv": semicolons(TABLES[f"{kind}.csv"]).encode("utf-16")})
    )
    table = "models" if kind == "appliance_models" else kind
    assert other.table(f"from current_{table}").equals(plain.table(f"from current_{table}"))


def test_windows_1252_text_keeps_its_letters(tmp_path: Path) -> None:
    text = VISITS.replace("fine", "Kühler gereinigt – 50 € für „Müller“")
    checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": text.encode("cp1252")}))
    assert checked.store.scalar("select notes from current_visits where visit_id = 'V1'") == (
        "Kühler gereinigt – 50 € für „Müller“"
    )


def test_line_is_the_physical_line_where_the_record_starts(tmp_path: Path) -> None:
    text = (
        "visit_id,install_id,visited_on,notes\n"
        'V1,I1,2020-03-01,"one\ntwo\nthree"\n'  # lines 2 to 4
        "\n"
        "V2,I9,2020-03-02,x\n"  # line 6
        'V3,I1,2020-03-03,"a ""b""\nc"\n'  # lines 7 and 8
        "V4,I9,2020-03-04,\n"  # line 9
        "V5,I1,2020-13-04,\n"  # line 10
        "V6,I1\n"  # line 11
    )
    for end in ("\n", "\r\n"):
        checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": text.replace("\n", end)}))
        wrong = [(line, rule) for file, line, _, _, rule, _ in checked.rejected if file == "visits/visits.csv"]
        assert wrong == [(6, "unknown_install"), (9, "unknown_install"), (10, "unreadable"), (11, "cells")]
        lines = checked.store.rows("select visit_id, line from current_visits order by visit_id")
        assert lines == [("V1", 2), ("V3", 7)]


def test_a_line_whose_quote_never_closes_costs_that_line_only(tmp_path: Path) -> None:
    text = (
        "visit_id,install_id,visited_on,notes\n"
        'V1,I1,2020-03-01,"good\n'
        "V2,I1,2020-03-02,fine\n"
        'V3,I1,2020-03-03,"also fine"\n'
        'V4,I1,2020-03-04,"5"" pipe"\n'
    )
    checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": text}))
    assert [(line, rule) for f, line, _, _, rule, _ in checked.rejected if f == "visits/visits.csv"] == [(2, "cells")]
    assert checked.store.rows("select visit_id, notes from current_visits order by 1") == [
        ("V2", "fine"), ("V3", "also fine"), ("V4", '5" pipe'),
    ]  # fmt: skip


def test_where_quotes_cannot_be_trusted_each_line_is_read_by_itself(tmp_path: Path) -> None:
    """More lines whose quote never closes than a file is begun anew for."""
    lines = [f"V{n:04d},I1,2020-03-01,{'' if n % 2 else chr(34)}note {n}" for n in range(2 * MOST_RESTARTS + 100)]
    lines[-3] = 'V9999,I1,2020-03-01,"a, b"'
    text = "\n".join(["visit_id,install_id,visited_on,notes", *lines, "", 'V10000,I1,2020-03-01,"5"" pipe"', ""])
    checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": text}))
    broken = {n + 2 for n in range(0, len(lines), 2)}
    assert {(line, rule) for f, line, _, _, rule, _ in checked.rejected if f == "visits/visits.csv"} == {
        (line, "cells") for line in broken
    }
    taken = checked.store.rows("select visit_id, notes, line from current_visits order by line")
    assert taken[:2] == [("V0001", "note 1", 3), ("V0003", "note 3", 5)]
    assert taken[-3:] == [
        ("V9999", "a, b", len(lines) - 1), (f"V{len(lines) - 1:04d}", f"note {len(lines) - 1}", len(lines) + 1),
        ("V10000", '5" pipe', len(lines) + 3),
    ]  # fmt: skip
    assert len(taken) == len(lines) // 2 + 1


@pytest.mark.parametrize("bad", [(1,), (0, 2)])
def test_files_read_together_of_which_some_cannot_be_are_read_all_the_same(
    tmp_path: Path, bad: tuple[int, ...]
) -> None:
    """Bytes that are no UTF-8, far behind what the reading of a file is told by."""
    head = b"visit_id,install_id,visited_on,notes\n"
    files: dict[str, str | bytes | None] = {"visits/visits.csv": None, "readings/readings.csv": None}
    for n in range(3):
        rows = [f"V{n}-{k:05d},I1,2020-03-01,fine\n".encode() for k in range(20_000)]
        if n in bad:
            rows[15_000] = f"V{n}-15000,I1,2020-03-01,".encode() + b"s\xfcd\n"
        files[f"visits/{n}.csv"] = head + b"".join(rows)
    checked = run_checks(write_fleet(tmp_path, files))
    assert checked.rejected == []
    found = checked.store.rows("select visit_id, notes, line from current_visits where notes <> 'fine' order by 1")
    assert found == [(f"V{n}-15000", "s\u00fcd", 15_002) for n in bad]
    assert checked.store.scalar("select count(distinct visit_id) from current_visits") == 60_000


def test_rows_of_a_large_file_keep_their_lines(tmp_path: Path) -> None:
    """DuckDB reads such a file in several pieces at once; the rows it cannot type come from the middle of them."""
    count, bad = 400_000, {7, 150_000, 150_001, 299_999, 399_998}
    lines = ["visit_id,install_id,visited_on,technician_id,minutes_on_site,notes"]
    lines += [
        f"V{n:06d},{'I9' if n % 100_003 == 5 else 'I1'},2020-03-{1 + n % 28:02d},T1,"
        f"{'x' if n in bad else n % 90},{'n' * 60}"
        for n in range(count)
    ]
    checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": "\n".join(lines) + "\n"}))
    found = [(line, value) for f, line, _, value, rule in checked.findings if rule == "unreadable"]
    assert found == [(n + 2, "x") for n in sorted(bad)]
    rejected = [line for f, line, *_ in checked.rejected if f == "visits/visits.csv"]
    assert rejected == [n + 2 for n in range(count) if n % 100_003 == 5]
    assert checked.store.scalar("select count(*) from current_visits where line <> substr(visit_id, 2)::int + 2") == 0
    assert account(checked)["visits"] == (count, count - len(rejected), len(rejected))


def test_an_excel_workbook_is_read_like_a_csv(tmp_path: Path, expected: dict[str, pl.DataFrame]) -> None:
    from datetime import date as day

    fleet = write_fleet(tmp_path, {"visits/visits.csv": None, "readings/readings.csv": None, "installs.csv": None})
    for name, text in (("visits/a", VISITS), ("readings/b", READINGS), ("installs", TABLES["installs.csv"])):
        book = openpyxl.Workbook()
        for row in text.splitlines():
            book.active.append([typed(cell) for cell in row.split(",")])
        assert any(isinstance(c.value, day) for r in book.active.iter_rows() for c in r) or name == "readings/b"
        book.save(fleet / f"{name}.xlsx")
    checked = run_checks(fleet)
    for kind, query in SHOWN.items():
        assert checked.table(query).equals(expected[kind]), kind
    assert checked.store.scalar("select line from current_visits where visit_id = 'V2'") == 3


def typed(cell: str) -> object:
    from datetime import date as day

    if cell in ("true", "false"):
        return cell == "true"
    for kind in (float, day.fromisoformat):
        try:
            return kind(cell)
        except ValueError:
            pass
    return cell or None


def test_a_damaged_workbook_stops_that_file_only(tmp_path: Path) -> None:
    checked = run_checks(write_fleet(tmp_path, {"visits/broken.xlsx": b"PK\x03\x04 not really"}))
    assert checked.read.files_stopped == 1
    assert checked.check.accepted["visits"] == 3
    assert [r[0] for r in checked.rejected] == ["visits/broken.xlsx"]


@pytest.mark.parametrize(
    "begins", [b"\x1f\x8b\x08", b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1", b"%PDF-1.7", b"\x89PNG\r\n"]
)
def test_what_is_no_text_is_told_so_whatever_its_name(begins: bytes, tmp_path: Path) -> None:
    checked = run_checks(write_fleet(tmp_path, {"visits/more.csv": begins + bytes(range(1, 256)) * 9}))
    assert checked.read.files_stopped == 1
    assert any(w.startswith("visits/more.csv: this is not a text table") for w in checked.read.warnings)


@pytest.mark.parametrize(
    ("written", "taken"),
    [("05.04.2021", "2021-04-05"), ("25/04/2021", "2021-04-25"), ("04/25/2021", "2021-04-25"), ("5 Apr 2021",
    "2021-04-05"),
     ("20210405", "2021-04-05"), ("2021-04-05 10:30", "2021-04-05"), ("2021-04-05T10:30:00Z", "2021-04-05"),
     ("4/4/2021", "2021-04-04")],
)  # fmt: skip
def test_dates_that_can_be_read_one_way_only(written: str, taken: str, tmp_path: Path) -> None:
    text = f"visit_id,install_id,visited_on\nV1,I1,2021-01-01\nV2,I1,2021-01-02\nV3,I1,{written}\n"
    checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": text}))
    assert checked.store.scalar("select visited_on::varchar from current_visits where visit_id = 'V3'") == taken


def test_a_file_of_slashed_dates_is_read_the_way_one_of_its_dates_shows(tmp_path: Path) -> None:
    rows = "".join(f"V{n},I1,3/{n}/2021\n" for n in range(1, 15))
    checked = run_checks(write_fleet(tmp_path, {"visits/visits.csv": f"visit_id,install_id,visited_on\n{rows}"}))
    assert checked.store.scalar("select visited_on::varchar from current_visits where visit_id = 'V2'") == "2021-03-02"
    assert any("month/day/year" in w for w in checked.read.warnings)
    assert checked.findings == []


def test_dates_that_can_be_read_both_ways_stop_the_file(tmp_path: Path) -> None:
    text = "visit_id,install_id,visited_on\nV7,I1,3/4/2021\nV8,I1,5/6/2021\n"
    checked = run_checks(write_fleet(tmp_path, {"visits/more.csv": text}))
    assert checked.read.files_stopped == 1
    assert any("visits/more.csv" in w and "3/4/2021" in w and "2024-01-31" in w for w in checked.read.warnings)


def test_sheets_that_are_not_read_are_named(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for line in TABLES["visits/visits.csv"].splitlines():
        book.active.append(line.split(","))
    book.create_sheet("older").append(["visit_id"])
    fleet = write_fleet(tmp_path, {"visits/visits.csv": None})
    book.save(fleet / "visits" / "all.xlsx")
    checked = run_checks(fleet)
    assert checked.read.warnings == ["visits/all.xlsx: only its first sheet is read, not older"]
    assert checked.store.scalar("select count(*) from current_visits") == 3


def test_files_read_together_keep_their_lines_and_their_rejected_records(tmp_path: Path) -> None:
    header = "visit_id,install_id,visited_on,minutes_on_site,notes\n"
    first = header + 'A1,I1,2021-01-01,60,"two\nlines"\nA2,I1,2021-01-02,an hour,\nA3,I1,2021-01-03,61,\n'
    second = header + "B1,I1,2021-02-01,62,\n\nB2,I1\nB3,I1,2021-02-03,63 min,\nB4,I1,2021-02-04,64,\n"
    checked = run_checks(
        write_fleet(tmp_path, {"visits/visits.csv": None, "visits/a.csv": first, "visits/b.csv": second})
    )
    assert checked.store.rows("select visit_id, line, minutes_on_site from current_visits order by visit_id") == [
        ("A1", 2, 60), ("A2", 4, None), ("A3", 5, 61), ("B1", 2, 62), ("B3", 5, 63), ("B4", 6, 64),
    ]  # fmt: skip
    assert [r[:2] + r[4:] for r in checked.rejected if r[0] == "visits/b.csv"] == [("visits/b.csv", 4, "cells", "B2")]
    assert checked.store.rows("select name, rows from input_files where kind = 'visits' order by name") == [
        ("visits/a.csv", 3), ("visits/b.csv", 4),
    ]  # fmt: skip


def test_thousands_in_a_file_with_decimal_commas(tmp_path: Path) -> None:
    rows = "V1;I1;2020-03-01;1.234\nV2;I1;2021-03-02;1.234,5\nV3;I2;2021-04-01;60,5\nV4;I2;2021-05-01;7,5 h\n"
    checked = run_checks(
        write_fleet(tmp_path, {"visits/visits.csv": "visit_id;install_id;visited_on;burner_hours\n" + rows})
    )
    taken = dict(checked.store.rows("select visit_id, burner_hours from current_visits"))
    assert taken == {"V1": 1234.0, "V2": 1234.5, "V3": 60.5, "V4": 7.5}
