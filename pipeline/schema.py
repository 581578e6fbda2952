"""The inputs and indicators as declared in columns.csv and indicators.csv, and look-ups in them."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from pipeline.units import Unit, other_forms

KINDS = ("areas", "appliance_models", "limits", "installs", "capacity", "visits", "readings")
FOLDER_KINDS = ("visits", "readings")
OPTIONAL_KINDS = ("limits", "capacity")
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


@dataclass(frozen=True)
class Column:
    """One input column.

    type: text, number, date, week (the Monday of a date), boolean or choice.
    need: "key", "must" or "" (an empty cell is normal). default: what an empty cell means, where that is sure.
    low, high: what is physically possible (of a date: years); a value outside empties the cell.
    likely_low, likely_high: a value outside is taken, with a finding.
    quantity: columns of one quantity exclude each other in one file.
    """

    kind: str
    column: str
    type: str
    unit: str
    need: str
    default: str
    low: float | None
    high: float | None
    likely_low: float | None
    likely_high: float | None
    allowed: tuple[str, ...]
    meaning: str

    @property
    def forms(self) -> dict[str, Unit]:
        """Headers this column may have: its own, and its other-unit forms with their conversion to SI."""
        return {self.column: Unit(self.unit, 1.0)} | other_forms(self.column)

    @property
    def years(self) -> tuple[int, int]:
        """Of a date: the first and the last year it may lie in."""
        return int(self.low or 1900), int(self.high or 2199)

    @property
    def quantity(self) -> str:
        return "co_ppm" if self.column == "co_air_free_ppm" else self.column


@dataclass(frozen=True)
class Series:
    """One forecast series: an indicator at one firing; the fields are those of indicators.csv."""

    series_no: int
    indicator: str
    firing: str
    unit: str
    transform: str
    worse: str
    reset_class: str
    condensing_only: bool
    general_low: float | None
    general_high: float | None
    general_source: str
    title: str


def _rows(name: str) -> Iterator[dict[str, str]]:
    with (files("pipeline") / name).open("r", encoding="utf-8") as lines:
        yield from csv.DictReader(lines)


def _number(text: str) -> float | None:
    return float(text) if text else None


@cache
def all_columns() -> tuple[Column, ...]:
    """Every declared input column, in the declared order."""
    return tuple(
        Column(
            kind=row["kind"], column=row["column"], type=row["type"], unit=row["unit"], need=row["need"],
            default=row["default"],
            low=_number(row["low"]), high=_number(row["high"]),
            likely_low=_number(row["likely_low"]), likely_high=_number(row["likely_high"]),
            allowed=tuple(row["allowed"].split(";")) if row["allowed"] else (), meaning=row["meaning"],
        )
        for row in _rows("columns.csv")
    )  # fmt: skip


@cache
def columns_of(kind: str) -> dict[str, Column]:
    """The columns of one kind of file by name."""
    return {c.column: c for c in all_columns() if c.kind == kind}


@cache
def headers_of(kind: str) -> dict[str, tuple[Column, Unit]]:
    """Every header that is known for a kind: our names and their other-unit forms."""
    return {header: (column, unit) for column in columns_of(kind).values() for header, unit in column.forms.items()}


def keys_of(kind: str) -> tuple[str, ...]:
    """The columns that together name one row of a kind."""
    return tuple(c.column for c in columns_of(kind).values() if c.need == "key")


@cache
def all_series() -> tuple[Series, ...]:
    """The series in the order of series_no."""
    return tuple(
        Series(
            series_no=int(row["series_no"]), indicator=row["indicator"], firing=row["firing"], unit=row["unit"],
            transform=row["transform"], worse=row["worse"], reset_class=row["reset_class"],
            condensing_only=row["condensing_only"] == "true",
            general_low=_number(row["general_low"]), general_high=_number(row["general_high"]),
            general_source=row["general_source"], title=row["title"],
        )
        for row in _rows("indicators.csv")
    )  # fmt: skip


SERIES: tuple[Series, ...] = all_series()
