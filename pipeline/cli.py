"""The command line. Heavy imports stand inside the commands, so that help is quick."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from pipeline.interpreter import collect_seldom, hold_freed_memory

app = typer.Typer(
    name="foulcast",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="When condensing boilers will leave their ranges, and the visits that follow, from fleet service readings.",
)

FleetFolder = Annotated[
    str,
    typer.Argument(
        metavar="FLEET",
        help="Folder with installs.csv, visits/, readings/ and the rest; or a URL, as s3://bucket/fleet.",
    ),
]
OutOption = Annotated[
    Path, typer.Option("--out", metavar="OUT", help="Folder for the store, the exports and the pages.")
]
AsOf = Annotated[
    datetime | None,
    typer.Option("--as-of", formats=["%Y-%m-%d"], help="Day the forecast is made for. Default: the newest visit."),
]

Dask = Annotated[
    str | None,
    typer.Option(
        "--dask", metavar="ADDRESS", help="Dask scheduler whose workers share the work, as tcp://10.0.0.5:8786."
    ),
]


@app.command()
def run(
    fleet: FleetFolder,
    out: OutOption = Path("out"),
    as_of: AsOf = None,
    direct: Annotated[
        bool,
        typer.Option(
            "--direct",
            help="Run the same stages without Prefect: quicker to start, but no record of task runs "
            "and nothing to look up in Prefect afterwards.",
        ),
    ] = False,
    dask: Dask = None,
) -> None:
    """Do the whole job: read, check, derive, fit, forecast, plan, and publish into OUT.

    Example:  foulcast run sample_data --out out
    """
    from pipeline.terminal import told_plainly

    with told_plainly(results_kept=out):
        from pipeline.command import run_fleet

        run_fleet(fleet, out, as_of.date() if as_of else None, direct, dask)


@app.command()
def check(fleet: FleetFolder, as_of: AsOf = None) -> None:
    """Only read the folder, and say which rows would not be taken, and why. Writes nothing.

    Example:  foulcast check sample_data
    """
    from pipeline.terminal import told_plainly

    with told_plainly():
        from pipeline.command import check_fleet

        check_fleet(fleet, as_of.date() if as_of else None)


@app.command()
def headers(
    fleet: FleetFolder,
    write: Annotated[bool, typer.Option("--write", help="Add the proposed mapping to fleet.toml.")] = False,
) -> None:
    """Propose a mapping for column headers that are not known. Writes nothing unless told to.

    Example:  foulcast headers sample_data
    """
    from pipeline.terminal import told_plainly

    with told_plainly():
        from pipeline.command import propose_headers

        propose_headers(fleet, write)


@app.command()
def explain(
    visit_id: Annotated[str, typer.Argument(metavar="VISIT_ID")],
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder that an earlier run wrote.")] = Path("out"),
) -> None:
    """Say how each derived value of one visit came about: inputs, formula, source, result, limit.

    Example:  foulcast explain V000123 out
    """
    from pipeline.terminal import told_plainly

    with told_plainly():
        from pipeline.command import explain_visit

        explain_visit(visit_id, out)


@app.command()
def sample(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="New folder for the invented fleet.")],
    installs: Annotated[int, typer.Option("--installs", min=1)] = 400,
    years: Annotated[float, typer.Option("--years", min=0.5, max=40)] = 6,
    seed: Annotated[int, typer.Option("--seed")] = 1,
    parquet: Annotated[bool, typer.Option("--parquet", help="Visits and readings as Parquet.")] = False,
) -> None:
    """Write an invented fleet folder with known truth, to try things on.

    Example:  foulcast sample /tmp/fleet --installs 2000 --years 8 --seed 7
    """
    from pipeline.terminal import told_plainly

    with told_plainly():
        from pipeline.command import write_sample_fleet

        write_sample_fleet(folder, installs, years, seed, parquet)


@app.command()
def serve(
    fleet: FleetFolder,
    out: OutOption = Path("out"),
    cron: Annotated[str, typer.Option("--cron", help="When to look for new files, as a cron line.")] = "15 5 * * *",
    dask: Dask = None,
) -> None:
    """Keep OUT up to date on a schedule, as a Prefect deployment. Ends with Ctrl-C.

    Example:  foulcast serve sample_data --out out --cron "0 6 * * 1-5"
    """
    from pipeline.terminal import told_plainly

    with told_plainly(results_kept=out):
        from pipeline.command import serve_fleet

        serve_fleet(fleet, out, cron, dask)


def main() -> None:
    collect_seldom()
    hold_freed_memory()
    app()


if __name__ == "__main__":
    main()
