"""Rows per second of the derive stage: the arithmetic alone, and the whole stage from store to store.

Not a test. From the project's folder:

    python tests/bench/bench_derive.py --installs 40000

Invented tests with gaps; six visits of four tests to an install. Prints wall and processor time for each test and the
peak memory, which must not grow with the number of installs but for the store's own cache (limited to 1 GB here).
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline import fuels
from pipeline.derive import VALUES, values_sql
from pipeline.settings import settings_from
from pipeline.stages.derive import ALL_READINGS, TESTS, derive
from pipeline.store import Store

# One invented fleet, drawn by hash: the same at every run.
TABLES = """
create or replace table input_files as select 1 as file_id, 'readings/a.csv' as name;
create or replace table findings (file varchar, line bigint, "column" varchar, value varchar, rule varchar,
    message varchar, visit_id varchar, stage varchar, firing varchar, install_id varchar, technician_id varchar,
    analyser_id varchar, misleads boolean);
create or replace table current_installs as
select i::integer as install_no, 'I' || i as install_id, (i % 7) * 200.0 as altitude_m,
    case i % 10 when 0 then 'propane' when 1 then 'fuel_oil_2' else 'natural_gas' end as fuel
from range({installs}) t(i);
create or replace table current_visits as
select (i * 6 + k)::integer as visit_no, 'V' || lpad((i * 6 + k)::varchar, 9, '0') as visit_id,
    i::integer as install_no, 'I' || i as install_id,
    date '2018-01-01' + (k * 365)::integer as visited_on, 'T' || i % 50 as technician_id,
    k = 3 as burner_adjusted, case when k % 2 = 1 then 'brush' else 'none' end as exchanger_cleaning
from range({installs}) a(i), range(6) b(k)
order by hash(i * 6 + k);
create or replace table current_readings as
with drawn as (
    select v.visit_no, v.visit_id, v.install_no, s.stage, s.firing, i.fuel, s.draw,
        hash(v.install_no, 1) % 1000 / 1000 as own, hash(v.visit_no, s.draw) % 1000 / 1000 as u,
        hash(v.visit_no, s.draw, 2) % 1000 / 1000 as w
    from current_visits v join current_installs i on i.install_no = v.install_no,
        (values ('as_found', 'high', 1), ('as_found', 'low', 2), ('as_left', 'high', 3), ('as_left', 'low', 4))
            s(stage, firing, draw)
), measured as (
    select *, round(4 + 2 * own + (firing = 'low')::integer + 0.8 * (u + w - 1) + (u > 0.999)::integer * 4, 1) as o2
    from drawn
)
select visit_no, (visit_no * 4 + (stage = 'as_left')::integer * 2 + (firing = 'low')::integer) as test_no, install_no,
    visit_id, stage, firing, case when w > 0.03 then o2 end as o2_pct,
    case when u > 0.2 then round(f.fuel_co2_max_pct * (1 - o2 / 20.95), 1) end as co2_pct,
    round((30 + 100 * own) * (0.9 + 0.2 * u) * (20.9 - o2) / 20.9) as co_ppm, null::double as co_air_free_ppm,
    round(48 + 20 * u, 1) as flue_temp_c, case when w > 0.1 then round(5 + 20 * w, 1) end as air_temp_c,
    60.0 as supply_temp_c, round(35 + 10 * w, 1) as return_temp_c, round(2.5 + own + 0.2 * u, 2) as flame_current_ua,
    'A' || visit_no % 40 as analyser_id, 1 as file_id, visit_no::bigint as line
from measured m join fuel_terms f on f.fuel = m.fuel;
create or replace macro readings_between(first, beyond) as table
from current_readings where rowid >= first and rowid < beyond;
"""


def timed(what: str, rows: int, work: Callable[[], Any]) -> None:
    wall, processor = time.perf_counter(), time.process_time()
    work()
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"{what:26s} {rows:>11,} tests  {rows / wall:>11,.0f} tests/s  {1e6 * wall / rows:5.2f} µs wall  "
        f"{1e6 * processor / rows:5.2f} µs processor  peak {peak:.2f} GB"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--installs", type=int, default=40_000)
    installs = parser.parse_args().installs
    terms = fuels.load().frame
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "bench.duckdb", memory_gb=1) as store:
        store.write("fuel_terms", terms)
        store.run(TABLES.format(installs=installs))
        tests = TESTS.format(readings=ALL_READINGS)
        values = ", ".join(f"sum({name}) as {name}" for name in VALUES)
        query = f"select {values} from (select * from ({values_sql(tests, 50.0, whole=True)}) offset 0)"
        timed("arithmetic of the view", installs * 24, lambda: store.rows(query))
        timed("whole stage", installs * 24, lambda: derive(store, settings_from({})))
        print(store.frame("select rule, count(*) as tests from reading_findings group by rule order by rule"))


if __name__ == "__main__":
    main()
