"""derive: combustion values and findings of every current test, streamed through memory in pieces of whole installs."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from pipeline import findings, fuels, patterns
from pipeline.derive import INPUTS, derived_rows, with_findings, with_values
from pipeline.settings import Settings
from pipeline.store import Store

VISITS_AT_ONCE = 250_000
"""About a million tests, 300 MB while they are worked on."""
SAMPLED_VISITS = 300_000
"""So many visits tell well enough which analysers compute their CO2."""

TESTS = """
select r.visit_no, r.visit_id, r.stage, r.firing, r.analyser_id,
    {inputs},
    v.install_no,
    coalesce(v.burner_adjusted, false) or coalesce(v.exchanger_cleaning, 'none') <> 'none' as worked,
    i.fuel, i.altitude_m,
    a.share_on_line >= {share} and a.tests >= {tests} as analyser_computes
from current_readings r
join current_visits v on v.visit_no = r.visit_no
join current_installs i on i.install_no = v.install_no
left join analyser_lines a on a.analyser_id = r.analyser_id
where r.visit_no between ? and ? and v.visit_no between ? and ? and i.install_no between ? and ?
order by r.visit_no, r.stage, r.firing
"""

READING_FINDINGS = """
create or replace table reading_findings as
select f.name as file, r.line, t."column", t.value, t.rule, t.message, r.visit_id, t.stage, t.firing, v.install_id,
    v.technician_id, r.analyser_id, t.misleads
from found_rules t
join current_readings r on r.visit_no = t.visit_no and r.stage = t.stage and r.firing = t.firing
join current_visits v on v.visit_no = t.visit_no
left join input_files f on f.file_id = r.file_id
order by t.visit_no, t.stage, t.firing, t.rule;
drop table found_rules;
"""


def derive(store: Store, settings: Settings) -> int:
    """Write `derived`, `analyser_lines`, `reading_findings` and the view `all_findings`; returns the tests derived.

    Reads current_readings, current_visits, current_installs, input_files, findings. Raises FleetError for a fuel of
    fleet.toml that cannot be one.
    """
    table = fuels.load(settings.fuels)
    store.write("fuel_terms", table.frame)
    visits = store.scalar("select count(*) from current_visits")
    store.write("fuel_sampling", pl.DataFrame({"every_nth": [max(1, visits // SAMPLED_VISITS)]}))
    store.run_file("40_analyser_lines.sql")
    written = 0
    for part in (whole_installs(store, first, last) for first, last in _pieces(store)):
        tests = with_findings(with_values(part.lazy(), table, settings.air_relative_humidity_pct), table)
        rows, told = derived_rows(tests), findings.worded(tests)
        store.append("derived", rows) if written else store.write("derived", rows)
        store.append("found_rules", told) if written else store.write("found_rules", told)
        written += rows.height
    store.run(READING_FINDINGS)
    store.run(
        "create or replace view all_findings as select * from findings union all by name select * from reading_findings"
    )
    store.run("drop table fuel_sampling")
    return written


def whole_installs(store: Store, first: int, last: int) -> pl.DataFrame:
    """The tests of the visits numbered first to last, as `with_values` and `with_findings` take them."""
    installs = store.rows(
        "select min(install_no), max(install_no) from current_visits where visit_no between ? and ?", [first, last]
    )[0]
    query = TESTS.format(
        inputs=", ".join(f"r.{name}::double as {name}" for name in INPUTS),
        share=patterns.COMPUTED_SHARE,
        tests=patterns.COMPUTED_TESTS,
    )
    return store.frame(query, [first, last, first, last, *installs])


def _pieces(store: Store) -> Iterator[tuple[int, int]]:
    """Ranges of visit_no that hold whole installs; one empty range where there is no visit at all."""
    end = store.scalar("select coalesce(max(visit_no), -1) from current_visits")
    first = 0
    while True:
        last = min(first + VISITS_AT_ONCE - 1, end)
        install = store.scalar("select install_no from current_visits where visit_no = ?", [last])
        if install is not None:
            last = store.scalar(
                "select max(visit_no) from current_visits where visit_no >= ? and install_no = ?", [last, install]
            )
        yield first, last
        first = last + 1
        if first > end:
            return
