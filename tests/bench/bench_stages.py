"""Time and peak memory of every stage beside the floor: a plain typed scan of the same files.

Not a test. From the project's folder:

    python tests/bench/bench_stages.py --installs 10000 100000 --years 8 --folder /tmp/bench

Fleets are made once and kept in the folder. Each stage runs in a process of its own, so that its peak memory is
its own; the floor (DuckDB reads visits and readings with declared types and sums every column) is measured in the
same run, three times before and three times after, since machines drift; the middle one counts.
Prints a Markdown table, with ratios of processor time too: they hold
on a machine that others use as well.
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
from datetime import date
from pathlib import Path

STAGES = ("read", "check", "derive", "cycles", "fit", "forecast", "plan", "publish")


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
        for path in plain_files(fleet, kind):
            with path.open(encoding="utf-8") as file:
                alike.setdefault(file.readline().strip(), []).append(str(path))
        declared = {name: types.get(column.type, "varchar") for name, column in columns_of(kind).items()}
        for header, paths in alike.items():
            columns = {name: declared.get(name, "double") for name in header.split(",")}
            sums = ", ".join(summed[t].format(n) for n, t in columns.items())
            how = "header=true, columns=?, auto_detect=false, ignore_errors=true"  # the made fleets are not clean
            db.execute(f"select {sums} from read_csv(?, {how})", [paths, columns]).fetchall()


def plain_files(fleet: Path, kind: str) -> list[Path]:
    """Files in the ordinary dialect: the ones the plain scan can read at all."""
    found = []
    for path in sorted((fleet / kind).glob("*.csv")):
        with path.open("rb") as file:
            head = file.read(4096)
        if not head.startswith((b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf")) and b";" not in head.split(b"\n", 1)[0]:
            found.append(path)
    return found


def stage(name: str, fleet: Path, out: Path) -> None:
    from pipeline import job as run
    from pipeline.job import Job

    job = Job.of(fleet, out, today=date(2026, 11, 25))
    job.folder.next.mkdir(parents=True, exist_ok=True)
    getattr(run, name)(job)


def measured(*arguments: str) -> tuple[float, float, float]:
    """Wall seconds, processor seconds and peak GB of this script run again with `arguments`, less the imports."""
    began = time.perf_counter()
    process = subprocess.Popen([sys.executable, __file__, *arguments], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    seconds, processor, peak_kb = process.stdout.read().split()[-3:]
    if process.wait():
        raise SystemExit(f"{arguments}: failed after {time.perf_counter() - began:.0f} s")
    return float(seconds), float(processor), int(peak_kb) / 1e6


def bench(installs: int, years: float, folder: Path, stages: Sequence[str] = STAGES) -> None:
    fleet, out = folder / f"fleet-{installs}", folder / f"out-{installs}"
    if not fleet.exists():
        from pipeline.sample.write import write_sample

        began = time.perf_counter()
        write_sample(fleet, installs=installs, years=years, seed=11)
        print(f"{installs:,} installs written in {time.perf_counter() - began:.0f} s", file=sys.stderr)
    shutil.rmtree(out.parent / f".{out.name}.work", ignore_errors=True)
    scans = [measured("--scan", str(fleet)) for _ in range(3)]
    rows = [(name, *measured("--stage", name, str(fleet), str(out))) for name in stages]
    scans += [measured("--scan", str(fleet)) for _ in range(3)]
    floor, floor_cpu, floor_gb = (statistics.median(scan[k] for scan in scans) for k in range(3))
    store = (out.parent / f".{out.name}.work" / "next" / "fleet.duckdb").stat().st_size / 1e9
    gb = size(fleet)
    print(f"\n{installs:,} installs, {years:g} years: {gb:.2f} GB of visits and readings, store {store:.2f} GB\n")
    print("| stage | s | processor s | x scan | x scan, processor | peak GB |\n|---|---|---|---|---|---|")
    print(f"| plain scan | {floor:.1f} | {floor_cpu:.1f} | 1 | 1 | {floor_gb:.1f} |")
    to_cycles = [row for row in rows if row[0] in STAGES[:4]]
    for name, several in (*((row[0], [row]) for row in rows), ("read to cycles", to_cycles), ("all of these", rows)):
        seconds, processor = sum(row[1] for row in several), sum(row[2] for row in several)
        gb = max((row[3] for row in several), default=0)
        times = f"{seconds:.1f} | {processor:.1f} | {seconds / floor:.2f} | {processor / floor_cpu:.2f}"
        print(f"| {name} | {times} | {gb:.1f} |", flush=True)


def size(fleet: Path) -> float:
    """GB of visits and readings."""
    return sum(path.stat().st_size for kind in ("visits", "readings") for path in plain_files(fleet, kind)) / 1e9


def processor_seconds() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


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
        import pipeline.job  # noqa: F401 - imports are not what is timed

        began, used = time.perf_counter(), processor_seconds()
        if chosen.scan:
            scan(chosen.scan)
        else:
            stage(chosen.stage[0], Path(chosen.stage[1]), Path(chosen.stage[2]))
        seconds, processor = time.perf_counter() - began, processor_seconds() - used
        print(seconds, processor, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
        return
    chosen.folder.mkdir(parents=True, exist_ok=True)
    for installs in chosen.installs:
        bench(installs, chosen.years, chosen.folder, chosen.stages)


if __name__ == "__main__":
    main()
