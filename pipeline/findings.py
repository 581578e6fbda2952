"""What the numbers of one test contradict: each contradiction has a name, a sentence, and what it would mislead.

A rule is a true/false expression over the columns of a test, its fuel (`fuel_co2_max_pct`) and `co_seen_ppm`. The
rules a test breaks travel as one integer, a bit each, until they are put into words.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields, replace
from functools import reduce
from operator import add, or_
from typing import Any

import polars as pl

from pipeline.combustion import CO2_ABOVE_MAX_PCT, CO_COUNTS_ABOVE_PPM, O2_AMBIENT_PCT, O2_IN_AIR_PCT
from pipeline.sql_formulas import when_any
from pipeline.units import shown_unit, to_shown

O2_ACCURACY_PCT = 0.2
CO2_ACCURACY_PCT = 0.3
ROUNDING_PCT = 0.05
"""What usual analysers allow themselves, % by volume; added up, since neither error is known to be independent."""
MOSTLY_AIR_O2_PCT = 15.0
"""Above this the CO air-free is multiplied by more than 3.5 and no burner runs so. Common practice, no source."""
MOST_CO_PPM = 40_000.0
"""4 %: the largest range of analysers that dilute the sample. Common practice, no source."""
LEAST_CO_PPM = 0.5
"""Analysers show whole ppm; a smaller CO was probably entered in per cent."""
SUPPLY_BELOW_RETURN_K = 1.0
"""A burner that fires cannot cool the water; two sensors may differ by this much."""


@dataclass(frozen=True)
class Entered:
    """The columns of a test that rules look at, as expressions of Polars or of SQL.

    seen_co: CO as measured, also where only its air-free value was given.   fuel_max: CO2max of the fuel.
    """

    o2: Any
    co2: Any
    co: Any
    seen_co: Any
    fuel_max: Any
    flue: Any
    back: Any
    supply: Any

    @classmethod
    def of(cls, language: Any) -> Entered:
        """language: Polars or `sql_formulas`."""
        return cls(*(language.col(name) for name in ENTERED))


ENTERED = (
    "o2_pct", "co2_pct", "co_ppm", "co_seen_ppm", "fuel_co2_max_pct", "flue_temp_c", "return_temp_c", "supply_temp_c",
)  # fmt: skip


@dataclass(frozen=True)
class Rule:
    """One contradiction.

    name: as it stands in the column `findings`.   column: the entered cell it is shown at.
    misleads: which fits it would mislead, of "flue", "co", "o2".   message: what is said to the reader.
    broken: of a test, true where it holds; null counts as false. None: found by comparing tests (patterns.py).
    only_if: a condition that holds wherever this and other rules hold, at few tests: the rest is not looked at there.
    """

    name: str
    column: str
    misleads: frozenset[str]
    message: pl.Expr
    broken: Callable[[Entered], Any] | None = None
    only_if: Callable[[Entered], Any] | None = None


TEST = Entered.of(pl)
O2, CO2, CO, SEEN_CO, MAX, FLUE, RETURN, SUPPLY = (getattr(TEST, part.name) for part in fields(Entered))


def counted_co_pct(co_ppm: pl.Expr = SEEN_CO) -> pl.Expr:
    """CO where there is so much that the balance of oxygen and carbon feels it, else 0. [%]"""
    counted: pl.Expr = when_any(co_ppm > CO_COUNTS_ABOVE_PPM).then(co_ppm / 1e4).otherwise(0.0)
    return counted


def co2_residual_pct(test: Entered = TEST) -> pl.Expr:
    """CO2 as read (with CO where it counts) less the CO2 that the fuel gives beside this O2. [%]"""
    co_pct = counted_co_pct(test.seen_co)
    residual: pl.Expr = test.co2 + co_pct - test.fuel_max * (1 - (test.o2 - co_pct / 2) / O2_IN_AIR_PCT)
    return residual


def co2_bound_pct(co2_max_pct: pl.Expr = MAX) -> pl.Expr:
    """How large `co2_residual_pct` may be from accuracy and rounding alone. [%]   0.46 for natural gas."""
    return CO2_ACCURACY_PCT + O2_ACCURACY_PCT * co2_max_pct / O2_IN_AIR_PCT + ROUNDING_PCT


def co2_impossible(test: Entered = TEST) -> pl.Expr:
    """More CO2 than the fuel can give at all: the fuel is another one, or the value is wrong."""
    impossible: pl.Expr = test.co2 > test.fuel_max + CO2_ABOVE_MAX_PCT
    return impossible


def _off_line(test: Entered) -> Any:
    """O2 and CO2, both readable, that the fuel cannot give together."""
    both = (test.o2 >= 0) & (test.o2 < O2_AMBIENT_PCT) & (test.co2 > 0)
    return both & (co2_residual_pct(test).abs() > co2_bound_pct(test.fuel_max))


def _exchanged(test: Entered) -> Any:
    """O2 and CO2 that disagree as entered and agree with the fuel the other way round, within half the bound: most
    tests lie there, and fewer that are off for another reason."""
    turned = co2_residual_pct(replace(test, o2=test.co2, co2=test.o2)).abs() <= co2_bound_pct(test.fuel_max) / 2
    return (_off_line(test) & turned & (test.co2 < O2_AMBIENT_PCT)).fill_null(False)


def _suspect_co2(test: Entered) -> Any:
    return _off_line(test) | co2_impossible(test)


def _n(expression: pl.Expr, decimals: int = 1) -> pl.Expr:
    """A number inside a sentence."""
    rounded = expression.round(decimals)
    return (rounded if decimals else rounded.cast(pl.Int64)).cast(pl.String)


def _words(name: pl.Expr) -> pl.Expr:
    """A fuel's name as people write it."""
    return name.str.replace_all("_", " ", literal=True)


