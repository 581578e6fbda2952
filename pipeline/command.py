"""What each command does, once its arguments are read."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import FleetError
from pipeline.outfolder import OutFolder, check_folders
from pipeline.prefect_api import prefect_api
from pipeline.terminal import err, say_summary, stage_lines
from pipeline.terminal import out as terminal

if TYPE_CHECKING:
    from pipeline.store import Store


def run_fleet(fleet: Path, out: Path, as_of: date | None, direct: bool) -> None:
    """Run the whole job and say what came of it."""
    check_folders(fleet, out)
    folder = OutFolder(out.resolve())
    with folder.claimed(), stage_lines():
        _begin_beside()
        if direct:
            from pipeline.job import Job, run_direct

            run_direct(Job.of(fleet, out, as_of))
        else:
            _run_flow(folder, fleet, out, as_of)
    _say_what_came_of_it(folder)


def _begin_beside() -> None:
    """Start the helper process, and in it what publishing will need, while this one imports."""
    from pipeline.stages.side_by_side import helpers
    from reports.drawing import script_later

    script_later(helpers())


def _run_flow(folder: OutFolder, fleet: Path, out: Path, as_of: date | None) -> None:
    with prefect_api(folder.work / "prefect") as server:
        from pipeline.settings import load_settings

        load_settings(fleet)  # a typing error in fleet.toml is told at once, not after the start-up
        with err.status("starting Prefect …"):
            from pipeline.flows import refresh

            if server is not None:
                server.wait()
        refresh(str(fleet.resolve()), str(out.resolve()), as_of.isoformat() if as_of else None)


def _say_what_came_of_it(folder: OutFolder) -> None:
    from pipeline.stages.publish import counts
    from pipeline.store import Store

    with Store.open(folder.store, read_only=True) as store:
        say_summary(counts(store), store.fact("as_of"), _warnings(store), folder.out)


def _warnings(store: Store) -> list[str]:
    return [message for (message,) in store.rows("select distinct message from run_warnings order by message")]


def check_fleet(fleet: Path, as_of: date | None) -> None:
    """Read and check in memory, print the reports; nothing is written."""
    check_folders(fleet, None)
    from pipeline.settings import load_settings
    from pipeline.stages.check import check
    from pipeline.stages.read import read
    from pipeline.store import Store

    with Store.open(None) as store:
        settings = load_settings(fleet)
        terminal.print(str(read(store, fleet.resolve(), settings)), markup=False)
        terminal.print(str(check(store, settings, as_of, date.today())), markup=False)
        reasons = store.rows(
            """select split_part(reason, ':', 1) as kind, count(*) as n, min(file || ' line ' || line) as first
               from rejected_rows group by kind order by n desc, kind"""
        )
        warnings = _warnings(store)
    for message in warnings:
        terminal.print(f"note: {message}", markup=False)
    for kind, n, first in reasons:
        terminal.print(f"  {n:>7,}  {kind}  (first: {first})", markup=False)


def propose_headers(fleet: Path, write: bool) -> None:
    """Show a [columns.…] mapping for unknown headers; add it to fleet.toml when told to."""
    check_folders(fleet, None)
    from pipeline.intake.proposals import propose
    from pipeline.settings import load_settings

    proposal = propose(fleet.resolve(), load_settings(fleet))
    terminal.print(str(proposal), markup=False)
    if write and proposal.toml:
        target = fleet / "fleet.toml"
        before = target.read_text(encoding="utf-8") if target.exists() else ""
        target.write_text(proposal.added_to(before), encoding="utf-8")
        terminal.print(f"written to {target}", markup=False)


def explain_visit(visit_id: str, out: Path) -> None:
    """Print how each derived value of one visit came about."""
    folder = OutFolder(out.resolve())
    if not folder.store.exists():
        raise FleetError(f"{out}: holds no fleet.duckdb. Name a folder that `foulcast run` has written.")
    from pipeline.explain import explain
    from pipeline.store import Store

    with Store.open(folder.store, read_only=True) as store:
        terminal.print(explain(store, visit_id))


def write_sample_fleet(folder: Path, installs: int, years: float, seed: int) -> None:
    """Write an invented fleet; an existing folder with files in it is left alone."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise FleetError(f"{folder}: exists and is not an empty folder. Name a new one.")
    from pipeline.sample.write import write_sample

    with err.status(f"inventing {installs:,} installs over {years:g} years …"):
        write_sample(folder, installs=installs, years=years, seed=seed)
    terminal.print(f"{folder}: {installs:,} installs over {years:g} years. Next: foulcast run {folder}", markup=False)


def serve_fleet(fleet: Path, out: Path, cron: str) -> None:
    """Serve a Prefect deployment that refreshes OUT on a schedule, until stopped."""
    check_folders(fleet, out)
    folder = OutFolder(out.resolve())
    with prefect_api(folder.work / "prefect") as server:
        from pipeline.flows import scheduled_refresh

        if server is not None:
            server.wait()
        terminal.print(f"serving {fleet} into {out}, cron {cron!r}; Ctrl-C ends it", markup=False)
        scheduled_refresh.serve(
            name=f"foulcast {fleet.name}", cron=cron, parameters={"fleet": str(fleet.resolve()), "out": str(folder.out)}
        )
