"""The database that new homes of Prefect's server begin with: whole or not at all, and never one with runs."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.prefect_api import Template


def database(path: Path, runs: int = 0) -> Path:
    with closing(sqlite3.connect(path)) as made:
        made.execute("pragma journal_mode = wal")  # as Prefect sets it
        made.execute("create table flow_run (name text)")
        made.executemany("insert into flow_run values (?)", [(f"run {k}",) for k in range(runs)])
        made.commit()
    return path


def tables(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as read:
        return [name for (name,) in read.execute("select name from sqlite_master where type = 'table'")]


def test_a_new_home_gets_a_copy_and_an_old_one_keeps_its_own(tmp_path: Path) -> None:
    template = Template(tmp_path / "cache" / "3" / "prefect.db")
    template.copy_to(tmp_path / "none yet.db")
    assert not (tmp_path / "none yet.db").exists()
    template.keep(database(tmp_path / "first.db"))
    template.copy_to(tmp_path / "second.db")
    assert tables(tmp_path / "second.db") == ["flow_run"]
    own = database(tmp_path / "third.db", runs=2).read_bytes()
    template.copy_to(tmp_path / "third.db")
    assert (tmp_path / "third.db").read_bytes() == own
    assert [entry.name for entry in template.path.parent.iterdir()] == ["prefect.db"]  # nothing is left beside it


def test_what_holds_runs_is_not_kept(tmp_path: Path) -> None:
    template = Template(tmp_path / "prefect.db")
    template.keep(database(tmp_path / "used.db", runs=1))
    template.keep(tmp_path / "elsewhere.db")  # the server was told of another database
    assert not template.path.exists()
    assert not (tmp_path / "elsewhere.db").exists()


@pytest.mark.parametrize("damage", ["cut", "text", "empty"])
def test_a_damaged_template_is_not_used(tmp_path: Path, damage: str) -> None:
    template = Template(tmp_path / "prefect.db")
    template.keep(database(tmp_path / "first.db"))
    whole = template.path.read_bytes()
    template.path.write_bytes({"cut": whole[: len(whole) // 2], "text": b"no database" * 400, "empty": b""}[damage])
    template.copy_to(tmp_path / "second.db")
    assert not (tmp_path / "second.db").exists()


def test_a_cache_that_cannot_be_written_hinders_nothing(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    template = Template(tmp_path / "file" / "prefect.db")
    template.keep(database(tmp_path / "first.db"))
    template.copy_to(tmp_path / "second.db")
    assert not (tmp_path / "second.db").exists()
