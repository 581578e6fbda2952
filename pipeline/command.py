"""What each command does, once its arguments are read."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from pipeline.errors import FleetError, printable, shown_value
from pipeline.outfolder import OutFolder, check_folders
from pipeline.prefect_api import prefect_api
from pipeline.terminal import err, say_summary, stage_lines
from pipeline.terminal import out as terminal

if TYPE_CHECKING:
    from pipeline.fleet_place import FleetPlace
    from pipeline.store import Store


WORKED_WITH = ("models.fleets.small", "models.trial.backtest", "sklearn.ensemble")


def run_fleet(fleet: str, out: Path, as_of: date | None, direct: bool, dask: str | None = None) -> None:
    """Run the whole job and say what came of it."""
    if direct and dask:
        raise FleetError("--dask hands work out through Prefect, and --direct leaves Prefect out. Give one of them.")
    check_folders(fleet, out)
    if dask:
        from pipeline.workers import check_cluster

        check_cluster(dask)
    folder = OutFolder(out.resolve())
    with folder.claimed(), stage_lines():
        (_run_direct if direct else partial(_run_flow, dask=dask))(fleet, folder, as_of)
    _say_what_came_of_it(folder)


def _place(fleet: str, folder: OutFolder) -> FleetPlace:
    from pipeline.fleet_place import FleetPlace

    return FleetPlace(fleet, folder.work)


def _run_direct(fleet: str, folder: OutFolder, as_of: date | None) -> None:
    _begin_beside()
    from pipeline.job import Job, run_direct
    from pipeline.stages.side_by_side import end_helpers

    place = _place(fleet, folder)
    if place.settings().cluster.address:
        err.print("--direct: [cluster] in fleet.toml is left aside; this machine does all", markup=False)
    run_direct(Job.of(place.source, folder.out, as_of))
    end_helpers()  # left to themselves they clear up first, and this process waits for that


def _begin_beside() -> None:
    """Start the helper process, and in it what publishing will need, while this one imports."""
    from pipeline.kept import vega_script_file
    from pipeline.stages.side_by_side import helpers, import_ahead
    from reports.drawing import get_ready, script_later

    helper = helpers()
    if helper is not None:
        helper.submit(import_ahead, WORKED_WITH)
        script_later(helper, vega_script_file())
        helper.submit(get_ready)


def _run_flow(fleet: str, folder: OutFolder, as_of: date | None, dask: str | None) -> None:
    with prefect_api(folder.work / "prefect") as server:
        place = _place(fleet, folder)
        address = dask or place.settings().cluster.address  # what is wrong in fleet.toml is told at once
        with err.status("starting Prefect …"):
            from pipeline.flows import over

            flow = over(address)
            _begin_beside()  # not before: the server wants a processor of its own while it comes up
            if server is not None:
                server.wait()
        flow(place.source, str(folder.out), as_of.isoformat() if as_of else None)


def _say_what_came_of_it(folder: OutFolder) -> None:
    record = json.loads((folder.out / "exports" / "run.json").read_text(encoding="utf-8"))
    say_summary(record["counts"], record["as_of"], record["warnings"], folder.out)


def _warnings(store: Store) -> list[str]:
    return [message for (message,) in store.rows("select distinct message from run_warnings order by message")]


@contextmanager
def _here(fleet: str) -> Iterator[Path]:
    """The fleet as a folder of this machine, for as long as it is looked at."""
    from pipeline.fleet_place import FleetPlace

    with TemporaryDirectory(prefix="foulcast-") as work:
        place = FleetPlace(fleet, Path(work))
        check_folders(fleet, None)
        place.bring()
        yield place.folder


def check_fleet(fleet: str, as_of: date | None) -> None:
    """Read and check in memory, print the reports; nothing is written."""
    from pipeline.settings import load_settings
    from pipeline.stages.check import check
    from pipeline.stages.read import read
    from pipeline.store import Store

    with _here(fleet) as folder, Store.open(None) as store:
        settings = load_settings(folder)
        terminal.print(str(read(store, folder, settings)), markup=False)
        terminal.print(str(check(store, settings, as_of, date.today())), markup=False)
        not_taken = _by_rule(store, "select split_part(reason, ':', 1) as rule, reason as told, * from rejected_rows")
        doubtful = _by_rule(store, "select concat_ws(': ', rule, message) as told, * from findings")
        warnings = _warnings(store)
    for message in warnings:
        terminal.print(f"note: {message}", markup=False)
    for title, lines in (("rows not taken:", not_taken), ("taken, with a finding:", doubtful)):
        if lines:
            terminal.print("\n".join([title, *lines]), markup=False)


def _by_rule(store: Store, rows: str) -> list[str]:
    """A line per rule, the commonest first: how many rows, and the first of them in full. rows: a query for rule, told,
    file, line, column and value."""
    counted = store.rows(
        f"""select count(*) as n, first(struct_pack(told, file, line, name := "column", value) order by file, line) as f
            from ({rows}) group by rule order by n desc, rule"""
    )
    lines = []
    for n, first in counted:
        place = f"{printable(first['file'])} line {first['line']}"
        if first["value"]:
            place += f", {printable(first['name'] or '')} {shown_value(first['value'])}"
        lines.append(f"  {n:>7,}  {printable(first['told'])} (first: {place})")
    return lines


def propose_headers(fleet: str, write: bool) -> None:
    """Show a [columns.…] mapping for unknown headers; add it to fleet.toml when told to."""
    from pipeline.intake.proposals import propose
    from pipeline.settings import load_settings

    with _here(fleet) as folder:
        proposal = propose(folder, load_settings(folder))
        terminal.print(str(proposal), markup=False)
        if write and proposal.toml:
            target = folder / "fleet.toml"
            if not target.resolve().is_relative_to(Path(fleet).resolve()):
                raise FleetError(f"{fleet}: is not a folder of this machine. Add the lines above to its fleet.toml.")
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
        told = explain(store, visit_id)
    terminal.print(told if terminal.is_terminal else str(told), markup=False)


def write_sample_fleet(folder: Path, installs: int, years: float, seed: int, parquet: bool = False) -> None:
    """Write an invented fleet, as CSV or with Parquet; an existing folder with files in it is left alone."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise FleetError(f"{folder}: exists and is not an empty folder. Name a new one.")
    from pipeline.sample.write import write_sample

    with err.status(f"inventing {installs:,} installs over {years:g} years …"):
        write_sample(folder, installs=installs, years=years, seed=seed)
        if parquet:
            from pipeline.sample.as_parquet import as_parquet

            as_parquet(folder)
    terminal.print(f"{folder}: {installs:,} installs over {years:g} years. Next: foulcast run {folder}", markup=False)


def serve_fleet(fleet: str, out: Path, cron: str, dask: str | None = None) -> None:
    """Serve a Prefect deployment that refreshes OUT on a schedule, until stopped."""
    check_folders(fleet, out)
    folder = OutFolder(out.resolve())
    with prefect_api(folder.work / "prefect", schedules=True) as server:
        place = _place(fleet, folder)
        place.settings()
        from pipeline.flows import keep_served

        if server is not None:
            server.wait()
        where = f", its runs at {server.url}" if server is not None else ""
        terminal.print(f"serving {fleet} into {out}, cron {cron!r}{where}; Ctrl-C ends it", markup=False)
        keep_served(place.source, folder.out, cron, dask)
