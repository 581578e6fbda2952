"""What a person sees of a run: a line a stage, the closing summary, and one plain sentence when it cannot go on."""

from __future__ import annotations

import errno
import logging
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.errors import FleetError

out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

DOING = {
    "read": "reading files",
    "check": "checking rows",
    "derive": "computing combustion values",
    "cycles": "counting burner hours and cycles",
    "fit": "fitting drift",
    "forecast": "forecasting",
    "plan": "planning visits",
    "publish": "writing exports and pages",
}


class StageLines(logging.Handler):
    """Shows a stage while it runs (on a terminal) and leaves one line of what it did."""

    def __init__(self) -> None:
        super().__init__()
        self.status: Any = None

    def emit(self, record: logging.LogRecord) -> None:
        stage = getattr(record, "stage", None)
        if stage is None:
            err.print(record.getMessage(), markup=False)
        elif hasattr(record, "begins"):
            self.stop()
            if err.is_terminal:
                self.status = err.status(f"{DOING[stage]} …")
                self.status.start()
        else:
            self.stop()
            say_rows(err, [(f"{stage:<9}  {record.seconds:5.1f} s", record.getMessage())])  # type: ignore[attr-defined]

    def stop(self) -> None:
        if self.status is not None:
            self.status.stop()
            self.status = None


def say_rows(console: Console, rows: Sequence[tuple[str, str]], style: str = "") -> None:
    """Rows of a name and a text: on a terminal the text is wrapped beside the name; in a file or a pipe each row is one
    line, whole, without blanks at its end."""
    if not console.is_terminal:
        for name, said in rows:
            console.print(f"{name}  {said}".rstrip(), markup=False)
        return
    table = Table.grid(padding=(0, 2))
    table.add_column(style=style, no_wrap=True)
    table.add_column(overflow="fold")
    for name, said in rows:
        table.add_row(Text(name), Text(said))
    console.print(table)


@contextmanager
def stage_lines() -> Iterator[None]:
    """Print what stages log for the length of a run."""
    lines = StageLines()
    log = logging.getLogger("foulcast")
    log.addHandler(lines)
    log.setLevel(logging.INFO)
    log.propagate = False
    try:
        yield
    finally:
        lines.stop()
        log.removeHandler(lines)


@contextmanager
def told_plainly(results_kept: Path | None = None) -> Iterator[None]:
    """End the program with one sentence and a non-zero exit where it cannot go on.

    results_kept: the output folder whose earlier results stay whole.
    """
    try:
        yield
    except FleetError as problem:
        sentence = str(problem)
    except KeyboardInterrupt:
        sentence = "stopped on request."
    except OSError as problem:
        if problem.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EACCES, errno.EROFS, errno.EMFILE):
            raise
        sentence = _of_the_system(problem)
    except Exception as problem:
        if _interrupted(problem):
            sentence = "stopped on request."
        elif _disk_is_full(problem):
            sentence = "the disk is full; free about twice the size of the input files and run again."
        else:
            raise
    else:
        return
    if results_kept is not None and (results_kept / "fleet.duckdb").is_file():
        sentence += f" Earlier results in {results_kept} are whole and unchanged."
    err.print(f"foulcast: {sentence}", markup=False)
    sys.exit(1)


def _of_the_system(problem: OSError) -> str:
    where = f"{problem.filename}: " if problem.filename else ""
    if problem.errno in (errno.ENOSPC, errno.EDQUOT):
        return f"{where}the disk is full; free some space and run again."
    if problem.errno in (errno.EACCES, errno.EROFS):
        return f"{where}{problem.strerror}. Let yourself read and write there, or name a folder where you may."
    return f"{where}{problem.strerror}."


def _interrupted(problem: BaseException | None) -> bool:
    """Whether an error came of Ctrl-C: a library that it meets while it is imported says that it cannot be."""
    while problem is not None and not isinstance(problem, KeyboardInterrupt):
        problem = problem.__cause__ or problem.__context__
    return problem is not None


def _disk_is_full(problem: Exception) -> bool:
    """DuckDB and Polars word a full disk in their own exceptions."""
    text = str(problem).lower()
    return "no space left" in text or "disk full" in text or "could not write all bytes" in text


def say_summary(counts: dict[str, Any], as_of: str | None, warnings: list[str], folder: Path) -> None:
    """The closing summary of a run."""
    read_rows = sum(counts["rows_read"].values())
    findings = f"{counts['findings']:,} finding{'' if counts['findings'] == 1 else 's'}"
    out.print()
    for sentence in warnings:
        out.print(f"note: {sentence}", markup=False)
    rows = [
        ("as of", as_of or "no visits yet"),
        ("rows", f"{read_rows:,} read, {counts['rows_set_aside']:,} set aside or replaced, {findings}"),
        (
            "installs",
            f"{counts['installs_out_of_range']:,} out of range, {counts['installs_due']:,} due within 90 days, "
            f"{counts['installs_in_range']:,} in range, {counts['installs_unknown']:,} unknown",
        ),
        (
            "due",
            f"{counts['visits_due_30_days']:,} within 30 days, {counts['visits_due_60_days']:,} within 60, "
            f"{counts['visits_due_90_days']:,} within 90",
        ),
        ("pages", str(folder / "site" / "index.html")),
        ("exports", str(folder / "exports")),
    ]
    say_rows(out, [(f"{name:<8}", said) for name, said in rows], style="bold")
