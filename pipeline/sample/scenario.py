"""The invented world of a sample fleet: areas, exchanger designs, appliance models, limits, technicians, analysers.

Every name is made up. Quantities are chosen to be plausible for the trade, not taken from any maker.
"""

from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np

from pipeline.sample.draws import Draws

SERIES = (
    ("flue_over_return_k", "high"),
    ("co_air_free_ppm", "high"),
    ("co_air_free_ppm", "low"),
    ("o2_pct", "high"),
    ("o2_pct", "low"),
    ("flame_current_ua", "high"),
    ("trap_drain_s", "any"),
    ("condensate_ph", "any"),
)
LOG = np.array([True, True, True, False, False, True, True, False])
# The general ranges, used by the pipeline where a model's limits are not entered.
GENERAL_LOW = np.array([np.nan, np.nan, np.nan, 3.0, 3.0, 1.5, np.nan, 5.0])
GENERAL_HIGH = np.array([30.0, 400.0, 400.0, 7.0, 8.5, np.nan, 30.0, 10.0])
FUELS = ("natural_gas", "propane", "site_biogas", "fuel_oil_2")
MATERIALS = ("stainless", "aluminium", "cast_iron", "copper")
SITE_BIOGAS = {"methane": 0.60, "carbon_dioxide": 0.40}


@dataclass(frozen=True)
class Design:
    name: str
    material: str
    condensing: bool
    gamma_flue: float = 1.0  # exponent of the burner hours: below 1 fouling levels off, above 1 it speeds up
    gamma_co: float = 1.0
    bad_batch: bool = False  # faster from an installation year on


@dataclass(frozen=True)
class Model:
    name: str
    design: int
    rated_input_kw: float
    interval_months: int
    share: float
    oil: bool = False
    faster: bool = False
    mistyped: bool = False
    limits: dict[tuple[str, str], tuple[float | None, float | None]] = field(default_factory=dict)
    propane_limits: dict[tuple[str, str], tuple[float | None, float | None]] = field(default_factory=dict)


