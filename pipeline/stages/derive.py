"""derive: combustion values and findings of every current test.

One statement works out, in the store, what the fit needs of all tests and which rules each breaks by itself; the other
values are a view. What only several tests of an install show is then looked for among the few installs that give a
reason to, and their rows are mended.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

from pipeline import findings, fuels, patterns, sql_formulas
from pipeline.combustion import O2_AMBIENT_PCT
from pipeline.derive import (
    COMPARED,
    INPUTS,
    VALUES,
    values_sql,
    with_patterns,
    with_rules,
    with_values,
)
from pipeline.settings import Settings
from pipeline.store import AS_BYTES, Store

TESTS_AT_ONCE = 500_000
"""Some 200 MB while they are worked on."""
SAMPLED_VISITS = 300_000
"""So many visits tell well enough which analysers compute their CO2."""

GIVEN = ", ".join(
    f"r.{name}::double as {'air_free_given_ppm' if name == 'co_air_free_ppm' else name}" for name in INPUTS
)
TESTS = f"""
select r.test_no, r.visit_no, v.visit_id, v.install_no, r.stage, r.firing, r.analyser_id, {GIVEN},
    i.* exclude (install_no)
from current_readings r
join current_visits v on v.visit_no = r.visit_no
join (
    select i.install_no, i.altitude_m::double as altitude_m, i.fuel, f.* exclude (fuel)
    from current_installs i
    left join fuel_terms f on f.fuel = i.fuel
) i on i.install_no = v.install_no
"""
"""All tests with what `values_sql` wants of them. The fuel is looked up for each install, not for each test."""

SUSPECT_TESTS = f"""
select r.visit_no, v.install_no, r.stage, r.firing, r.analyser_id,
    coalesce(v.burner_adjusted, false) or coalesce(v.exchanger_cleaning, 'none') <> 'none' as worked,
    {", ".join(f"r.{name}::double as {name}" for name in INPUTS)}, i.fuel, i.altitude_m::double as altitude_m,
    case when a.compared_visits >= {patterns.COMPARED_VISITS} then a.scatter_pct <= {patterns.COMPUTED_SCATTER_PCT} end
        as analyser_computes,
    a.off_share
from current_readings r
join (select * from current_visits semi join suspect_installs using (install_no)) v on v.visit_no = r.visit_no
join current_installs i on i.install_no = v.install_no
left join analyser_lines a on a.analyser_id = r.analyser_id
order by r.visit_no, r.stage, r.firing
"""

# Rows lie in the order in which current_readings gives them: the cycles stage sets its own columns beside them.
# To write a column costs as much as to work out a formula: keys are whole numbers, names stand in a table of their own.
FITTED = ("co_air_free_ppm", "flue_over_return_k", "o2_dry_pct")
DERIVED_VALUES = """
create or replace table derived_values (
    test_no integer, install_no integer, {columns}, flame_current_ua double,
    broken smallint{as_bytes}, analyser_no {{analyser_no}}{as_bytes}
);
insert into derived_values
select test_no, install_no, {values}, flame_current_ua, {broken}, analyser_no
from ({{tests}}) left join analysers using (analyser_id)
""".format(
    as_bytes=AS_BYTES,
    columns=", ".join(f"{name} float{AS_BYTES * (name == 'co_air_free_ppm')}" for name in FITTED),
    values=", ".join(FITTED),
    broken=findings.broken_rules(sql_formulas).text,
)

# The view works out what is asked of it, by the formulas that the table was made with.
DERIVED = f"""
create or replace view derived as
select t.visit_id, t.visit_no, t.stage, t.firing,
    {", ".join(f"t.{name}::float as {name}" for name in VALUES)}, {findings.names_sql("d.broken")} as findings,
    {", ".join(f"{findings.keeps_sql(fit, 'd.broken')} as keep_{fit}" for fit in ("flue", "co", "o2"))}
from ({{tests}}) t
join derived_values d on d.test_no = t.test_no
"""

BROKEN_TESTS = f"""
select r.visit_no, r.stage, r.firing, {GIVEN}, r.broken, i.altitude_m::double as altitude_m, i.fuel, f.* exclude (fuel)
from current_installs i
join (
    select r.*, d.install_no, d.broken
    from current_readings r
    join (from derived_values where broken <> 0) d on d.test_no = r.test_no
) r on r.install_no = i.install_no
left join fuel_terms f on f.fuel = i.fuel
"""
BROKEN = f"select visit_no, stage, firing, broken, fuel, {', '.join(findings.ENTERED)} from ({{tests}})"

O2_READ = f"""
select test_no >> 1 as place, (test_no & 1) = 0 as high,
    case when o2_pct >= 0 and o2_pct < {O2_AMBIENT_PCT} then round(o2_pct::double * 100) else -1 end::smallint as o2
from current_readings
"""

MEND = """
update derived_values set broken = m.broken
from mended_tests m
where derived_values.test_no = m.visit_no * 4 + (m.stage = 'as_left')::integer * 2 + (m.firing = 'low')::integer;
delete from found_rules using mended_tests m
where found_rules.visit_no = m.visit_no and found_rules.stage = m.stage and found_rules.firing = m.firing;
insert into found_rules by name from mended_rules;
drop table mended_tests;
drop table mended_rules;
"""

READING_FINDINGS = """
create or replace table reading_findings as
select f.name as file, r.line, t."column", t.value, t.rule, t.message, v.visit_id, t.stage::varchar as stage,
    t.firing::varchar as firing, v.install_id, v.technician_id, r.analyser_id, t.misleads
