"""Seconds and memory to plan a fleet, stage alone, and to solve areas of several sizes.

python tests/bench/bench_plan.py 100000 --areas 25
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from plan_store import plan_store

from pipeline.settings import Settings
from pipeline.stages.plan import plan


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("installs", type=int)
    options.add_argument("--areas", type=int, default=25)
    options.add_argument("--hours-share", type=float, default=1.0, help="0: no capacity stated")
    given = options.parse_args()
    store = plan_store(given.installs, given.areas, hours_share=given.hours_share or None, never_visited=0.02)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    began, worked = time.perf_counter(), time.process_time()
    plan(store, Settings())
    seconds, busy = time.perf_counter() - began, time.process_time() - worked
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    planned = store.scalar("select count(*) from visit_plan where planned_week is not null")
    short, needed = store.rows("select sum(hours_short), sum(hours_needed) from area_weeks")[0]
    print(
        f"{given.installs:,} installs, {given.areas} areas: {seconds:.1f} s ({busy:.1f} s of processor time), "
        f"{peak:.2f} GB at its peak ({before:.2f} GB with the fleet alone); {planned:,} visits, {needed:,.0f} h, "
        f"{short or 0:,.0f} h short; distance to the proven bound {store.fact('plan_bound_gap_days')} days"
    )


if __name__ == "__main__":
    main()