DESIGNS = (
    Design("coil-A", "stainless", True, gamma_flue=0.7),
    Design("plate-C", "stainless", True, bad_batch=True),
    Design("cast-fin-M", "aluminium", True),
    Design("tube-R", "stainless", True, gamma_flue=1.4, gamma_co=1.4),
    Design("cast-fin-N", "aluminium", True),
    Design("section-K", "cast_iron", False),
    Design("ring-V", "copper", True),
    Design("coil-D", "stainless", True),
    Design("plate-F", "stainless", True, gamma_flue=0.7),
    Design("cast-fin-S", "aluminium", True),
    Design("tube-W", "stainless", True),
    Design("spiral-Q", "stainless", True, gamma_flue=1.4),
)
_FLUE, _CO_H, _CO_L = ("flue_over_return_k", "high"), ("co_air_free_ppm", "high"), ("co_air_free_ppm", "low")
_CO, _O2_H, _O2_L = ("co_air_free_ppm", "any"), ("o2_pct", "high"), ("o2_pct", "low")
_FLAME, _TRAP = ("flame_current_ua", "high"), ("trap_drain_s", "any")
MODELS = (
    Model("Ombrell Tavi 24", 0, 26.0, 12, 0.17, limits={_FLUE: (None, 26), _CO: (None, 350), _FLAME: (1.8, None)}),
    Model("Ombrell Tavi 32", 0, 34.5, 12, 0.10, limits={_FLUE: (None, 26), _CO: (None, 350)}),
    Model("Quendral P-30", 1, 32.0, 12, 0.14, limits={_CO_H: (None, 300), _CO_L: (None, 250), _O2_H: (3.2, 6.4)}),
    Model("Quendral P-45", 1, 48.0, 12, 0.07, limits={_FLUE: (None, 28), _CO_H: (None, 300), _O2_H: (3.2, 6.4)}),
    Model("Vastimer Ubrik 28", 2, 30.0, 12, 0.11, limits={_FLUE: (None, 30), _TRAP: (None, 28)}),
    Model("Vastimer Ubrik 40", 2, 43.0, 12, 0.06, faster=True, limits={_FLUE: (None, 30), _TRAP: (None, 28)}),
    Model("Lurrick 70", 3, 74.0, 12, 0.08, limits={_O2_H: (3.4, 6.6), _O2_L: (3.4, 7.6)}),
    Model("Lurrick 110", 3, 118.0, 18, 0.04, limits={_O2_H: (3.4, 6.6)}),
    Model("Brennovar Silu 25", 4, 27.0, 12, 0.08, limits={_CO: (None, 400)}, propane_limits={_O2_H: (3.5, 7.2)}),
    # The high end for low fire was mistyped (5.2 for 7.2): this model's readings sit just outside it.
    Model("Brennovar Silu 35", 4, 37.5, 12, 0.03, mistyped=True, limits={_CO: (None, 400), _O2_L: (3.2, 5.2)}),
    Model("Hovmaq Ferro 60", 5, 66.0, 24, 0.05, oil=True, limits={_FLUE: (None, 170), _O2_H: (2.8, 7.0)}),
    Model("Ystrelva Mono 22", 6, 23.5, 12, 0.04),
    Model("Ystrelva Mono 30", 6, 32.5, 12, 0.02),
    Model("Nadrovel Kesp 18", 0, 19.5, 12, 0.01),
    Model("Vastimer Grand 150", 2, 160.0, 12, 0.01, limits={_FLUE: (None, 32)}),
    Model("Nadrovel Kesp 28", 7, 30.0, 12, 0.06, limits={_FLUE: (None, 27)}),
    Model("Nadrovel Kesp 36", 7, 38.5, 12, 0.03, limits={_FLUE: (None, 27)}),
    Model("Quendral V-50", 8, 54.0, 12, 0.04, limits={_CO_H: (None, 300)}),
    Model("Quendral V-80", 8, 86.0, 18, 0.02, limits={_CO_H: (None, 300)}),
    Model("Brennovar Tomiq 40", 9, 43.0, 12, 0.04, limits={_CO: (None, 380), _TRAP: (None, 25)}),
    Model("Brennovar Tomiq 60", 9, 64.0, 12, 0.03, limits={_CO: (None, 380), _TRAP: (None, 25)}),
    Model("Lurrick 45", 10, 48.0, 12, 0.03, limits={_O2_H: (3.4, 6.6)}),
    Model("Hovmaq Spira 35", 11, 37.5, 12, 0.03),
    Model("Hovmaq Spira 50", 11, 54.0, 24, 0.02, limits={_FLUE: (None, 28), _FLAME: (1.8, None)}),
)
SMALL_MODELS = 15  # fleets below 1,500 installs know only the first of them

_HEADS = ("Quor", "Zumb", "Ashv", "Threl", "Ovim", "Pelq", "Ruxa", "Ildr", "Wennz", "Gorv", "Ekth", "Yarb")
_TAILS = ("len", "rida", "eth", "omar", "usk")
STREETS = (
    "Ankrel Row",
    "Bovim Court",
    "Crelth Yard",
    "Dunnoq Lane",
    "Eppra Rise",
    "Fozzel Square",
    "Gimbra Way",
    "Hesque Steps",
    "Iltam Close",
    "Jurrel Gate",
)


