"""The command line: quick help, one plain sentence when it cannot go on, a summary when it can."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.cli import app

COMMANDS = ["run", "check", "headers", "explain", "sample", "serve"]


def foulcast(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pipeline.cli", *arguments],
        capture_output=True,
        text=True,
        timeout=300,
        env=os.environ | {"COLUMNS": "120"} | environment,
        check=False,
    )


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_shows_an_example_in_its_help(command: str) -> None:
    result = CliRunner().invoke(app, [command, "--help"])
    assert result.exit_code == 0
    assert f"foulcast {command} " in result.output


def test_help_imports_nothing_heavy() -> None:
    heavy = "('polars', 'duckdb', 'prefect', 'altair')"
    code = f"import sys; from pipeline import cli; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_missing_folder_is_told_in_one_sentence(tmp_path: Path) -> None:
    done = foulcast("run", str(tmp_path / "nowhere"), "--out", str(tmp_path / "out"), "--direct")
    assert done.returncode == 1
    assert done.stderr.startswith("foulcast: ")
    assert "is not a folder" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_empty_folder_says_what_is_missing(tmp_path: Path) -> None:
    (tmp_path / "fleet").mkdir()
    done = foulcast("run", str(tmp_path / "fleet"), "--out", str(tmp_path / "out"), "--direct")
    assert done.returncode == 1
    assert ".csv" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_broken_settings_file_is_told_at_once(small_fleet: Path, tmp_path: Path) -> None:
    fleet = tmp_path / "fleet"
    shutil.copytree(small_fleet, fleet)
    (fleet / "fleet.toml").write_text("risk_tolerence = 0.1\n")
    done = foulcast("run", str(fleet), "--out", str(tmp_path / "out"))
    assert done.returncode == 1
    assert "risk_tolerance" in done.stderr
    assert "Traceback" not in done.stderr


def test_check_writes_nothing(small_fleet: Path, tmp_path: Path) -> None:
    before = sorted(p for p in small_fleet.rglob("*"))
    done = foulcast("check", str(small_fleet))
    assert done.returncode == 0, done.stderr
    assert "visits" in done.stdout
    assert sorted(p for p in small_fleet.rglob("*")) == before


def test_check_tells_of_each_rule_how_many_rows_and_the_first_of_them(small_fleet: Path, tmp_path: Path) -> None:
    fleet = tmp_path / "fleet"
    shutil.copytree(small_fleet, fleet)
    header = "visit_id,install_id,visited_on,burner_hours\n"
    with (fleet / "installs.csv").open(encoding="utf-8") as file:
        install = next(csv.DictReader(file))
    rows = [f"N{k},nobody-{k},2024-05-{k + 10}," for k in range(11)]
    rows.append(f"N99,{install['install_id']},{install['installed_on']},minus ten")
    (fleet / "visits" / "aa.csv").write_text(header + "\n".join(rows), encoding="utf-8")
    before, told = foulcast("check", str(small_fleet)).stdout, foulcast("check", str(fleet)).stdout
    counts = [int(count) for text in (before, told) for count in re.findall(r"(\d+)  unknown_install: ", text)]
    assert counts[-1] - sum(counts[:-1]) == 11
    not_taken, doubtful = told.split("rows not taken:")[1].split("taken, with a finding:")
    assert re.search(r" unknown_install: .* \(first: visits/aa.csv line 2, install_id 'nobody-0'\)", not_taken)
    assert re.search(r" unreadable: .* \(first: visits/aa.csv line 13, burner_hours 'minus ten'\)", doubtful)


def test_run_with_prefect_records_its_tasks_and_sums_up(small_fleet: Path, tmp_path: Path) -> None:
    cache = tmp_path / "cache"
    done = foulcast("run", str(small_fleet), "--out", str(tmp_path / "out"), XDG_CACHE_HOME=str(cache))
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    for words in ("rows", "installs", "in range", "out of range", "within 30 days", "index.html"):
        assert words in done.stdout
    record = json.loads((tmp_path / "out" / "exports" / "run.json").read_text())
    assert set(record["timings_s"]) == {"read", "check", "derive", "cycles", "fit", "forecast", "plan", "publish"}

    import sqlite3

    with sqlite3.connect(tmp_path / ".out.work" / "prefect" / "prefect.db") as runs:
        names = {name for (name,) in runs.execute("select name from task_run where state_name = 'Completed'")}
    assert {name.split("-")[0] for name in names} == set(record["timings_s"])
    if sys.platform == "linux":  # elsewhere the cache lies where XDG_CACHE_HOME does not lead
        (template,) = cache.rglob("prefect.db")
        with sqlite3.connect(template) as kept:
            assert kept.execute("select count(*) from flow_run").fetchone() == (0,)
