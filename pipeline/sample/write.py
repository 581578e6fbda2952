"""Writes an invented fleet folder whose truth is known, block by block, so that memory stays bounded."""

from collections.abc import Iterator
from copy import copy
from datetime import date
from io import BytesIO
from pathlib import Path
from typing import BinaryIO

import numpy as np
import polars as pl

from pipeline.errors import FleetError
from pipeline.sample import dirt as soil
from pipeline.sample.known import analyser_truth, cleaning_truth, install_truth
from pipeline.sample.records import install_frame, names, reading_frame, visit_frame
from pipeline.sample.scenario import DESIGNS, SITE_BIOGAS, Scenario, build_scenario
from pipeline.sample.schedule import past_visits
from pipeline.sample.simulate import Fleet, Visits
from pipeline.sample.truth import area_of, build_truth

DEFAULT_UNTIL = date(2026, 9, 30)
BLOCK = 25_000
SHAPES = ("comma", "semicolon", "us")
CAPACITY_WEEKS = 60
BACKLOG_WEEKS = 8
HALF_DAY = 4.0  # [h]
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


def write_sample(
    folder: Path,
    installs: int,
    years: float,
    seed: int,
    until: date = DEFAULT_UNTIL,
    dirt: bool = True,
    shape: str = "comma",
    block: int = BLOCK,
) -> None:
    """Write a fleet folder and, beside its files, the truth it was made from.

    folder: made if missing; files of the same names are replaced.   installs: 1 to 9,999,999.   years: 0.5 to 20.
    seed: the same seed gives the same bytes.     until: last day of the records.
    dirt: a few rows per thousand as they should not be, one year in another dialect and one in US units.
    shape: how all other visits and readings are written: comma, semicolon (with decimal commas, as spreadsheets of
        some countries save) or us (US units).
    block: installs made at once; changes memory, not what is written.
    The truth files (`known`) are for tests; the pipeline does not read them. Raises FleetError for unusable arguments.
    """
    _check(installs, years, seed, shape, block)
    scenario = build_scenario(installs, years, seed, until)
    write_shared(folder, scenario)
    with Sink(folder, scenario, dirt, shape) as sink:
        for fleet, visits in fleet_blocks(scenario, block):
            sink.add_block(fleet, visits)


def write_fleet(folder: Path, fleet: Fleet, visits: Visits, until_day: int) -> None:
    """Write a fleet as it stands, with the visits made to it, as a folder without dirt; records end on `until_day`."""
    then = copy(fleet)
    then.scenario = fleet.scenario.ending(until_day)
    write_shared(folder, then.scenario)
    with Sink(folder, then.scenario, dirt=False, shape="comma") as sink:
        sink.add_block(then, visits)


def write_shared(folder: Path, scenario: Scenario) -> None:
    """Write the files that do not grow with the installs, and make the folder for the others."""
    for part in (folder, folder / "visits", folder / "readings"):
        part.mkdir(parents=True, exist_ok=True)
    write_settings(folder, scenario)
    area_frame(scenario).write_csv(folder / "areas.csv")
    model_frame(scenario).write_csv(folder / "appliance_models.csv")
    limit_frame(scenario).write_csv(folder / "limits.csv")
    capacity_frame(scenario).write_csv(folder / "capacity.csv")
    analyser_truth(scenario).write_csv(folder / "truth_analysers.csv")
    cleaning_truth().write_csv(folder / "truth_cleaning.csv")


def fleet_blocks(scenario: Scenario, block: int = BLOCK) -> Iterator[tuple[Fleet, Visits]]:
    """Each block of installs at the end of its records, with all visits made to it."""
    for first in range(0, scenario.installs, block):
        fleet = Fleet(scenario, build_truth(scenario, first, min(first + block, scenario.installs)))
        rounds = list(past_visits(fleet))
        none = np.zeros(0, dtype=np.int64)
        yield fleet, Visits.joined(rounds or [fleet.visit(none, none, none)])


