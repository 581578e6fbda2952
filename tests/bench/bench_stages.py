"""Time and peak memory of every stage beside the floor: a plain typed scan of the same files.

Not a test. From the project's folder:

    python tests/bench/bench_stages.py --installs 10000 100000 --years 8 --folder /tmp/bench

Fleets are made once and kept in the folder as fleet-INSTALLS (a link to one that is there will do). Each stage runs in
a process of its own, from the store that the stage before left, so that its peak memory is its own. Processor time and
memory are those of the process and its helpers together: the memory is looked at every 0.2 s, and the own peak of the
process, which the system keeps, stands where it is more. Imports are left out. The floor (DuckDB reads visits and
readings with declared types and sums every column) is measured in the same run, three times before and three times
after, since machines drift; the middle one counts.
Prints a Markdown table for each size, and one of all sizes side by side; ratios are of processor time too: they hold on
a machine that others use as well.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from threading import Thread

import psutil

STAGES = ("read", "check", "derive", "cycles", "fit", "forecast", "plan", "publish")


@dataclass(frozen=True)
class Cost:
    """Seconds by the clock, seconds of processors, and the most memory taken at once. [s, s, GB]"""

    seconds: float
    processor: float
    peak_gb: float


def scan(fleet: Path) -> None:
    """The floor: DuckDB reads visits and readings once, with declared types, and sums every column.

    A text is summed as its length, a date as its days. One scan for each set of files with the same header.
    """
    import duckdb

    from pipeline.schema import columns_of

    types = {"number": "double", "date": "date", "boolean": "boolean"}
    summed = {
        "double": 'sum("{0}")', "date": "sum(\"{0}\" - date '1970-01-01')", "boolean": 'sum("{0}"::integer)',
        "varchar": 'sum(strlen("{0}"))',
    }  # fmt: skip
    db = duckdb.connect(config={"memory_limit": "4GB"})
    for kind in ("visits", "readings"):
        alike: dict[str, list[str]] = {}
        for path in sorted((fleet / kind).glob("*.csv")):
            with path.open(encoding="utf-8-sig") as file:
                alike.setdefault(file.readline().strip(), []).append(str(path))
        declared = {name: types.get(column.type, "varchar") for name, column in columns_of(kind).items()}
        for header, paths in alike.items():
            delim, point = (";", ",") if ";" in header else (",", ".")
            columns = {name: declared.get(name, "double") for name in header.split(delim)}
            sums = ", ".join(summed[t].format(n) for n, t in columns.items())
            # the made fleets are not clean, hence ignore_errors
            how = "header=true, columns=?, delim=?, decimal_separator=?, auto_detect=false, ignore_errors=true"
            db.execute(f"select {sums} from read_csv(?, {how})", [paths, columns, delim, point]).fetchall()


def stage(name: str, fleet: Path, out: Path) -> None:
    from pipeline import job as run
    from pipeline.interpreter import collect_seldom, hold_freed_memory
    from pipeline.job import Job

    collect_seldom()  # as the command line does, which imports as much
    hold_freed_memory()
    job = Job.of(fleet, out, today=date(2026, 11, 25))
    job.folder.next.mkdir(parents=True, exist_ok=True)
    getattr(run, name)(job)


def measured(*arguments: str) -> Cost:
    """What this script costs, run again with `arguments`, less the imports."""
    began = time.perf_counter()
    process = subprocess.Popen([sys.executable, __file__, *arguments], stdout=subprocess.PIPE, text=True)
    watched = Watched(process.pid)
    watched.start()
    assert process.stdout is not None
    seconds, processor, own_peak_gb = process.stdout.read().split()[-3:]
    if process.wait():
        raise SystemExit(f"{arguments}: failed after {time.perf_counter() - began:.0f} s")
    watched.join()
    return Cost(float(seconds), float(processor), max(float(own_peak_gb), watched.peak_gb))


class Watched(Thread):
    """The most memory that a process and its helpers take together, looked at from outside until it ends. [GB]"""

    def __init__(self, process: int) -> None:
        super().__init__(daemon=True)
        self.process, self.peak_gb = process, 0.0

    def run(self) -> None:
        try:
            watched = psutil.Process(self.process)
            while watched.is_running() and watched.status() != psutil.STATUS_ZOMBIE:
                self.peak_gb = max(self.peak_gb, sum(map(taken_gb, (watched, *watched.children(recursive=True)))))
                time.sleep(0.2)
        except psutil.NoSuchProcess:
            return


def taken_gb(process: psutil.Process) -> float:
    try:
        return float(process.memory_info().rss / 1e9)
    except psutil.NoSuchProcess:
        return 0.0


def middle(costs: Sequence[Cost]) -> Cost:
    seconds, processor, peak_gb = (
        statistics.median(getattr(cost, name) for cost in costs) for name in ("seconds", "processor", "peak_gb")
    )
    return Cost(seconds, processor, peak_gb)


def together(costs: Sequence[Cost]) -> Cost:
    """One after the other."""
    peak_gb = max((cost.peak_gb for cost in costs), default=0.0)
    return Cost(sum(cost.seconds for cost in costs), sum(cost.processor for cost in costs), peak_gb)


def bench(installs: int, years: float, folder: Path, stages: Sequence[str] = STAGES) -> dict[str, Cost]:
    """The cost of the plain scan and of each stage, printed as a table."""
    fleet, out = folder / f"fleet-{installs}", folder / f"out-{installs}"
    if not fleet.exists():
        from pipeline.sample.write import write_sample

        began = time.perf_counter()
        write_sample(fleet, installs=installs, years=years, seed=11)
        print(f"{installs:,} installs written in {time.perf_counter() - began:.0f} s", file=sys.stderr)
    work = out.parent / f".{out.name}.work"
    if STAGES[0] in stages:
        shutil.rmtree(work, ignore_errors=True)
    scans = [measured("--scan", str(fleet)) for _ in range(3)]
    costs = {name: measured("--stage", name, str(fleet), str(out)) for name in stages}
    scans += [measured("--scan", str(fleet)) for _ in range(3)]
    floor = middle(scans)
    store = (work / "next" / "fleet.duckdb").stat().st_size / 1e9
    print(
        f"\n{installs:,} installs, {years:g} years: {size(fleet):.2f} GB of visits and readings, store {store:.2f} GB\n"
    )
    print("| stage | s | processor s | x scan | x scan, processor | peak GB |\n|---|---|---|---|---|---|")
    to_cycles = [cost for name, cost in costs.items() if name in STAGES[:4]]
    sums = {"read to cycles": together(to_cycles), "all of these": together(list(costs.values()))}
    for name, cost in {"plain scan": floor, **costs, **sums}.items():
        times = f"{cost.seconds / floor.seconds:.2f} | {cost.processor / floor.processor:.2f}"
        print(f"| {name} | {cost.seconds:.1f} | {cost.processor:.1f} | {times} | {cost.peak_gb:.2f} |", flush=True)
    return {"plain scan": floor, **costs}


def side_by_side(measured_costs: dict[int, dict[str, Cost]]) -> None:
    """All sizes in one table: processor seconds, how many plain scans that is, and peak memory."""
    print("\n| stage | " + " | ".join(f"{n:,}: s | scans | GB" for n in measured_costs) + " |")
    print("|---" * (1 + 3 * len(measured_costs)) + "|")
    for name in next(iter(measured_costs.values())):
        cells = []
        for costs in measured_costs.values():
            cost, floor = costs[name], costs["plain scan"]
            cells.append(f"{cost.processor:.1f} | {cost.processor / floor.processor:.1f} | {cost.peak_gb:.2f}")
        print(f"| {name} | " + " | ".join(cells) + " |")


def size(fleet: Path) -> float:
    """GB of visits and readings."""
    return sum(path.stat().st_size for kind in ("visits", "readings") for path in (fleet / kind).glob("*.csv")) / 1e9


def processor_seconds() -> float:
    """Of this process and of the helpers that have ended."""
    both = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(used.ru_utime + used.ru_stime for used in both)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--installs", type=int, nargs="+", default=[10_000])
    parser.add_argument("--years", type=float, default=8)
    parser.add_argument("--stages", nargs="+", choices=STAGES, default=STAGES, help="only these, in their order")
    parser.add_argument("--folder", type=Path, default=Path("/tmp/foulcast-bench"))
    parser.add_argument("--scan", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--stage", nargs=3, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.scan or chosen.stage:
        from loky import get_reusable_executor

        import pipeline.job  # noqa: F401 - imports are not what is timed

        began, used = time.perf_counter(), processor_seconds()
        if chosen.scan:
            scan(chosen.scan)
        else:
            stage(chosen.stage[0], Path(chosen.stage[1]), Path(chosen.stage[2]))
        seconds = time.perf_counter() - began
        get_reusable_executor().shutdown(wait=True)  # helpers count when they have ended
        print(seconds, processor_seconds() - used, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6)
        return
    chosen.folder.mkdir(parents=True, exist_ok=True)
    side_by_side(
        {installs: bench(installs, chosen.years, chosen.folder, chosen.stages) for installs in chosen.installs}
    )


if __name__ == "__main__":
    main()
