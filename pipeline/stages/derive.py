"""derive: combustion values and findings of every current test.

All tests stream through memory once, in whatever order they lie. What only several tests of an install show is then
looked for among the few installs that give a reason to, and their rows are mended.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor

import polars as pl

from pipeline import findings, fuels, patterns
from pipeline.derive import INPUTS, KEYS, derived_rows, with_patterns, with_rules, with_values
from pipeline.settings import Settings
from pipeline.store import Store

TESTS_AT_ONCE = 500_000
"""Some 200 MB while they are worked on."""
SAMPLED_VISITS = 300_000
"""So many visits tell well enough which analysers compute their CO2."""

TESTS = """
select r.visit_no, r.visit_id, r.stage, r.firing, r.analyser_id,
    {inputs},
    v.install_no,
    coalesce(v.burner_adjusted, false) or coalesce(v.exchanger_cleaning, 'none') <> 'none' as worked,
    i.fuel, i.altitude_m::double as altitude_m,
    case when a.compared_visits >= {visits} then a.scatter_pct <= {scatter} end as analyser_computes, a.off_share
from current_readings r
join current_visits v on v.visit_no = r.visit_no
join current_installs i on i.install_no = v.install_no
left join analyser_lines a on a.analyser_id = r.analyser_id
""".format(
    inputs=", ".join(f"r.{name}::double as {name}" for name in INPUTS),
    scatter=patterns.COMPUTED_SCATTER_PCT,
    visits=patterns.COMPARED_VISITS,
)

MEND = """
update derived set findings = m.findings, keep_flue = m.keep_flue, keep_co = m.keep_co, keep_o2 = m.keep_o2
from mended_tests m
where derived.visit_no = m.visit_no and derived.stage = m.stage and derived.firing = m.firing;
delete from found_rules using mended_tests m
where found_rules.visit_no = m.visit_no and found_rules.stage = m.stage and found_rules.firing = m.firing;
insert into found_rules by name from mended_rules;
drop table mended_tests;
drop table mended_rules;
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
create or replace view all_findings as
select * from findings union all by name select * from reading_findings;
drop table found_rules;
drop table fuel_sampling;
"""


def derive(store: Store, settings: Settings) -> int:
    """Write `derived`, `analyser_lines`, `reading_findings` and the view `all_findings`; returns the tests derived.

    Reads current_readings, current_visits, current_installs, input_files, findings. Raises FleetError for a fuel of
    fleet.toml that cannot be one.
    """
    terms, rh_pct = fuels.load(settings.fuels).frame, settings.air_relative_humidity_pct
    store.write("fuel_terms", terms)
    store.set_fact("air_relative_humidity_pct", str(rh_pct))
    store.set_fact("units", settings.units)
    visits = store.scalar("select count(*) from current_visits")
    store.write("fuel_sampling", pl.DataFrame({"every_nth": [max(1, visits // SAMPLED_VISITS)]}))
    store.run_file("40_analyser_lines.sql")
    written = 0
    o2_marks, off_line = [], []
    with ThreadPoolExecutor(1) as writer:  # one piece is written while the next is worked out
        writing: Future[None] | None = None
        for part in _streamed(store):
            tests = with_rules(with_values(part.lazy(), terms, rh_pct))
            frames = {"derived": derived_rows(tests), "found_rules": findings.worded(tests)}
            o2_marks.append(patterns.o2_marks(tests))
            off_line.append(patterns.off_line_installs(tests))
            if writing is not None:
                writing.result()
            writing = writer.submit(_put, store, frames, first=not written)
            written += tests.height
        if writing is not None:
            writing.result()
    suspects = pl.concat([*off_line, patterns.jumping_installs(pl.concat(o2_marks))]).unique().sort("install_no")
    _compare_tests(store, suspects, terms, rh_pct)
    store.run(READING_FINDINGS)
    return written


def _put(store: Store, frames: Mapping[str, pl.DataFrame], first: bool) -> None:
    """Each frame into the table of its name: replacing it first, then adding to it."""
    for table, frame in frames.items():
        store.write(table, frame) if first else store.append(table, frame)


def _streamed(store: Store, query: str = TESTS) -> Iterator[pl.DataFrame]:
    """The tests of a query in pieces, read beside what is written; at least one piece, if without rows."""
    with store.db.cursor() as beside:
        reader = beside.sql(query).to_arrow_reader(TESTS_AT_ONCE)
        nothing = True
        for batch in reader:
            nothing = False
            yield pl.DataFrame(pl.from_arrow(batch))
        if nothing:
            yield pl.DataFrame(pl.from_arrow(reader.schema.empty_table()))


def _whole_installs(pieces: Iterator[pl.DataFrame]) -> Iterator[pl.DataFrame]:
    """Pieces cut anew so that no install is in two; they come in the order of visit_no."""
    kept: pl.DataFrame | None = None
    for piece in pieces:
        joined = piece if kept is None else pl.concat([kept, piece])
        last = pl.col("install_no") == pl.col("install_no").last()
        whole, kept = joined.filter(~last), joined.filter(last)
        if whole.height:
            yield whole
    if kept is not None and kept.height:
        yield kept


def _compare_tests(store: Store, suspects: pl.DataFrame, terms: pl.DataFrame, rh_pct: float) -> None:
    """Look at all tests of the suspect installs together, and mend what was written of them."""
    store.write("suspect_installs", suspects)
    query = f"{TESTS} where v.install_no in (from suspect_installs) order by r.visit_no, r.stage, r.firing"
    first = True
    for part in _whole_installs(_streamed(store, query)):
        alone = with_rules(with_values(part.lazy(), terms, rh_pct))
        together = with_patterns(alone, terms)
        changed = together.filter(together["broken"] != alone["broken"])
        mended = derived_rows(changed).select(*KEYS, "findings", "keep_flue", "keep_co", "keep_o2")
        _put(store, {"mended_tests": mended, "mended_rules": findings.worded(changed)}, first)
        first = False
    if not first:
        store.run(MEND)
    store.run("drop table suspect_installs")
