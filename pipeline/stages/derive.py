"""derive: combustion values and findings of every current test.

All tests stream through memory once, in whatever order they lie. What only several tests of an install show is then
looked for among the few installs that give a reason to, and their rows are mended.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline import findings, fuels, patterns
from pipeline.derive import (
    COMPARED,
    FIRINGS,
    INPUTS,
    STAGES,
    VALUES,
    derived_rows,
    mended_rows,
    with_patterns,
    with_rules,
    with_values,
)
from pipeline.settings import Settings
from pipeline.store import Store, literal

TESTS_AT_ONCE = 500_000
"""Some 200 MB while they are worked on."""
SAMPLED_VISITS = 300_000
"""So many visits tell well enough which analysers compute their CO2."""

# Stage and firing as places in STAGES and FIRINGS: words would cost as much on the way as all values together.
TESTS = """
select visit_no, (stage = 'as_left')::utinyint as stage, (firing = 'low')::utinyint as firing, analyser_id, {inputs}
from current_readings
""".format(inputs=", ".join(f"{name}::double as {name}" for name in INPUTS))

VISITS = """
select visit_no, install_no,
    coalesce(burner_adjusted, false) or coalesce(exchanger_cleaning, 'none') <> 'none' as worked
from current_visits
"""

ANALYSERS = f"""
select analyser_id,
    case when compared_visits >= {patterns.COMPARED_VISITS} then scatter_pct <= {patterns.COMPUTED_SCATTER_PCT} end
        as analyser_computes,
    off_share
from analyser_lines
"""

# Rows lie in the order in which current_readings gives them: the cycles stage sets its own columns beside them. Kept as
# they are, values fill hardly more room than compressed, and writing them costs half as much.
DERIVED_VALUES = """
create or replace table derived_values (
    visit_no integer, install_no integer, stage enum ({stages}), firing enum ({firings}), {values}, findings varchar,
    keep_flue boolean, keep_co boolean, keep_o2 boolean, flame_current_ua double, analyser_id varchar
)
""".format(
    stages=", ".join(literal(name) for name in STAGES),
    firings=", ".join(literal(name) for name in FIRINGS),
    values=", ".join(f"{name} float using compression uncompressed" for name in VALUES),
)

DERIVED = f"""
create or replace view derived as
select v.visit_id, d.visit_no, d.stage::varchar as stage, d.firing::varchar as firing,
    {", ".join(f"d.{name}" for name in VALUES)}, d.findings, d.keep_flue, d.keep_co, d.keep_o2
from derived_values d join current_visits v on v.visit_no = d.visit_no
"""

MEND = """
update derived_values set findings = m.findings, keep_flue = m.keep_flue, keep_co = m.keep_co, keep_o2 = m.keep_o2
from mended_tests m
where derived_values.visit_no = m.visit_no and derived_values.stage = m.stage and derived_values.firing = m.firing;
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
drop table fuel_sampling;
"""


def derive(store: Store, settings: Settings) -> int:
    """Write derived_values, analyser_lines, reading_findings, the views derived and all_findings; returns the tests.

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
    store.run(DERIVED_VALUES)
    store.run(DERIVED)
    beside = Beside.of(store)
    written = 0
    o2_marks, off_line, worded = [], [], []

    def worked_out() -> Iterator[pl.DataFrame]:
        nonlocal written
        for part in _streamed(store):
            tests = with_rules(with_values(beside.added_to(part), terms, rh_pct))
            worded.append(findings.worded(tests))
            o2_marks.append(patterns.o2_marks(tests))
            off_line.append(patterns.off_line_installs(tests))
            written += tests.height
            yield derived_rows(tests)

    store.append_stream("derived_values", worked_out())
    store.write("found_rules", pl.concat(worded))
    suspects = pl.concat([*off_line, patterns.jumping_installs(pl.concat(o2_marks))]).unique().sort("install_no")
    _compare_tests(store, beside, suspects, terms, rh_pct)
    store.run(READING_FINDINGS)
    return written


@dataclass(frozen=True)
class Beside:
    """What stands beside a test: by visit_no its install and whether work was done, by install_no fuel and altitude.

    Numbers count from 0 without gaps in a store, so that looking up is taking by place.
    """

    install_no: np.ndarray
    worked: np.ndarray
    fuel: pl.Series
    altitude_m: pl.Series
    analysers: pl.DataFrame

    @classmethod
    def of(cls, store: Store) -> Beside:
        visits = store.frame(VISITS)
        place = visits["visit_no"].to_numpy()
        length = int(place.max()) + 1 if len(place) else 0
        install_no, worked = np.full(length, -1, np.int32), np.zeros(length, bool)
        install_no[place], worked[place] = visits["install_no"].to_numpy(), visits["worked"].to_numpy()
        installs = store.frame(
            "select i.fuel, i.altitude_m::double as altitude_m from (select unnest(range((select "
            "max(install_no) + 1 from current_installs))) as install_no) n left join current_installs i "
            "on i.install_no = n.install_no order by n.install_no"
        )
        return cls(install_no, worked, installs["fuel"], installs["altitude_m"], store.frame(ANALYSERS))

    def added_to(self, tests: pl.DataFrame) -> pl.LazyFrame:
        """The tests with the columns that `with_values` and the rules want besides the readings."""
        visit = tests["visit_no"].to_numpy()
        install = pl.Series("install_no", self.install_no[visit])
        return (
            tests.with_columns(
                pl.col("stage").cat.to(pl.Enum(STAGES)),
                pl.col("firing").cat.to(pl.Enum(FIRINGS)),
                install,
                pl.Series("worked", self.worked[visit]),
                self.fuel.gather(install).alias("fuel"),
                self.altitude_m.gather(install).alias("altitude_m"),
            )
            .lazy()
            .join(self.analysers.lazy(), on="analyser_id", how="left", maintain_order="left")
        )


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


def _compare_tests(store: Store, beside: Beside, suspects: pl.DataFrame, terms: pl.DataFrame, rh_pct: float) -> None:
    """Look at all tests of the suspect installs together, and mend what was written of them."""
    store.write("suspect_installs", suspects)
    query = (
        f"{TESTS} where visit_no in (select v.visit_no from current_visits v semi join suspect_installs using "
        "(install_no)) order by visit_no, stage, firing"
    )
    mended, told = [], []
    for part in _whole_installs(beside.added_to(piece).collect() for piece in _streamed(store, query)):
        alone = with_rules(with_values(part.lazy(), terms, rh_pct), COMPARED)
        together = with_patterns(alone, terms)
        changed = together.filter(together["broken"] != alone["broken"])
        mended.append(mended_rows(changed))
        told.append(findings.worded(changed))
    if mended:
        store.write("mended_tests", pl.concat(mended))
        store.write("mended_rules", pl.concat(told))
        store.run(MEND)
    store.run("drop table suspect_installs")
