"""One visit's values in words: for each, what it was made from, the formula, its source, the result and the limit.

The formulas in words stand in explained_values.csv.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any

import polars as pl
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from pipeline import combustion
from pipeline.derive import ASSUMED_AIR_C, INPUTS, with_values
from pipeline.errors import FleetError, nearest, printable, shown_value
from pipeline.fuels import FUEL_COLUMNS
from pipeline.store import Store
from pipeline.units import shown_name, shown_unit

CONDENSATE_PH = 3.0
"""Condensate as it leaves the exchanger: about 3 (Sustainability 2022, 14, 15015)."""


@dataclass(frozen=True)
class Formula:
    """How one value comes about, in words.

    inputs: columns it is made from.   indicator: the one it is held against, if any.
    """

    name: str
    unit: str
    words: str
    inputs: tuple[str, ...]
    source: str
    indicator: str


def _formulas() -> tuple[Formula, ...]:
    with files("pipeline").joinpath("explained_values.csv").open("r", encoding="utf-8") as handle:
        return tuple(
            Formula(
                name=row["name"],
                unit=row["unit"],
                words=row["words"],
                inputs=tuple(row["inputs"].split(";")),
                source=row["source"],
                indicator=row["indicator"],
            )
            for row in csv.DictReader(handle)
        )


FORMULAS = _formulas()
UNITS = {
    "o2_pct": "%", "co2_pct": "%", "co_ppm": "ppm", "co_seen_ppm": "ppm", "co_air_free_ppm": "ppm", "flue_temp_c": "°C",
    "air_temp_c": "°C", "return_temp_c": "°C", "supply_temp_c": "°C", "flame_current_ua": "µA", "altitude_m": "m",
    "fuel_co2_max_pct": "%", "ambient_pa": "Pa", "flame_used_c": "°C", "humidity": "mol/mol",
    **{formula.name: formula.unit for formula in FORMULAS},
}  # fmt: skip
Limit = tuple[str, float | None, float | None, str | None]
"""unit, low, high, source"""
SHOWN_AS = {"co_seen_ppm": "co_ppm", "flame_used_c": "adiabatic_flame_c", "fuel_co2_max_pct": "CO2max"}
FUEL_UNITS = ("fuel_air", "fuel_dry_gas", "fuel_water", "fuel_gross_kj", "fuel_net_kj")


@dataclass(frozen=True)
class ExplainedValue:
    """One value in the unit shown, and named for it; None where it is empty: `inputs` then says what is missing."""

    name: str
    value: float | None
    unit: str
    inputs: str
    words: str
    source: str
    limit: str

    @property
    def result(self) -> str:
        return _number(self.value, self.unit) + (f"; {self.limit}" if self.limit else "")


@dataclass(frozen=True)
class ExplainedTest:
    """One analyser test: what was read, the values, and what contradicts itself."""

    title: str
    given: str
    values: list[ExplainedValue]
    findings: list[str] = field(default_factory=list)

    @property
    def empty(self) -> str:
        """The values that could not be had, and why, in one line."""
        return "; ".join(f"{row.name} ({row.inputs})" for row in self.values if row.value is None)


@dataclass(frozen=True)
class Explanation:
    """What `foulcast explain` prints; rich shows it as tables, `str` gives plain text."""

    visit_id: str
    heading: list[str]
    tests: list[ExplainedTest]

    def lines(self) -> Iterator[str]:
        yield from self.heading
        for test in self.tests:
            yield from ("", test.title, f"  {test.given}", *(f"  ! {finding}" for finding in test.findings))
            for row in test.values:
                if row.value is not None:
                    yield f"  {row.name} = {row.result}: {row.words}; from {row.inputs} [{row.source}]"
            if test.empty:
                yield f"  empty: {test.empty}"

    def __str__(self) -> str:
        return "\n".join(self.lines())

    def __rich__(self) -> RenderableType:
        parts: list[RenderableType] = [Text(line) for line in self.heading]
        for test in self.tests:
            parts += [Text(""), Text(test.title, style="bold"), Text(test.given)]
            parts += [Text(f"! {finding}", style="bold") for finding in test.findings]
            table = Table.grid(padding=(0, 2))
            table.add_column(no_wrap=True)
            table.add_column(overflow="fold")
            for row in test.values:
                if row.value is not None:
                    how = (f"from {row.inputs}\n", "dim"), (row.source, "italic dim")
                    table.add_row(Text(row.name), Text.assemble((row.result, "bold"), f"\n{row.words}\n", *how))
            parts += [Text(""), table]
            if test.empty:
                parts.append(Text(f"empty: {test.empty}"))
        return Group(*parts)


def explain(store: Store, visit_id: str) -> Explanation:
    """How each value of one visit came about, worked out again from what the store holds as read.

    Raises FleetError for a visit that is not there, naming near ones or the reason why it was set aside.
    """
    rh_pct = store.fact("air_relative_humidity_pct") if store.has("run_facts") else None
    if rh_pct is None or not store.has("fuel_terms"):
        raise FleetError("This store holds no combustion values yet; run `foulcast run` on its fleet folder first.")
    system = store.fact("units") or "si"
    visit = _visit(store, visit_id)
    tests = store.frame(
        f"select r.stage, r.firing, r.analyser_id, {', '.join(f'r.{name}::double as {name}' for name in INPUTS)}, "
        "i.fuel, i.altitude_m::double as altitude_m from current_readings r "
        "join current_visits v on v.visit_no = r.visit_no "
        "join current_installs i on i.install_no = v.install_no where r.visit_no = ? order by r.stage, r.firing",
        [visit["visit_no"]],
    )
    values = with_values(tests.lazy(), store.frame("from fuel_terms"), float(rh_pct)).with_columns(_further_values())
    limits = _limits(store, visit["install_no"])
    told = _findings(store, visit["visit_id"], system)
    explained = [
        ExplainedTest(
            title=f"{row['stage']}, {row['firing']} fire",
            given=printable(_given(row, system)),
            values=[_explained(formula, row, limits, system) for formula in FORMULAS],
            findings=[printable(text) for text in told.get((row["stage"], row["firing"]), [])],
        )
        for row in values.collect().to_dicts()
    ]
    heading = _heading(visit, values.collect(), float(rh_pct), system)
    return Explanation(visit["visit_id"], [printable(line) for line in heading], explained)


def _further_values() -> list[pl.Expr]:
    """Values that the store does not keep but a reader of one visit wants to see."""
    air_free = pl.col("co_air_free_ppm")
    return [
        combustion.co_at_o2_ppm(pl.col("co_seen_ppm"), pl.col("o2_burnt_pct")).alias("co_3_pct_o2_ppm"),
        combustion.co_mg_per_kwh(air_free, FUEL_COLUMNS).alias("co_mg_per_kwh"),
        combustion.exchanger_effectiveness(pl.col("exchanger_ntu")).alias("exchanger_effectiveness"),
        (1000 * combustion.media_g(pl.col("condensate_kg_per_kwh"), CONDENSATE_PH)).alias("media_g_per_mwh"),
    ]


def _visit(store: Store, visit_id: str) -> dict[str, Any]:
    query = (
        "select v.visit_no, v.visit_id, v.install_no, v.install_id, v.visited_on, v.purpose, m.name as model, i.fuel, "
        "i.altitude_m from current_visits v join current_installs i on i.install_no = v.install_no "
        "join current_models m on m.model_no = i.model_no where v.visit_id = ?"
    )
    found = store.frame(query, [visit_id]).to_dicts()
    if found:
        return found[0]
    aside = store.rows(
        "select file, line, reason from rejected_rows where visit_id = ? order by file, line", [visit_id]
    )
    if aside:
        file, line, reason = aside[0]
        raise FleetError(f"Visit {shown_value(visit_id)} was not taken: {file}, line {line}: {reason}.")
    near = [name for (name,) in store.rows(_NEAR, [visit_id, visit_id, visit_id])]
    by_letters = {name.lower(): name for name in reversed(near)}
    close = by_letters.get(str(nearest(visit_id.lower(), by_letters)))
    hint = f"Did you mean '{close}'? " if close else ""
    others = ", ".join(near) or "none: it holds no visits"
    raise FleetError(f"Visit {shown_value(visit_id)} is not in this store. {hint}Nearest are {others}.")


_NEAR = """
select visit_id from current_visits
order by lower(visit_id) <> lower(?), levenshtein(lower(visit_id), lower(?)), visit_id <> ?, visit_id
limit 3
"""


def _limits(store: Store, install_no: int) -> dict[tuple[str, str], Limit]:
    if not store.has("limits"):
        return {}
    rows = store.rows(
        "select s.indicator, s.firing, s.unit, l.limit_low::double, l.limit_high::double, l.limit_source "
        "from limits l join series s on s.series_no = l.series_no where l.install_no = ?",
        [install_no],
    )
    return {(indicator, firing): (unit, low, high, source) for indicator, firing, unit, low, high, source in rows}


def _findings(store: Store, visit_id: str, system: str) -> dict[tuple[str, str], list[str]]:
    told: dict[tuple[str, str], list[str]] = {}
    query = (
        'select stage, firing, rule, "column", message, misleads from all_findings '
        'where visit_id = ? and stage is not null order by stage, firing, rule, "column"'
    )
    for stage, firing, rule, column, message, misleads in store.rows(query, [visit_id]):
        about = f", {shown_name(column, UNITS.get(column, ''), system)}" if column else ""
        kept_out = " Kept out of the fit." if misleads else ""
        told.setdefault((stage, firing), []).append(f"{rule}{about}: {message.rstrip('.')}.{kept_out}")
    return told


def _heading(visit: Mapping[str, Any], values: pl.DataFrame, rh_pct: float, system: str) -> list[str]:
    purpose = f", {visit['purpose']}" if visit["purpose"] else ""
    lines = [
        f"Visit {visit['visit_id']} of {visit['visited_on']}{purpose}: install {visit['install_id']}, {visit['model']}"
    ]
    if values.height:
        row = values.row(0, named=True)
        altitude = _number(*_shown(row["altitude_m"] or 0.0, "m", system))
        ambient, pressure = _shown(row["ambient_pa"] / 1000, "kPa", system)
        if row["fuel_air"] is None:
            lines.append("The fuel is not recorded, or none that is known; only what needs no fuel is derived.")
        else:
            lines.append(
                f"Fuel {row['fuel']}, per mol of gas or kg of oil: air {row['fuel_air']:.5g}, dry gas "
                f"{row['fuel_dry_gas']:.5g}, water {row['fuel_water']:.5g} mol; gross {row['fuel_gross_kj']:.6g}, net "
                f"{row['fuel_net_kj']:.6g} kJ; CO2max {row['fuel_co2_max_pct']:.2f} %"
            )
        lines.append(
            f"Altitude {altitude}: {ambient:.2f} {pressure}; combustion air taken at {rh_pct:g} % relative humidity"
        )
    else:
        lines.append("No analyser test was recorded at this visit.")
    return lines


def _given(row: Mapping[str, Any], system: str) -> str:
    entered = {**row, "co_air_free_ppm": row["air_free_given_ppm"]}
    given = [_said(name, entered[name], system) for name in INPUTS if entered[name] is not None]
    analyser = f"; analyser {row['analyser_id']}" if row["analyser_id"] else ""
    return "as read: " + (", ".join(given) or "nothing") + analyser


def _explained(
    formula: Formula, row: Mapping[str, Any], limits: Mapping[tuple[str, str], Limit], system: str
) -> ExplainedValue:
    value, unit = _shown(row[formula.name], formula.unit, system)
    if value is not None:
        inputs = ", ".join(_input(name, row, system) for name in formula.inputs if row[name] is not None)
        if formula.name == "exchanger_ntu" and not row["air_known"]:
            assumed, degree = _shown(ASSUMED_AIR_C, "°C", system)
            inputs += f" (air taken at {assumed:g} {degree})"
    else:
        missing = [f"no {_name(name, system)}" for name in formula.inputs if row[name] is None]
        inputs = ", ".join(missing) or "outside the range in which it holds"
    limit = ""
    if formula.indicator:
        limit = _limit(limits.get((formula.indicator, row["firing"])), system)
    return ExplainedValue(_name(formula.name, system), value, unit, inputs, formula.words, formula.source, limit)


def _input(name: str, row: Mapping[str, Any], system: str) -> str:
    """One of the values that a formula takes. O2 as the balance takes it, where much CO still wants some of it."""
    burnt, o2 = row["o2_burnt_pct"], row["o2_dry_pct"]
    less = f" ({_number(burnt, '%')} less CO/2)" if name == "o2_dry_pct" and burnt is not None and burnt < o2 else ""
    return _said(name, row[name], system) + less


def _limit(limit: Limit | None, system: str) -> str:
    if limit is None or (limit[1] is None and limit[2] is None):
        return ""
    unit, low, high, source = limit
    bounds = [(word, end) for word, end in (("from", low), ("up to", high)) if end is not None]
    ends = [f"{word} {_number(*_shown(end, unit, system))}" for word, end in bounds]
    return " ".join(["limit", *ends]) + (f" ({printable(source)})" if source else "")


def _said(name: str, value: float, system: str) -> str:
    if name in FUEL_UNITS:
        return f"{name.removeprefix('fuel_')} of the fuel {value:.6g}"
    return f"{_name(SHOWN_AS.get(name, name), system)} {_number(*_shown(value, UNITS.get(name, ''), system))}"


def _name(column: str, system: str) -> str:
    return shown_name(column, UNITS.get(column, ""), system)


def _shown(value: float | None, unit: str, system: str) -> tuple[float | None, str]:
    shown = shown_unit(unit, system)
    return (None if value is None else shown.number(value)), shown.name


def _number(value: float | None, unit: str) -> str:
    if value is None:
        return "–"
    decimals = {"%": 2, "°C": 1, "°F": 1, "K": 1, "ppm": 0, "µA": 2}.get(unit)
    text = f"{value:.{decimals}f}" if decimals is not None else f"{value:.4g}"
    return f"{text} {unit}".rstrip()