def area_names(count: int) -> list[str]:
    """Names of invented towns, at most 60, all different."""
    return [_HEADS[k % len(_HEADS)] + _TAILS[(k + k // len(_HEADS)) % len(_TAILS)] for k in range(count)]


@dataclass(frozen=True)
class Scenario:
    """All that the installs of one sample fleet share.

    load: (areas, 12) shares of the year's burner hours; altitude_m, hardness_mg_l: by area.
    first_technician: index of each area's first technician, with the total last; technicians and analysers pair up.
    bias: (analysers, 3) on O2 in %, on the log of CO, on flue temperature in K.
    """

    installs: int
    years: float
    seed: int
    until: date
    models: tuple[Model, ...]
    areas: tuple[str, ...]
    area_share: np.ndarray
    load: np.ndarray
    altitude_m: np.ndarray
    hardness_mg_l: np.ndarray
    first_technician: np.ndarray
    bias: np.ndarray
    bad_batch_year: int
    short_area: int

    @property
    def draws(self) -> Draws:
        return Draws(self.seed)

    @property
    def until_day(self) -> int:
        return day_number(self.until)

    @property
    def from_day(self) -> int:
        return self.until_day - round(self.years * 365.25)

    @property
    def mistyped_model(self) -> int:
        """Index of the model one of whose limits is wrong on paper, so that sound readings lie outside it."""
        return next(m for m, model in enumerate(self.models) if model.mistyped)

    def ending(self, day: int) -> "Scenario":
        """The same world with its records ending on another day."""
        until = date.fromordinal(date(1970, 1, 1).toordinal() + day)
        return replace(self, until=until, years=(day - self.from_day) / 365.25)


def day_number(on: date) -> int:
    """Days since 1970-01-01."""
    return on.toordinal() - date(1970, 1, 1).toordinal()


def build_scenario(installs: int, years: float, seed: int, until: date) -> Scenario:
    """The invented world of a fleet of that size, the same for the same arguments."""
    draws = Draws(seed)
    areas = int(np.clip(round(6 + (installs - 1000) / 800), 6, 60))
    unit = np.arange(areas)
    share = np.exp(0.35 * draws.normal("area share", unit))
    share /= share.sum()
    # A heating load that follows the cold half of the year, with a base of hot water; areas differ in both.
    base = 0.02 + 0.02 * draws.uniform("area base", unit)
    swing = (
        np.maximum(0.0, np.cos((np.arange(12) - 0.3) * 2 * np.pi / 12))
        ** (0.8 + 0.6 * draws.uniform("area swing", unit))[:, None]
    )
    load = np.round(base[:, None] + (1 - 12 * base[:, None]) * swing / swing.sum(axis=1, keepdims=True), 4)
    load[:, 0] += 1 - load.sum(axis=1)
    technicians = np.maximum(2, np.round(share * installs / 350)).astype(int)
    first = np.concatenate([[0], np.cumsum(technicians)])
    count = int(first[-1])
    bias = np.zeros((count, 3))
    # Three biased analysers in a small fleet, one in twenty-five in a large one; each has one fault.
    faulty = np.argsort(draws.uniform("faulty analyser", np.arange(count)))[: max(3, count // 25)]
    for k, (analyser, size) in enumerate(zip(faulty, draws.uniform("fault size", faulty), strict=True)):
        bias[analyser, k % 3] = ((0.45, 0.30, 3.0)[k % 3]) * (0.8 + 0.6 * size)
    models = MODELS if installs >= 1500 else MODELS[:SMALL_MODELS]
    return Scenario(
        installs,
        years,
        seed,
        until,
        models,
        tuple(area_names(areas)),
        share,
        load,
        altitude_m=np.round(np.where(unit % 5 == 3, 1250, 60) + 240 * draws.uniform("altitude", unit)),
        hardness_mg_l=60 + 260 * draws.uniform("hardness", unit),
        first_technician=first,
        bias=bias,
        bad_batch_year=until.year - max(2, round(years / 2)),
        short_area=int(np.argmax(share)),
    )


def limits_of(model: Model, fuel: str) -> tuple[np.ndarray, np.ndarray]:
    """The range of each series for a model on a fuel: its own rows, the more specific first, else the general ones.

    Returns low and high, shape (8,), NaN where that end is open.
    """
    low, high = GENERAL_LOW.copy(), GENERAL_HIGH.copy()
    if not DESIGNS[model.design].condensing:
        high[0] = np.nan
    for k, (indicator, firing) in enumerate(SERIES):
        tables = [model.propane_limits, model.limits] if fuel == "propane" else [model.limits]
        keys = [(indicator, firing), (indicator, "any")]
        row = next((t[key] for t in tables for key in keys if key in t), None)
        if row is not None:
            low[k], high[k] = (np.nan if end is None else end for end in row)
    return low, high