def _check(installs: int, years: float, seed: int, shape: str, block: int) -> None:
    for name, value, low, high in (
        ("installs", installs, 1, 9_999_999),
        ("years", years, 0.5, 20),
        ("seed", seed, 0, 2**63 - 1),
        ("block", block, 1, 1_000_000),
    ):
        if not low <= value <= high:
            raise FleetError(f"sample: {name} is {value}; it may be {low} to {high}. Give another value.")
    if shape not in SHAPES:
        raise FleetError(f"sample: shape is {shape!r}; it may be {', '.join(SHAPES)}. Give one of these.")


def write_settings(folder: Path, scenario: Scenario) -> None:
    """fleet.toml: a title and the fuel that the package does not bring."""
    lines = [
        f'title = "Sample fleet, seed {scenario.seed}"',
        'units = "si"',
        "risk_tolerance = 0.10",
        "",
        "[fuels.site_biogas]",
        *(f"{name} = {amount}" for name, amount in SITE_BIOGAS.items()),
        "",
    ]
    (folder / "fleet.toml").write_text("\n".join(lines), encoding="utf-8")


def area_frame(scenario: Scenario) -> pl.DataFrame:
    """areas.csv"""
    unit = np.arange(len(scenario.areas))
    return pl.DataFrame({"area_id": names("A", unit + 1, 2), "name": scenario.areas}).hstack(
        [pl.Series(f"load_{month}", np.round(scenario.load[:, k], 4)) for k, month in enumerate(_MONTHS)]
    )


def model_frame(scenario: Scenario) -> pl.DataFrame:
    """appliance_models.csv"""
    models = scenario.models
    large = np.array([m.rated_input_kw > 60 for m in models])
    condensing = np.array([DESIGNS[m.design].condensing for m in models])
    return pl.DataFrame(
        {
            "model_id": names("M", np.arange(len(models)) + 1, 2),
            "name": [m.name for m in models],
            "exchanger_design": [DESIGNS[m.design].name for m in models],
            "exchanger_material": [DESIGNS[m.design].material for m in models],
            "condensing": condensing,
            "rated_input_kw": [m.rated_input_kw for m in models],
            "service_interval_months": [m.interval_months for m in models],
            "exchanger_cleaning_minutes": np.where(large, 40, 25),
            "trap_cleaning_minutes": pl.select(pl.when(pl.Series(condensing)).then(10)).to_series(),
            "base_visit_minutes": np.where(large, 60, 45),
        }
    )


def limit_frame(scenario: Scenario) -> pl.DataFrame:
    """limits.csv"""
    rows = []
    for m, model in enumerate(scenario.models):
        for fuel, table in (("any", model.limits), ("propane", model.propane_limits)):
            for (indicator, firing), (low, high) in table.items():
                source = f"{model.name} service booklet, table {m % 7 + 2}"
                rows.append((f"M{m + 1:02d}", fuel, firing, indicator, low, high, source))
    columns = ["model_id", "fuel", "firing", "indicator", "low", "high", "source"]
    return pl.DataFrame(rows, schema=columns, orient="row", infer_schema_length=None)


