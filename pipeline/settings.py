"""fleet.toml into one frozen Settings."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from pipeline.errors import FleetError, nearest, shown_value, unknown_word
from pipeline.schema import KINDS, headers_of

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class PlanSettings(BaseModel):
    """The levers of the visit plan: [plan] in fleet.toml.

    longest_interval_factor: latest visit as a multiple of the present interval; 1.0 never lengthens it.
    shortest_interval_months: no routine visit sooner than this after the last one, unless the risk asks for it.
    working_days: days of the week that are worked; where capacity.csv gives an area no hours, its visits are spread
    over them, and a week that it leaves out of an area's gets hours by its working days.
    hours_per_day: of a technician; how many of them an area needs in a week (table plan_technicians, staffing page).
    holidays_country, holidays_subdivision: ISO codes, as "DE", "BY"; None: no holidays.
    catch_up_weeks: a visit that is overdue already falls in these first weeks.
    scenario_tolerances: the risk tolerances that are compared.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    horizon_weeks: int = Field(52, ge=1, le=260)
    longest_interval_factor: float = Field(1.0, ge=1.0, le=5.0)
    shortest_interval_months: float = Field(3.0, ge=0.0, le=60.0)
    catch_up_weeks: int = Field(8, ge=1, le=52)
    travel_minutes: float = Field(20.0, ge=0.0, le=600.0)
    hours_per_day: float = Field(8.0, gt=0.0, le=24.0)
    working_days: tuple[Weekday, ...] = Field(("mon", "tue", "wed", "thu", "fri"), min_length=1)
    holidays_country: str | None = None
    holidays_subdivision: str | None = None
    scenario_tolerances: tuple[float, ...] = (0.02, 0.05, 0.10, 0.20)

    @property
    def worked(self) -> list[int]:
        """The weekdays that are worked, in their order, Monday being 0."""
        return sorted({WEEKDAYS.index(day) for day in self.working_days})

    @field_validator("scenario_tolerances")
    @classmethod
    def _between(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if not values or not all(0 < v < 1 for v in values):
            raise ValueError("each tolerance must lie between 0 and 1, as 0.10")
        return values

    @model_validator(mode="after")
    def _known_holidays(self) -> PlanSettings:
        """Told when fleet.toml is read: the calendar is made late in a run."""
        if self.holidays_country is None and self.holidays_subdivision is None:
            return self
        import holidays

        given = "-".join(filter(None, (self.holidays_country, self.holidays_subdivision)))
        try:
            if self.holidays_country is None:
                raise NotImplementedError
            holidays.country_holidays(self.holidays_country, subdiv=self.holidays_subdivision)
        except NotImplementedError as error:
            raise FleetError(
                f"fleet.toml [plan]: holidays for {given!r} are not known; give ISO 3166 codes, as "
                'holidays_country = "DE" and holidays_subdivision = "BY", or leave both out.'
            ) from error
        return self


ADDRESS = re.compile(
    r"(?:(?P<scheme>tcp|tls|ws|wss)://)?(?P<host>\[[0-9a-fA-F:.]+\]|[^\s/:@?#\[\]]+):(?P<port>\d{1,5})/?"
)


def cluster_address(text: str) -> str:
    """The address of a Dask scheduler in full. Raises FleetError for what is none."""
    found = ADDRESS.fullmatch(text.strip())
    if not found or not 0 < int(found["port"]) < 65536:
        raise FleetError(
            f"{shown_value(text)} is not the address of a Dask scheduler; it is a protocol, a host and a port, "
            "as tcp://10.0.0.5:8786."
        )
    return f"{found['scheme'] or 'tcp'}://{found['host']}:{found['port']}"


class ClusterSettings(BaseModel):
    """Where pieces of the work may go out: [cluster] in fleet.toml.

    address: of a Dask scheduler; None: this machine does all. `--dask` wins over it.
    shared_folder: seen by this machine and all workers under the same path; a large fleet's shards are handed over
        there. None: beside OUT, which serves where workers share that disk.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    address: str | None = None
    shared_folder: str | None = None

    @field_validator("address")
    @classmethod
    def _in_full(cls, address: str | None) -> str | None:
        try:
            return None if address is None else cluster_address(address)
        except FleetError as problem:
            raise FleetError(f"fleet.toml [cluster] address: {problem}") from problem


class Settings(BaseModel):
    """Everything fleet.toml may say, checked.

    columns: kind -> {the user's header: ours or one of its other-unit forms}.
    files: kind -> pattern inside the fleet folder, where files do not lie where the agreement puts them.
    fuels: name -> mole fractions, or mass fractions with gross_mj_per_kg.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: str = "Boiler service forecast"
    units: Literal["si", "us"] = "si"
    risk_tolerance: float = Field(0.10, gt=0.0, lt=1.0)
    air_relative_humidity_pct: float = Field(50.0, ge=0.0, le=100.0)
    columns: dict[str, dict[str, str]] = Field(default_factory=dict)
    files: dict[str, str] = Field(default_factory=dict)
    fuels: dict[str, dict[str, float]] = Field(default_factory=dict)
    plan: PlanSettings = Field(default_factory=lambda: PlanSettings.model_validate({}))
    cluster: ClusterSettings = Field(default_factory=ClusterSettings)

    @field_validator("fuels", mode="before")
    @classmethod
    def _numbers(cls, fuels: Any) -> Any:
        for name, shares in fuels.items() if isinstance(fuels, dict) else ():
            if not isinstance(shares, dict) or not all(type(v) in (int, float) for v in shares.values()):
                raise FleetError(
                    f"fleet.toml: [fuels.{shown_value(name)[1:-1]}] must be a table of numbers, as methane = 0.60."
                )
        return fuels

    @model_validator(mode="after")
    def _known_words(self) -> Settings:
        for section in (self.columns, self.files):
            for kind in section:
                if kind not in KINDS:
                    where = "[columns]" if section is self.columns else "[files]"
                    raise unknown_word(f"fleet.toml {where}", "table", kind, KINDS)
        for kind, mapping in self.columns.items():
            for header, ours in mapping.items():
                if ours and ours not in headers_of(kind):
                    where = f"fleet.toml [columns.{kind}] {shown_value(header)}"
                    raise unknown_word(where, "column", ours, headers_of(kind), 'Use "" to leave the column out.')
        for kind, pattern in self.files.items():
            if _leaves(pattern):
                raise FleetError(
                    f"fleet.toml [files] {kind}: {shown_value(pattern)} leaves the fleet folder; "
                    'give a path inside it, as visits = "visits/*.csv".'
                )
        return self


def _leaves(pattern: str) -> bool:
    windows, posix = PureWindowsPath(pattern), PurePosixPath(pattern)
    rooted = posix.is_absolute() or windows.drive or windows.root or pattern.startswith("~")
    return bool(not pattern.strip() or "\0" in pattern or rooted or ".." in windows.parts)


def load_settings(fleet: Path) -> Settings:
    """The settings of a fleet folder; the defaults where it holds no fleet.toml.

    Raises FleetError naming the key, the value met and what is allowed.
    """
    path = fleet / "fleet.toml"
    if not path.exists():
        for other in fleet.iterdir() if fleet.is_dir() else ():
            if other.name.lower() == path.name or other == path:  # or a link that leads nowhere
                raise FleetError(f"{other.name}: is not read; it must be a file named fleet.toml. Rename or remove it.")
        return settings_from({})
    try:
        read = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise FleetError("fleet.toml: not UTF-8 text; save it as UTF-8.") from error
    except tomllib.TOMLDecodeError as error:
        raise FleetError(f"fleet.toml: {error}; mend that line, or move the file away to use the defaults.") from error
    except OSError as error:
        raise FleetError(f"fleet.toml: cannot be read ({error.strerror}).") from error
    return settings_from(read)


def settings_from(read: dict[str, Any]) -> Settings:
    """Settings from what a fleet.toml holds, already parsed."""
    try:
        return Settings.model_validate(read)
    except ValidationError as error:
        raise _first_problem(error) from error


# What is wanted, in words of fleet.toml, by pydantic's type of error; its own words name types of Python.
WANTED = {
    "dict_type": "a table is wanted", "model_type": "a table is wanted", "string_type": "text between quotes is wanted",
    "tuple_type": "a list between brackets is wanted", "too_short": "at least one is wanted",
    "int_type": "a number is wanted", "int_parsing": "a number is wanted", "int_from_float": "a whole number is wanted",
    "float_type": "a number is wanted", "float_parsing": "a number is wanted",
}  # fmt: skip


def _first_problem(error: ValidationError) -> FleetError:
    problem = error.errors(include_url=False)[0]
    path = [str(part) for part in problem["loc"]]
    key = ".".join(path)
    if problem["type"] == "extra_forbidden":
        sections: dict[str, type[BaseModel]] = {"plan": PlanSettings, "cluster": ClusterSettings}
        known = (sections.get(path[0], Settings) if len(path) > 1 else Settings).model_fields
        close = nearest(path[-1], known)
        hint = f"did you mean '{close}'?" if close else "known are " + ", ".join(sorted(known)) + "."
        return FleetError(f"fleet.toml: {shown_value(key)} is not a known key; {hint}")
    if path[0] == "columns" and len(path) == 2 and problem["type"] == "dict_type":
        return FleetError(
            f"fleet.toml: {shown_value(path[1])} stands in [columns]; name the kind of file as well, as "
            f"[columns.readings]. Kinds are {', '.join(KINDS)}."
        )
    message = WANTED.get(problem["type"]) or problem["msg"].removeprefix("Value error, ").lower()
    where = f" {key}" if key else ""
    given = problem["input"]
    met = (":" if key else "") if isinstance(given, dict | list | tuple) else f" is {shown_value(given)};"
    return FleetError(f"fleet.toml:{where}{met} {message}.")
