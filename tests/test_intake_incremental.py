"""Only what is new or changed is read again, and the result is that of a run from scratch."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import duckdb
import pytest
from fleet_writer import Checked, run_checks, write_fleet

TABLES = (
    *("current_areas", "current_models", "current_limits", "current_installs", "current_capacity"),
    *("current_visits", "current_readings", "rejected_rows", "findings"),
)
MONTHS = {
    f"visits/2021-{m:02d}.csv": "visit_id,install_id,visited_on,notes\n"
    + "".join(f'W{m}-{d},I1,2021-{m:02d}-{d:02d},"two\nlines"\n' for d in (3, 14, 25))
    + f"W{m}-x,I9,2021-{m:02d}-01,\nW{m}-3,I1,2021-{m:02d}-03,later\n"
    for m in range(1, 13)
}
CHANGED = MONTHS["visits/2021-05.csv"].replace("later", "mended").replace("I9", "I2")


def same(one: Checked, other: Checked) -> None:
    for table in TABLES:
        without = "exclude (file_id)" if table in ("current_visits", "current_readings") else ""
        query = f"select * {without} from {table} order by all"
        assert one.table(query).equals(other.table(query)), table
    files = "select name, kind, fingerprint, rows, message from input_files order by name"
    assert one.store.rows(files) == other.store.rows(files)
    assert str(one.check) == str(other.check)


def again(fleet: Path, path: Path, tmp_path: Path) -> Checked:
    """A second run beside the first store, which stays as it is; compared with one from scratch."""
    second = run_checks(fleet, tmp_path / "second.duckdb", previous=path)
    scratch = run_checks(fleet, tmp_path / "scratch.duckdb")
    same(second, scratch)
    copied = run_checks(fleet, None, previous=path)
    same(copied, scratch)
    assert str(copied.read) == str(second.read)
    scratch.store.close()
    return second


@pytest.fixture
def first(tmp_path: Path) -> tuple[Path, Path]:
    fleet = write_fleet(tmp_path / "fleet", MONTHS)
    checked = run_checks(fleet, tmp_path / "first.duckdb")
    assert (checked.read.files_new, checked.read.files_unchanged) == (18, 0)
    checked.store.close()
    return fleet, tmp_path / "first.duckdb"


def test_nothing_changed(first: tuple[Path, Path], tmp_path: Path) -> None:
    second = again(*first, tmp_path)
    assert (second.read.files_new, second.read.files_changed, second.read.files_unchanged) == (0, 0, 18)


def test_one_month_of_twelve_changed(first: tuple[Path, Path], tmp_path: Path) -> None:
    (first[0] / "visits/2021-05.csv").write_text(CHANGED)
    second = again(*first, tmp_path)
    assert (second.read.files_new, second.read.files_changed, second.read.files_unchanged) == (0, 1, 17)
    assert second.store.scalar("select notes from current_visits where visit_id = 'W5-3'") == "mended"


def test_a_deleted_file_takes_its_rows_out(first: tuple[Path, Path], tmp_path: Path) -> None:
    (first[0] / "visits/2021-05.csv").unlink()
    second = again(*first, tmp_path)
    assert (second.read.files_removed, second.read.files_unchanged) == (1, 17)
    assert second.store.scalar("select count(*) from current_visits where visit_id like 'W5-%'") == 0


def test_a_file_that_comes_first_by_name_is_corrected_by_the_others(first: tuple[Path, Path], tmp_path: Path) -> None:
    (first[0] / "visits/2020-00.csv").write_text(
        "visit_id,install_id,visited_on,notes\nW7-3,I1,2021-07-03,early\nW0,I1,2021-01-01,\n"
    )
    second = again(*first, tmp_path)
    assert second.read.files_new == 1
    assert second.store.scalar("select notes from current_visits where visit_id = 'W7-3'") == "later"
    assert second.store.scalar("select file from rejected_rows where value = 'W7-3' order by line limit 1") is not None


def test_a_renamed_file_is_a_new_one(first: tuple[Path, Path], tmp_path: Path) -> None:
    (first[0] / "visits/2021-05.csv").rename(first[0] / "visits/2021-05b.csv")
    second = again(*first, tmp_path)
    assert (second.read.files_new, second.read.files_removed) == (1, 1)


def test_rows_of_changed_files_do_not_pile_up(first: tuple[Path, Path], tmp_path: Path) -> None:
    """A store begins as a copy of the one before; once a quarter of its rows count for nothing it is written anew."""
    fleet, path = first
    dead = []
    for step in range(6):
        (fleet / "visits/2021-05.csv").write_text(CHANGED.replace("mended", f"mended {step}"))
        following = tmp_path / f"chain{step}.duckdb"
        checked = run_checks(fleet, following, previous=path)
        path = following
        dead.append(checked.store.scalar("select coalesce(sum(rows), 0) from dead_files"))
        assert checked.store.scalar("select count(*) from raw_visits") == 3 + 12 * 5
        assert checked.store.scalar("select count(*) from raw_visits where visit_id = 'W5-3' and notes = 'later'") == 0
        if step < 5:
            checked.store.close()
    assert dead[0] > 0
    assert 0 in dead
    same(checked, run_checks(fleet))


def test_touching_a_file_is_no_change(first: tuple[Path, Path], tmp_path: Path) -> None:
    os.utime(first[0] / "visits/2021-05.csv", (1, 1))
    assert again(*first, tmp_path).read.files_unchanged == 18


def test_another_mapping_reads_the_files_it_concerns_again(first: tuple[Path, Path], tmp_path: Path) -> None:
    (first[0] / "fleet.toml").write_text('[columns.visits]\nnotes = ""\n')
    second = again(*first, tmp_path)
    assert (second.read.files_changed, second.read.files_unchanged) == (13, 5)
    assert second.store.scalar("select count(notes) from current_visits") == 0


def test_another_reference_table_is_felt_by_unchanged_visits(first: tuple[Path, Path], tmp_path: Path) -> None:
    installs = first[0] / "installs.csv"
    installs.write_text(installs.read_text() + "I9,M1,A1,Found after all,natural_gas,2015-01-01,\n")
    second = again(*first, tmp_path)
    assert second.store.scalar("select count(*) from current_visits where install_id = 'I9'") == 12


def test_a_chain_of_runs_ends_where_one_run_does(first: tuple[Path, Path], tmp_path: Path) -> None:
    fleet, path = first
    for step in range(4):
        name = f"visits/2021-{step + 2:02d}.csv"
        (fleet / name).write_text(CHANGED.replace("W5", f"W{step + 2}"))
        if step == 2:
            (fleet / "visits/2021-11.csv").unlink()
        following = tmp_path / f"chain{step}.duckdb"
        checked = run_checks(fleet, following, previous=path)
        path = following
        if step < 3:
            checked.store.close()
    scratch = run_checks(fleet, tmp_path / "scratch.duckdb")
    same(checked, scratch)


@pytest.mark.parametrize("content", [b"", b"no store", b"\0" * 8192])
def test_an_earlier_store_that_cannot_be_read_is_left_aside(
    content: bytes, first: tuple[Path, Path], tmp_path: Path
) -> None:
    broken = tmp_path / "broken.duckdb"
    broken.write_bytes(content)
    assert run_checks(first[0], tmp_path / "second.duckdb", previous=broken).read.files_new == 18


def test_a_stopped_file_stays_stopped_until_it_changes(first: tuple[Path, Path], tmp_path: Path) -> None:
    fleet, _ = first
    (fleet / "visits/bad.csv").write_text("visit_id,notes\nZ1,x\n")
    one = run_checks(fleet, tmp_path / "one.duckdb")
    assert one.read.files_stopped == 1
    one.store.close()
    shutil.copy(tmp_path / "one.duckdb", tmp_path / "copy.duckdb")
    second = again(fleet, tmp_path / "copy.duckdb", tmp_path)
    assert (second.read.files_stopped, second.read.files_unchanged) == (1, 18)
    assert second.read.warnings == one.read.warnings


@pytest.mark.parametrize(
    "damage",
    [
        "drop table landed_visits cascade",
        "alter table landed_readings drop column odd",
        "delete from landed_readings where visit_id = 'V1'",
        "drop table dead_files",
    ],
)
def test_an_earlier_store_that_does_not_hold_what_it_says_is_left_aside(
    damage: str, first: tuple[Path, Path], tmp_path: Path
) -> None:
    with duckdb.connect(str(first[1])) as store:
        for (view,) in store.execute("select view_name from duckdb_views() where not internal").fetchall():
            store.execute(f'drop view "{view}"')
        store.execute(damage)
    assert again(*first, tmp_path).read.files_new == 18
