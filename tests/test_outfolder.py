"""The output folder holds the whole of one run at every moment, and never a stranger's loss."""

from __future__ import annotations

import errno
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import outfolder
from pipeline.errors import FleetError
from pipeline.outfolder import OutFolder, check_folders


def build(folder: OutFolder, mark: str) -> None:
    (folder.next / "exports").mkdir()
    (folder.next / "site").mkdir()
    for name in ("fleet.duckdb", "exports/run.json", "site/index.html"):
        (folder.next / name).write_text(mark)


def marks(folder: OutFolder) -> set[str]:
    return {(folder.out / name).read_text() for name in ("fleet.duckdb", "exports/run.json", "site/index.html")}


def run(folder: OutFolder, mark: str) -> None:
    with folder.claimed():
        build(folder, mark)
        folder.publish()


@pytest.fixture(params=["exchange", "renames"])
def folder(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> OutFolder:
    """Both ways of moving results into place: one system call, and two renames where there is none."""
    if request.param == "renames":
        monkeypatch.setattr(outfolder, "_exchange", lambda a, b: False)
    return OutFolder(tmp_path / "out")


def test_a_second_run_takes_the_place_of_the_first(folder: OutFolder) -> None:
    run(folder, "first")
    assert marks(folder) == {"first"}
    run(folder, "second")
    assert marks(folder) == {"second"}
    assert not folder.next.exists()


def test_files_of_others_in_out_stay(folder: OutFolder) -> None:
    run(folder, "first")
    (folder.out / "notes.txt").write_text("mine")
    run(folder, "second")
    assert (folder.out / "notes.txt").read_text() == "mine"


def test_a_run_that_fails_leaves_the_earlier_results(folder: OutFolder) -> None:
    run(folder, "first")

    def failing_run() -> None:
        with folder.claimed():
            build(folder, "second")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        failing_run()
    assert marks(folder) == {"first"}


def test_an_interruption_between_two_renames_is_mended(folder: OutFolder) -> None:
    run(folder, "first")
    (folder.out / "notes.txt").write_text("mine")
    folder.out.rename(folder.work / "old")
    with folder.claimed():
        assert marks(folder) == {"first"}
    assert (folder.out / "notes.txt").read_text() == "mine"


def test_an_interruption_right_after_the_exchange_keeps_files_of_others(tmp_path: Path) -> None:
    folder = OutFolder(tmp_path / "out")
    run(folder, "second")
    folder.next.mkdir()
    build(folder, "first")
    (folder.next / "fleet.duckdb.wal").write_text("log of a store that is gone")
    (folder.next / "notes.txt").write_text("mine")
    with folder.claimed():
        pass
    assert marks(folder) == {"second"}
    assert sorted(p.name for p in folder.out.iterdir()) == ["exports", "fleet.duckdb", "notes.txt", "site"]


def test_the_exchange_is_one_step_on_this_machine(tmp_path: Path) -> None:
    if sys.platform not in ("linux", "darwin"):
        pytest.skip("no such system call here")
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    (tmp_path / "a" / "one").touch()
    assert outfolder._exchange(tmp_path / "a", tmp_path / "b")
    assert (tmp_path / "b" / "one").exists()
    assert not (tmp_path / "a" / "one").exists()


def test_a_second_process_is_told_that_out_is_taken(tmp_path: Path) -> None:
    code = (
        "from pathlib import Path; from pipeline.outfolder import OutFolder; import sys\n"
        "with OutFolder(Path(sys.argv[1])).claimed():\n    print('held', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path / "out")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    with pytest.raises(FleetError, match="another run is writing this folder"), OutFolder(tmp_path / "out").claimed():
        pass
    holder.communicate("")
    with OutFolder(tmp_path / "out").claimed():
        pass


def test_a_folder_of_other_files_is_refused(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "one.jpg").touch()
    with (
        pytest.raises(FleetError, match=r"holds other files \('one.jpg' first\)"),
        OutFolder(tmp_path / "photos").claimed(),
    ):
        pass


def test_out_may_not_lie_around_the_fleet_folder(tmp_path: Path) -> None:
    (tmp_path / "fleet").mkdir()
    with pytest.raises(FleetError, match="holds the fleet folder itself"):
        check_folders(tmp_path / "fleet", tmp_path)
    with pytest.raises(FleetError, match="is not a folder"):
        check_folders(tmp_path / "nothing", tmp_path / "out")
    for inside in ("visits", "readings/out"):
        with pytest.raises(FleetError, match=r"lies in (visits|readings)/, whose files are all read"):
            check_folders(tmp_path / "fleet", tmp_path / "fleet" / inside)
    check_folders(tmp_path / "fleet", tmp_path / "fleet" / "visits-out")


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="to root nothing is forbidden")
@pytest.mark.parametrize("locked", ["out", "."])
def test_a_folder_that_may_not_be_written_is_told_before_the_work(tmp_path: Path, locked: str) -> None:
    folder = OutFolder(tmp_path / "place" / "out")
    folder.out.mkdir(parents=True)
    closed = (folder.out.parent / locked).resolve()
    closed.chmod(0o555)
    try:
        with pytest.raises(FleetError, match=re.escape(f"{closed}: you may not write there")), folder.claimed():
            pass
    finally:
        closed.chmod(0o755)


@pytest.mark.parametrize("locked", ["out", "."])
def test_the_same_as_the_system_would_say_it(tmp_path: Path, locked: str, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = OutFolder(tmp_path / "place" / "out")
    folder.out.mkdir(parents=True)
    closed = (folder.out.parent / locked).resolve()
    real = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: real(path, mode) and Path(path) != closed)
    with pytest.raises(FleetError, match=re.escape(f"{closed}: you may not write there")), folder.claimed():
        pass
    assert not folder.work.exists()


def test_a_refused_work_folder_is_told_by_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = OutFolder(tmp_path / "out")

    def refused(path: Path, *_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(path))

    monkeypatch.setattr(Path, "mkdir", refused)
    words = f"{folder.work}: cannot be written (Permission denied). Make it writable for you"
    with pytest.raises(FleetError, match=re.escape(words)), folder.claimed():
        pass
