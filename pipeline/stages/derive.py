"""derive: combustion values and findings of every current test.

The store works out, in parts side by side, what the fit needs of all tests and which rules each breaks by itself; the
other values are a view. What only several tests of an install show is then looked for among the few installs that
give a reason to, and their rows are mended.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

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
from pipeline.store_threads import LAST_ROW, Work, adding, in_threads, parts

TESTS_AT_ONCE = 500_000
"""Some 200 MB while they are worked on."""
SAMPLED_VISITS = 300_000
"""So many visits tell well enough which analysers compute their CO2."""

GIVEN = ", ".join(
    f"r.{name}::double as {'air_free_given_ppm' if name == 'co_air_free_ppm' else name}" for name in INPUTS
)
TESTS = f"""
select r.test_no, r.visit_no, r.visit_id, r.install_no, r.stage, r.firing, r.analyser_id, {GIVEN},
    i.* exclude (install_no)
from {{readings}} r
join (
    select i.install_no, i.altitude_m::double as altitude_m, i.fuel, f.* exclude (fuel)
    from current_installs i
    left join fuel_terms f on f.fuel = i.fuel
) i on i.install_no = r.install_no
"""
"""All tests with what `values_sql` wants of them. The fuel is looked up for each install, not for each test."""
ALL_READINGS = f"readings_between(0, {LAST_ROW})"

SUSPECT_TESTS = f"""
select r.visit_no, v.install_no, r.stage, r.firing, r.analyser_id,
    coalesce(v.burner_adjusted, false) or coalesce(v.exchanger_cleaning, 'none') <> 'none' as worked,
    {", ".join(f"r.{name}::double as {name}" for name in INPUTS)}, i.fuel, i.altitude_m::double as altitude_m,
    case when a.compared_visits >= {patterns.COMPARED_VISITS} then a.scatter_pct <= {patterns.COMPUTED_SCATTER_PCT} end
        as analyser_computes,
    a.off_share
from {ALL_READINGS} r
join (select * from current_visits semi join suspect_installs using (install_no)) v on v.visit_no = r.visit_no
join current_installs i on i.install_no = v.install_no
left join analyser_lines a on a.analyser_id = r.analyser_id
where r.install_no between {{first}} and {{last}}
order by r.visit_no, r.stage, r.firing
"""

# Rows lie in the order in which current_readings gives them: the cycles stage sets its own columns beside them.
# To write a column costs as much as to work out a formula: keys are whole numbers, names stand in a table of their own.
FITTED = ("co_air_free_ppm", "flue_over_return_k", "o2_dry_pct")
DERIVED_VALUES = """
create or replace table derived_values (
    test_no integer{as_bytes}, install_no integer{as_bytes}, {columns}, flame_current_ua double,
    broken smallint{as_bytes}, analyser_no {{analyser_no}}{as_bytes}
)
""".format(
    as_bytes=AS_BYTES,
    columns=", ".join(f"{name} float{AS_BYTES * (name == 'co_air_free_ppm')}" for name in FITTED),
)
VALUES_OF_TESTS = f"""
select test_no, install_no, {", ".join(FITTED)}, flame_current_ua,
    {findings.broken_rules(sql_formulas).text}, analyser_no
from ({{tests}}) left join analysers using (analyser_id)
"""

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
    select r.*, d.broken
    from {ALL_READINGS} r
    join (from derived_values where broken <> 0) d on d.test_no = r.test_no
) r on r.install_no = i.install_no
left join fuel_terms f on f.fuel = i.fuel
"""
BROKEN = f"select visit_no, stage, firing, broken, fuel, {', '.join(findings.ENTERED)} from ({{tests}})"