from found_rules t
join (
    select visit_no, stage, firing, analyser_id, file_id, line
    from current_readings semi join found_rules using (visit_no)
) r on r.visit_no = t.visit_no and r.stage = t.stage and r.firing = t.firing
join (select visit_no, visit_id, install_id, technician_id from current_visits semi join found_rules using (visit_no)) v
    on v.visit_no = t.visit_no
left join input_files f on f.file_id = r.file_id
order by t.visit_no, t.stage, t.firing, t.rule;
create table if not exists clock_findings as from findings limit 0;
create or replace view all_findings as
select * from findings union all by name select * from reading_findings union all by name select * from clock_findings;
drop table found_rules;
"""


def derive(store: Store, settings: Settings) -> int:
    """Write derived_values, analysers, analyser_lines, reading_findings, the views derived and all_findings; returns
    the number of tests.

    Reads current_readings, current_visits, current_installs, input_files, findings. Raises FleetError for a fuel of
    fleet.toml that cannot be one.
    """
    terms, rh_pct = fuels.load(settings.fuels).frame, settings.air_relative_humidity_pct
    store.write("fuel_terms", terms)
    store.set_fact("air_relative_humidity_pct", str(rh_pct))
    store.set_fact("units", settings.units)
    visits = store.scalar("select count(*) from current_visits")
    store.run(f"set variable every_nth = {max(1, visits // SAMPLED_VISITS)}")
    with store.joins_as_written():
        store.run_file("40_analyser_lines.sql")
        tests = values_sql(TESTS, rh_pct, whole=True, wanted=FITTED)
        store.run(DERIVED_VALUES.format(tests=tests, analyser_no=_number_type(store, "analysers")))
        broken = store.frame(BROKEN.format(tests=values_sql(BROKEN_TESTS, rh_pct, wanted=("co_seen_ppm",))))
    store.run(DERIVED.format(tests=values_sql(TESTS, rh_pct)))
    nothing_beside = (pl.lit(None, dtype).alias(name) for name, dtype in findings.PATTERN_COLUMNS.items())
    store.write("found_rules", findings.worded(broken.with_columns(nothing_beside), system=settings.units))
    store.write("suspect_installs", _suspects(store))
    with store.joins_as_written():
        _compare_tests(store, terms, rh_pct, settings.units)
        store.run(READING_FINDINGS)
    return int(store.scalar("select count(*) from derived_values"))


def _number_type(store: Store, table: str) -> str:
    """The type of numbers from 0 on for the rows of a table."""
    return "smallint" if store.scalar(f"select count(*) from {table}") <= 1 << 15 else "integer"


def _suspects(store: Store) -> pl.DataFrame:
    """install_no of the installs whose tests give a reason to be compared with one another."""
    off_line = f"select distinct install_no from derived_values where broken & {findings.OFF_LINE} <> 0"
    visits = store.db.sql("select visit_no, install_no from current_visits").fetchnumpy()
    install_of_visit = np.full(int(visits["visit_no"].max(initial=-1)) + 1, -1, np.int32)
    install_of_visit[visits["visit_no"]] = visits["install_no"]
    read = store.db.sql(O2_READ).fetchnumpy()
    found = [np.asarray(store.db.sql(off_line).fetchnumpy()["install_no"])]
    for high in (True, False):
        firing = np.flatnonzero(read["high"] == high)
        found.append(patterns.jumping_installs(read["place"][firing], read["o2"][firing], install_of_visit))
    return pl.DataFrame({"install_no": np.unique(np.concatenate(found)).astype(np.int32)})


def _streamed(store: Store, query: str) -> Iterator[pl.DataFrame]:
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
    """Pieces, of which there is one at least, cut anew so that no install is in two; they come in the order of
    visit_no."""
    waiting = next(pieces)
    for piece in pieces:
        last = pl.col("install_no") == pl.col("install_no").last()
        whole, begun = waiting.filter(~last), waiting.filter(last)
        if whole.height:
            yield whole
        waiting = pl.concat([begun, piece])
    if waiting.height:
        yield waiting


def _compare_tests(store: Store, terms: pl.DataFrame, rh_pct: float, system: str) -> None:
    """Look at all tests of the suspect installs together, and mend what was written of them."""
    mended, told = [], []
    for part in _whole_installs(_streamed(store, SUSPECT_TESTS)):
        alone = with_rules(with_values(part.lazy(), terms, rh_pct), COMPARED)
        together = with_patterns(alone, terms)
        changed = together.filter(together["broken"] != alone["broken"])
        mended.append(changed.select("visit_no", "stage", "firing", "broken"))
        told.append(findings.worded(changed, system=system))
    if mended:
        store.write("mended_tests", pl.concat(mended))
        store.write("mended_rules", pl.concat(told))
        store.run(MEND)
    store.run("drop table suspect_installs")