_BOTH = frozenset({"o2", "co"})
_FUEL = _words(pl.col("fuel"))
_BESIDE = pl.format(
    "CO2 of {} % beside O2 of {} %, where {} gives {} %",
    _n(CO2),
    _n(O2),
    _FUEL,
    _n(CO2 - co2_residual_pct()),
)

RULES: tuple[Rule, ...] = (
    Rule(
        "sample_is_air",
        "o2_pct",
        _BOTH,
        pl.format("O2 of {} % is that of air: the probe was not in the flue gas.", _n(O2)),
        lambda test: test.o2 >= O2_AMBIENT_PCT,
    ),
    Rule(
        "sample_mostly_air",
        "o2_pct",
        _BOTH,
        pl.format("O2 of {} %: no burner runs with so much air; most of the sample was air.", _n(O2)),
        lambda test: (test.o2 > MOSTLY_AIR_O2_PCT) & (test.o2 < O2_AMBIENT_PCT),
    ),
    Rule(
        "air_in_probe",
        "o2_pct",
        _BOTH,
        pl.format(
            "O2 of {} % against {} % in the neighbouring test, while {} did not change: air was probably drawn into "
            "the probe.",
            _n(O2),
            _n(pl.col("neighbour_o2_pct")),
            pl.col("unchanged"),
        ),
    ),
    Rule(
        "o2_negative",
        "o2_pct",
        _BOTH,
        pl.format("O2 of {} % cannot be: the cell needs care.", _n(O2)),
        lambda test: test.o2 < 0,
    ),
    Rule(
        "air_short",
        "co_ppm",
        frozenset(),
        pl.format("CO of {} ppm wants more oxygen than the O2 of {} %: too little air.", _n(SEEN_CO, 0), _n(O2)),
        lambda test: (test.o2 >= 0) & (test.o2 - counted_co_pct(test.seen_co) / 2 < 0),
    ),
    Rule(
        "co2_above_fuel_max",
        "co2_pct",
        _BOTH,
        pl.format("CO2 of {} % is more than {} gives without excess air ({} %).", _n(CO2), _FUEL, _n(MAX)),
        lambda test: co2_impossible(test) & ~_exchanged(test),
        _suspect_co2,
    ),
    Rule(
        "co2_zero",
        "co2_pct",
        frozenset(),
        pl.format("CO2 of {} % cannot be with {}: taken as not measured.", _n(CO2), _FUEL),
        lambda test: (test.co2 <= 0) & (test.fuel_max > 0),
    ),
    Rule(
        "o2_co2_exchanged",
        "co2_pct",
        _BOTH,
        pl.format("{}: the other way round they agree; the two seem exchanged.", _BESIDE),
        _exchanged,
        _suspect_co2,
    ),
    Rule(
        "o2_co2_disagree",
        "co2_pct",
        _BOTH,
        pl.format(
            "{}, as if its CO2max were {} %: a wrong fuel set, a cell that has drifted, or a typing error.",
            _BESIDE,
            _n((CO2 + counted_co_pct()) / (1 - (O2 - counted_co_pct() / 2) / O2_IN_AIR_PCT)),
        ),
        lambda test: _off_line(test) & ~_exchanged(test) & ~co2_impossible(test),
        _suspect_co2,
    ),
    Rule(
        "other_fuel_set",
        "co2_pct",
        frozenset(),
        pl.format(
            "{}: the CO2 of {}; the analyser was probably set to that fuel. O2 and CO hold.",
            _BESIDE,
            _words(pl.col("other_fuel")),
        ),
    ),
    Rule(
        "fuel_in_doubt",
        "co2_pct",
        frozenset(),
        pl.format(
            "{}: the CO2 of {}, visit after visit; the fuel recorded for this install is probably wrong.",
            _BESIDE,
            _words(pl.col("other_fuel")),
        ),
    ),
    Rule(
        "flue_below_return",
        "flue_temp_c",
        frozenset({"flue"}),
        pl.format("Flue gas of {} °C is no warmer than the return water of {} °C that cools it.", _n(FLUE), _n(RETURN)),
        lambda test: test.flue <= test.back,
    ),
    Rule(
        "supply_below_return",
        "return_temp_c",
        frozenset({"flue"}),
        pl.format("Supply water of {} °C below the return of {} °C: the two seem exchanged.", _n(SUPPLY), _n(RETURN)),
        lambda test: test.supply < test.back - SUPPLY_BELOW_RETURN_K,
    ),
    Rule(
        "co_not_shown",
        "co_ppm",
        frozenset({"co"}),
        pl.format("CO of {} ppm is nothing an analyser shows (whole ppm, at most {}).", _n(CO, 4), int(MOST_CO_PPM)),
        lambda test: (test.co < 0) | (test.co > MOST_CO_PPM) | ((test.co > 0) & (test.co < LEAST_CO_PPM)),
    ),
)
BIT = {rule.name: 1 << place for place, rule in enumerate(RULES)}
PATTERN_COLUMNS = {"neighbour_o2_pct": pl.Float64, "unchanged": pl.String, "other_fuel": pl.String}
"""What patterns.py adds to the tests it finds something about."""


