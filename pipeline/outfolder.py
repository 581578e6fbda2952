"""The output folder: one run at a time, written beside and moved into place whole.

Everything a run makes is built in `.NAME.work/next` beside OUT. At the end OUT and `next` change places in one
system call where the machine has one (Linux, macOS), so that OUT holds the whole of one run at every moment.
Elsewhere two renames do it, and the next run mends an interruption between them.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import os
import re
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from filelock import FileLock, Timeout

from pipeline.errors import FleetError, PassingError

REMOTE = re.compile(r"[A-Za-z][\w+.-]*://")
OURS = ("fleet.duckdb", "exports", "site")


@dataclass(frozen=True)
class OutFolder:
    """Where the results of one fleet live (`out`) and where they are made (`work`)."""

    out: Path

    @property
    def work(self) -> Path:
        return self.out.parent / f".{self.out.name}.work"

    @property
    def next(self) -> Path:
        return self.work / "next"

    @property
    def store(self) -> Path:
        return self.out / "fleet.duckdb"

    @contextmanager
    def claimed(self) -> Iterator[None]:
        """Hold OUT for this run alone; leftovers of an interrupted run are mended first.

        Raises FleetError when another run holds OUT, when OUT is a folder of someone else's files, or when it could
        not be replaced by whoever runs this.
        """
        with told_where(self.out.parent):
            refuse_foreign_folder(self.out)
            refuse_unwritable(self.out)
            self.work.mkdir(parents=True, exist_ok=True)
            lock = FileLock(self.work / "lock", thread_local=False)
            try:
                lock.acquire(timeout=0)
            except Timeout:
                raise PassingError(
                    f"{self.out}: another run is writing this folder. Wait until it has ended, or give another --out."
                ) from None
        try:
            with told_where(self.work):
                self._recover()
                shutil.rmtree(self.next, ignore_errors=True)
                self.next.mkdir()
            yield
        finally:
            shutil.rmtree(self.next, ignore_errors=True)
            lock.release()

    def publish(self) -> None:
        """Put `next` in the place of OUT, whole; files in OUT that are not ours stay."""
        if not self.out.exists():
            os.rename(self.next, self.out)
            return
        if _exchange(self.next, self.out):
            _carry_over(self.next, self.out)
        else:
            old = self.work / "old"
            shutil.rmtree(old, ignore_errors=True)
            os.rename(self.out, old)
            os.rename(self.next, self.out)
            _carry_over(old, self.out)
            shutil.rmtree(old, ignore_errors=True)

    def _recover(self) -> None:
        """Finish what an interrupted `publish` left: results and strangers' files back in OUT."""
        old = self.work / "old"
        if old.exists():
            if self.out.exists():
                _carry_over(old, self.out)
            else:
                os.rename(old, self.out)
            shutil.rmtree(old, ignore_errors=True)
        if self.next.exists() and self.out.exists():
            _carry_over(self.next, self.out)


def is_remote(fleet: str) -> bool:
    """Whether a fleet is named by a URL, not by a folder of this machine."""
    return bool(REMOTE.match(fleet))


def check_folders(fleet: str | os.PathLike[str], out: Path | None) -> None:
    """Raise FleetError where there is no fleet folder, or where OUT would lie around it or among its records. A fleet
    behind a URL lies in no folder."""
    if is_remote(str(fleet)):
        return
    fleet = Path(fleet)
    if not fleet.is_dir():
        raise FleetError(
            f"{fleet}: is not a folder. Name the fleet folder, the one that holds installs.csv, visits/ and readings/."
        )
    if out is not None and fleet.resolve().is_relative_to(out.resolve()):
        raise FleetError(f"{out}: holds the fleet folder itself. Give an --out beside or inside it, not around it.")
    for name in ("visits", "readings"):
        if out is not None and out.resolve().is_relative_to(fleet.resolve() / name):
            raise FleetError(f"{out}: lies in {name}/, whose files are all read. Give an --out beside it.")


@contextmanager
def told_where(folder: Path) -> Iterator[None]:
    """Turns what the system refuses into a FleetError that says where, and what to do."""
    try:
        yield
    except Timeout:
        raise
    except OSError as problem:
        raise FleetError(
            f"{problem.filename or folder}: cannot be written ({problem.strerror}). "
            "Make it writable for you, or give an --out where you may write."
        ) from problem


def refuse_unwritable(out: Path) -> None:
    """Raise FleetError where the results could not be put in place at the end of a run: better before than after it."""
    for folder in (out, out.parent):
        if folder.exists() and not os.access(folder, os.W_OK | os.X_OK):
            raise FleetError(
                f"{folder}: you may not write there, so results could not be put in place. "
                "Make the folder writable for you, or give an --out where you may write."
            )


def refuse_foreign_folder(out: Path) -> None:
    """Raise FleetError where writing OUT would put results among files of another kind."""
    if out.exists() and not out.is_dir():
        raise FleetError(f"{out}: is a file; --out names a folder.")
    if out.exists() and (present := sorted(p.name for p in out.iterdir())) and not set(present) & set(OURS):
        raise FleetError(
            f"{out}: holds other files ({present[0]!r} first) and no earlier results. "
            "Give --out a new or an empty folder, so that nothing of yours is touched."
        )


def _is_ours(name: str) -> bool:
    return name in OURS or name.startswith("fleet.duckdb")  # the store's log lies beside it while it is written


def _carry_over(old: Path, new: Path) -> None:
    for entry in old.iterdir():
        if not _is_ours(entry.name) and not (new / entry.name).exists():
            os.rename(entry, new / entry.name)


def _exchange(a: Path, b: Path) -> bool:
    """Swap two paths in one step; False where the system cannot.

    Source: renameat2(2) with RENAME_EXCHANGE on Linux; renamex_np with RENAME_SWAP on macOS.
    """
    name = {"linux": "renameat2", "darwin": "renamex_np"}.get(sys.platform)
    libc = ctypes.CDLL(None, use_errno=True) if name else None
    if name is None or not hasattr(libc, name):
        return False
    swap = getattr(libc, name)
    first, second = os.fsencode(a), os.fsencode(b)
    at_cwd, flag = -100, 2
    done = swap(at_cwd, first, at_cwd, second, flag) if name == "renameat2" else swap(first, second, flag)
    return done == 0