O2_READ = f"""
select test_no >> 1 as place,
    case when o2_pct >= 0 and o2_pct < {O2_AMBIENT_PCT} then round(o2_pct::double * 100) else -1 end::smallint as o2
from current_readings where (test_no & 1) = {{low}}
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
drop table suspect_installs;
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
    store.run_file("40_analysers.sql")
    store.run(DERIVED_VALUES.format(analyser_no=_number_type(store, "analysers")))
    with store.joins_as_written():
        jumping = _work_out(store, rh_pct)
        off_line = f"select distinct install_no from derived_values where broken & {findings.OFF_LINE} <> 0"
        suspects = np.union1d(jumping, store.frame(off_line)["install_no"].to_numpy()).astype(np.int32)
        store.write("suspect_installs", pl.DataFrame({"install_no": suspects}))
        pieces = np.array_split(suspects, len(parts(store, store.scalar("select count(*) from derived_values"))))
        compare = [Work(partial(_compare_tests, terms, rh_pct, settings.units, piece)) for piece in pieces]
        *compared, _ = in_threads(store, [*compare, Work(partial(_find_rules, rh_pct, settings.units))])
        for table, frames in zip(("mended_tests", "mended_rules"), zip(*compared, strict=True), strict=True):
            store.write(table, pl.concat(frames))
        store.run(MEND)
        store.run(READING_FINDINGS)
    store.run(DERIVED.format(tests=values_sql(TESTS.format(readings=ALL_READINGS), rh_pct)))
    return int(store.scalar("select count(*) from derived_values"))


def _number_type(store: Store, table: str) -> str:
    """The type of numbers from 0 on for the rows of a table."""
    return "smallint" if store.scalar(f"select count(*) from {table}") <= 1 << 15 else "integer"


def _work_out(store: Store, rh_pct: float) -> np.ndarray:
    """Side by side: derived_values, in the order of current_readings, analyser_lines, and the install_no of installs
    whose O2 jumps, which it returns."""

    def look_at_analysers(own: Store) -> None:
        visits = own.scalar("select count(*) from current_visits")
        own.run(f"set variable every_nth = {max(1, visits // SAMPLED_VISITS)}")
        own.run_file("40_analyser_lines.sql")

    works = []
    for first, beyond in parts(store, store.scalar("select count(*) from current_readings")):
        tests = TESTS.format(readings=f"readings_between({first}, {beyond})")
        tests = values_sql(tests, rh_pct, whole=True, wanted=FITTED)
        works.append(adding(VALUES_OF_TESTS.format(tests=tests), "derived_values"))
    *_, jumping, _ = in_threads(store, [*works, Work(_jumping_installs), Work(look_at_analysers)])
    return jumping


def _jumping_installs(store: Store) -> np.ndarray:
    """install_no of the installs whose O2 at high or low fire gives a reason to compare their tests."""
    visits = store.db.sql("select visit_no, install_no from current_visits").fetchnumpy()
    install_of_visit = np.full(int(visits["visit_no"].max(initial=-1)) + 1, -1, np.int32)
    install_of_visit[visits["visit_no"]] = visits["install_no"]
    found = []
    for low in (0, 1):
        read = store.db.sql(O2_READ.format(low=low)).fetchnumpy()
        place, o2 = np.asarray(read["place"]), np.asarray(read["o2"])
        found.append(patterns.jumping_installs(place, o2, install_of_visit))
    return np.concatenate(found)


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
    """Pieces, cut anew so that no install is in two; they come in the order of visit_no. One at least, if empty, as of
    the pieces."""
    waiting = next(pieces)
    for piece in pieces:
        last = pl.col("install_no") == pl.col("install_no").last()
        whole, begun = waiting.filter(~last), waiting.filter(last)
        if whole.height:
            yield whole
        waiting = pl.concat([begun, piece])
    yield waiting


def _find_rules(rh_pct: float, system: str, store: Store) -> None:
    """found_rules: what tests break by themselves, in words."""
    broken = store.frame(BROKEN.format(tests=values_sql(BROKEN_TESTS, rh_pct, wanted=("co_seen_ppm",))))
    nothing_beside = (pl.lit(None, dtype).alias(name) for name, dtype in findings.PATTERN_COLUMNS.items())
    store.write("found_rules", findings.worded(broken.with_columns(nothing_beside), system=system))


def _compare_tests(
    terms: pl.DataFrame, rh_pct: float, system: str, install_no: np.ndarray, store: Store
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """mended_tests and mended_rules: what all tests of a suspect install together say otherwise than each by itself.

    install_no: ascending; the suspect installs from the first of them to the last are looked at.
    """
    mended, told = [], []
    first, last = (install_no[0], install_no[-1]) if len(install_no) else (0, -1)
    for part in _whole_installs(_streamed(store, SUSPECT_TESTS.format(first=first, last=last))):
        alone = with_rules(with_values(part.lazy(), terms, rh_pct), COMPARED)
        together = with_patterns(alone, terms)
        changed = together.filter(together["broken"] != alone["broken"])
        mended.append(changed.select("visit_no", "stage", "firing", "broken"))
        told.append(findings.worded(changed, system=system))
    return pl.concat(mended), pl.concat(told)