def broken_rules(language: Any = pl) -> Any:
    """The rules that a test breaks by itself, one bit each (`BIT`). [Int32]   language: Polars or `sql_formulas`.

    Few tests break any: where none of some rules can hold, they are not looked at one by one.
    """
    test = Entered.of(language)
    groups: dict[Callable[[Entered], Any] | None, list[Rule]] = {}
    for rule in RULES:
        if rule.broken is not None:
            groups.setdefault(rule.only_if, []).append(rule)

    def bits(only_if: Callable[[Entered], Any] | None, rules: list[Rule]) -> Any:
        broken = {BIT[rule.name]: rule.broken(test) for rule in rules if rule.broken is not None}
        any_of_them = only_if(test) if only_if else reduce(or_, broken.values())
        each = (language.when(is_broken).then(bit).otherwise(0) for bit, is_broken in broken.items())
        return language.when(any_of_them).then(reduce(add, each)).otherwise(0)

    return reduce(add, (bits(only_if, rules) for only_if, rules in groups.items()))


def keeps_sql(fit: str, broken: str) -> str:
    """Whether a test may go into a fit ("flue", "co" or "o2").   broken: SQL of its broken rules."""
    mask = reduce(or_, (BIT[rule.name] for rule in RULES if fit in rule.misleads), 0)
    return f"({broken} & {mask}) = 0"


def names_sql(broken: str) -> str:
    """The names of the rules in `broken`, joined by semicolons; null where there is none."""
    names = ", ".join(f"case when {broken} & {bit} <> 0 then '{name}' end" for name, bit in BIT.items())
    return f"case when {broken} <> 0 then concat_ws(';', {names}) end"


OFF_LINE = BIT["o2_co2_disagree"] | BIT["o2_co2_exchanged"] | BIT["co2_above_fuel_max"]
"""What another fuel's line can explain."""


def worded(tests: pl.DataFrame, wanted: Iterable[Rule] = RULES, system: str = "si") -> pl.DataFrame:
    """One row per broken rule of each test: the keys, column, value, rule, message, misleads.

    tests: visit_no, stage, firing, `broken`, the entered columns, fuel, fuel_co2_max_pct and PATTERN_COLUMNS.
    system: of the units in the messages, "si" or "us".
    """
    keys = ["visit_no", "stage", "firing"]
    wanted = list(wanted)
    temperatures = [to_shown(pl.col(c), "°C", system) for c in ("flue_temp_c", "return_temp_c", "supply_temp_c")]
    degree = shown_unit("°C", system).name
    met = reduce(or_, tests["broken"].unique().to_list(), 0)
    parts = []
    for rule in [rule for rule in wanted if met & BIT[rule.name]] or wanted[:1]:
        rows = tests.filter((pl.col("broken") & BIT[rule.name]) != 0)
        told = rows.with_columns(temperatures).select(rule.message.str.replace_all("°C", degree, literal=True))
        parts.append(
            rows.select(
                *keys,
                pl.lit(rule.column).alias("column"),
                pl.col(rule.column).cast(pl.String).alias("value"),
                pl.lit(rule.name).alias("rule"),
                told.to_series().alias("message"),
                pl.lit(bool(rule.misleads)).alias("misleads"),
            )
        )
    return pl.concat(parts).sort([*keys, "rule"])