def capacity_frame(scenario: Scenario) -> pl.DataFrame:
    """capacity.csv: the coming weeks in half days; more at first for what is overdue, thinner in holidays, and one
    area short of hours in autumn.
    """
    monday = scenario.until_day - (scenario.until_day + 3) % 7
    weeks = monday + 7 * np.arange(CAPACITY_WEEKS)
    day_of_year = (weeks.astype("datetime64[D]") - weeks.astype("datetime64[D]").astype("datetime64[Y]")).astype(int)
    thin = np.where((day_of_year > 352) | (day_of_year < 5), 0.35, np.where(abs(day_of_year - 215) < 18, 0.75, 1.0))
    autumn = (day_of_year > 244) & (day_of_year < 330)
    # About 1.2 visits an install and year of 1.9 hours with travel and a quarter to spare; at first, what a fleet kept
    # at its intervals has waiting.
    installs = np.bincount(area_of(scenario, np.arange(scenario.installs)), minlength=len(scenario.areas))
    weekly = installs * 1.2 * 1.9 / 52 * 1.25
    at_first = np.where(np.arange(len(weeks)) <= BACKLOG_WEEKS, 2.0, 1.0)
    rows = []
    for a in range(len(scenario.areas)):
        hours = weekly[a] * thin * at_first * np.where(autumn & (a == scenario.short_area), 0.33, 1.0)
        half_days = np.diff(np.floor(np.cumsum(hours) / HALF_DAY), prepend=0.0)  # the rest is saved up for a later week
        rows.append(
            pl.DataFrame(
                {
                    "area_id": np.repeat(f"A{a + 1:02d}", len(weeks)),
                    "week": pl.Series(weeks.astype(np.int32)).cast(pl.Date),
                    "hours_available": HALF_DAY * half_days,
                }
            )
        )
    return pl.concat(rows)


class Sink:
    """The folder's growing files: one of visits and one of readings per year, and those of later corrections."""

    def __init__(self, folder: Path, scenario: Scenario, dirt: bool, shape: str) -> None:
        self.folder, self.scenario, self.dirt, self.shape = folder, scenario, dirt, shape
        self.open: dict[str, BinaryIO] = {}
        first = scenario.until.year - max(1, round(scenario.years))
        self.odd_years = {first + 1: "us", first + 2: "semicolon"} if dirt and shape == "comma" else {}

    def __enter__(self) -> "Sink":
        return self

    def __exit__(self, *_: object) -> None:
        for handle in self.open.values():
            handle.close()

    def add(self, name: str, frame: pl.DataFrame, shape: str = "comma") -> None:
        """Append the rows to a file of the folder, begun with its header."""
        begun = name in self.open
        if not begun:
            self.open[name] = (self.folder / name).open("wb")
        buffer = BytesIO()
        semicolon = shape == "semicolon"
        frame.write_csv(
            buffer,
            include_header=not begun,
            include_bom=semicolon and not begun,
            separator=";" if semicolon else ",",
            line_terminator="\r\n" if semicolon else "\n",
        )
        self.open[name].write(buffer.getvalue())

    def add_block(self, fleet: Fleet, visits: Visits) -> None:
        """Append a block of installs with all their visits and readings, and its truth."""
        self.add("installs.csv", install_frame(fleet.truth, self.scenario.draws, self.scenario.areas))
        self.add("truth.csv", install_truth(fleet))
        made = visit_frame(fleet, visits).with_columns(year=pl.col("visited_on").dt.year())
        self._add("visits", made, fleet.truth.number[visits.install], visits.turn)
        tests = reading_frame(fleet, visits).with_columns(year=pl.col("day").cast(pl.Date).dt.year())
        key = tests["key"].to_numpy()
        self._add("readings", tests.drop("key", "day"), key, np.zeros(len(key), dtype=np.int64))

    def _add(self, kind: str, frame: pl.DataFrame, unit: np.ndarray, turn: np.ndarray) -> None:
        frame = frame.with_columns(unit=pl.Series(unit), turn=pl.Series(turn))
        for (year,), rows in frame.partition_by("year", maintain_order=True, as_dict=True).items():
            shape = self.odd_years.get(year, self.shape)
            unit, turn = rows["unit"].to_numpy(), rows["turn"].to_numpy()
            text = soil.as_text(rows.drop("year", "unit", "turn"), kind, shape)
            if self.dirt:
                text, later = soil.soiled(text, kind, shape, self.scenario.draws, unit, turn)
                if len(later):
                    self.add(f"{kind}/{kind}_corrected_{year}.csv", later, shape)
            self.add(f"{kind}/{kind}_{year}.csv", text, shape)
