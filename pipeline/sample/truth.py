"""What is true of every install: its hours, and how each indicator starts and drifts.

Latent value of a series on the scale of the drift model: z = level + rate * (hours/1000)**gamma, hours since the cycle
began. Level and rate of an install are the fleet's typical value, what acts on them (water, air, fuel, media), and
effects of exchanger design, appliance model and install, correlated between series; each cycle adds its own.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.sample.scenario import DESIGNS, FUELS, LOG, MATERIALS, SERIES, Scenario, day_number, limits_of

K = len(SERIES)
TYPICAL_LEVEL = np.array([np.log(9.0), np.log(58.0), np.log(34.0), 4.9, 5.6, np.log(4.4), np.log(8.0), 7.5])
TYPICAL_RATE = np.array([0.135, 0.20, 0.18, -0.13, -0.09, -0.115, 0.175, -0.31])
# Standard deviations of the effects at each place in the tree.
LEVEL_SD = {
    "design": np.array([0.12, 0.20, 0.20, 0.20, 0.20, 0.10, 0.10, 0.10]),
    "model": np.array([0.06, 0.10, 0.10, 0.15, 0.15, 0.06, 0.05, 0.05]),
    "install": np.array([0.10, 0.18, 0.20, 0.22, 0.25, 0.10, 0.12, 0.15]),
    "cycle": np.array([0.05, 0.12, 0.14, 0.20, 0.22, 0.06, 0.08, 0.10]),
}
RATE_SD = {
    "design": np.array([0.030, 0.030, 0.030, 0.030, 0.030, 0.020, 0.030, 0.050]),
    "model": np.array([0.020, 0.025, 0.025, 0.025, 0.025, 0.015, 0.025, 0.040]),
    "install": np.array([0.040, 0.060, 0.060, 0.120, 0.130, 0.032, 0.055, 0.085]),
    "cycle": np.array([0.025, 0.040, 0.045, 0.090, 0.100, 0.020, 0.040, 0.060]),
}
# One test's scatter: settling, probe position and the instrument together.
NOISE_SD = np.array([0.06, 0.12, 0.15, 0.13, 0.18, 0.06, 0.10, 0.12])
FIRST_YEAR = 25  # calendar years before the end at which the burner-hours calendar starts


def effect_correlation() -> np.ndarray:
    """Correlation of one node's (levels, rates), shape (16, 16): what fouls an exchanger raises flue gap and CO."""
    rate = np.eye(K)
    for a, b, r in ((0, 1, 0.5), (0, 2, 0.4), (1, 2, 0.7), (3, 4, 0.6), (1, 3, -0.2), (2, 4, -0.1)):
        rate[a, b] = rate[b, a] = r
    level = np.eye(K)
    for a, b, r in ((0, 1, 0.15), (1, 2, 0.6), (3, 4, 0.6)):
        level[a, b] = level[b, a] = r
    return np.block([[level, 0.2 * np.eye(K)], [0.2 * np.eye(K), rate]])


@dataclass(frozen=True)
class HoursCalendar:
    """Burner hours by day: each area's monthly load and each winter's weather.

    passed: (areas, days + 1) typical years of load gone by since `first_day`.
    """

    first_day: int
    passed: np.ndarray

    def load_years(self, area: np.ndarray, day: np.ndarray) -> np.ndarray:
        """Typical years of load up to the start of each day."""
        k = np.clip(np.asarray(day) - self.first_day, 0, self.passed.shape[1] - 1)
        return self.passed[area, k]

    def day_of(self, area: np.ndarray, load_years: np.ndarray) -> np.ndarray:
        """Day (with its fraction) by which that load has gone by; inf beyond the calendar."""
        days = np.full(np.shape(load_years), np.inf)
        for a in np.unique(area):
            of_area = area == a
            days[of_area] = np.interp(
                load_years[of_area], self.passed[a], self.first_day + np.arange(self.passed.shape[1]), right=np.inf
            )
        return days


def hours_calendar(scenario: Scenario) -> HoursCalendar:
    """The calendar of a scenario, from 25 years before its end to 16 years after it."""
    first_year, last_year = scenario.until.year - FIRST_YEAR, scenario.until.year + 16
    months = np.arange(np.datetime64(f"{first_year}-01"), np.datetime64(f"{last_year}-01"))
    starts = np.append(months, months[-1] + 1).astype("datetime64[D]").astype(int)
    lengths = np.diff(starts)
    years, month = np.divmod(np.arange(len(months)), 12)
    areas = np.arange(len(scenario.areas))
    # Weather: a winter is cold or mild everywhere, and a little differently in each area.
    calendar_years = np.arange(first_year, last_year)
    common = scenario.draws.normal("winter", calendar_years)
    own = np.stack([scenario.draws.normal("area winter", areas, int(year)) for year in calendar_years], axis=1)
    weather = np.exp(0.06 * common + 0.04 * own)[:, years]
    daily = np.repeat(scenario.load[:, month] * weather / lengths, lengths, axis=1)
    passed = np.concatenate([np.zeros((len(areas), 1)), np.cumsum(daily, axis=1)], axis=1)
    return HoursCalendar(int(starts[0]), passed)


@dataclass(frozen=True)
class Truth:
    """Parameters of the installs `number` (whole numbers within the fleet); every array has one row per install.

    level, rate: (n, 8) of a fresh install, without the cycle's own effect; gamma: (n, 8) exponents.
    low, high: (n, 8) limits on the drift model's scale, NaN where open; applies: (n, 8) whether the series exists here.
    hours_per_year: in a year of typical weather.
    """

    number: np.ndarray
    model: np.ndarray
    design: np.ndarray
    area: np.ndarray
    fuel: np.ndarray
    installed_day: np.ndarray
    room_air: np.ndarray
    hardness_mg_l: np.ndarray
    media_kg: np.ndarray
    altitude_m: np.ndarray
    hours_per_year: np.ndarray
    level: np.ndarray
    rate: np.ndarray
    gamma: np.ndarray
    low: np.ndarray
    high: np.ndarray
    applies: np.ndarray

    def __len__(self) -> int:
        return len(self.number)


def _effects(scenario: Scenario, place: str, unit: np.ndarray) -> np.ndarray:
    z = scenario.draws.normals(f"{place} effect", unit, 2 * K) @ np.linalg.cholesky(effect_correlation()).T
    return z * np.concatenate([LEVEL_SD[place], RATE_SD[place]])


def area_of(scenario: Scenario, number: np.ndarray) -> np.ndarray:
    """Index of each install's area."""
    return scenario.draws.choice("area", number, scenario.area_share)


def build_truth(scenario: Scenario, first: int, last: int) -> Truth:
    """True parameters of the installs from `first` up to, not including, `last`."""
    draws, number = scenario.draws, np.arange(first, last)
    models = scenario.models
    model = draws.choice("model", number, np.array([m.share for m in models]))
    design = np.array([m.design for m in models])[model]
    area = area_of(scenario, number)
    oil = np.array([m.oil for m in models])[model]
    fuel = np.where(
        oil & (draws.uniform("oil", number) < 0.6), 3, draws.choice("fuel", number, np.array([0.86, 0.11, 0.03]))
    )
    condensing = np.array([d.condensing for d in DESIGNS])[design]
    # More than half stood before the records begin, the others were added year by year.
    old = draws.uniform("old", number) < 0.62
    age = draws.uniform("age", number)
    span = scenario.until_day - scenario.from_day
    oldest = max(scenario.from_day - 365 * 11, day_number(scenario.until) - 365 * (FIRST_YEAR - 2))
    installed = np.where(
        old, scenario.from_day - 30 - age * (scenario.from_day - 30 - oldest), scenario.from_day + age * (span - 20)
    ).astype(np.int64)
    room_air = draws.uniform("air intake", number) < np.where(condensing, 0.22, 0.7)
    hardness = np.clip(scenario.hardness_mg_l[area] * np.exp(0.15 * draws.normal("hardness here", number)), 10, 450)
    has_media = condensing & (draws.uniform("media", number) < 0.6)
    media = np.where(has_media, np.choose(draws.choice("media size", number, np.ones(4)), [1.5, 2.5, 4.0, 6.0]), np.nan)
    own = _effects(scenario, "install", number)
    of_model = _effects(scenario, "model", np.arange(len(models)))[model]
    of_design = _effects(scenario, "design", np.arange(len(DESIGNS)))[design]
    total = own + of_model + of_design
    level, rate = TYPICAL_LEVEL + total[:, :K], TYPICAL_RATE + total[:, K:]

    # What acts on the level just after work, and what acts on the rate.
    material = np.array([MATERIALS.index(d.material) for d in DESIGNS])[design]
    level[:, 0] += np.where(condensing, 0.0, np.log(95 / 9.0)) + np.where(fuel == 3, 0.1, 0.0)
    level[:, 1:3] += np.select([fuel == 1, fuel == 2, fuel == 3], [0.12, -0.10, -0.25], 0.0)[:, None]
    level[:, 3] += np.select([fuel == 1, fuel == 2, fuel == 3], [0.3, -0.2, -0.8], 0.0)
    level[:, 4] += np.select([fuel == 1, fuel == 2, fuel == 3], [0.2, 0.0, -0.4], 0.0)
    rate[:, 0] += 0.035 * (hardness - 190) / 100 + 0.03 * room_air + 0.03 * (material == 1) - 0.03 * (material == 3)
    rate[:, 0] += np.where(condensing, 0.0, -0.10) + np.where(fuel == 2, 0.05, 0.0)
    rate[:, 1:3] += (0.05 * room_air + np.where(fuel == 2, 0.06, 0.0))[:, None]
    rate[:, 5] += np.select([fuel == 2, fuel == 3], [-0.05, -0.03], 0.0)
    rate[:, 7] += 0.09 * (np.nan_to_num(media, nan=3.5) - 3.5) - 0.10 * (material == 1)
    faster = np.array([m.faster for m in models])[model]
    rate[:, 0] += 0.10 * faster
    rate[:, 1:3] += 0.08 * faster[:, None]
    installed_year = installed.astype("datetime64[D]").astype("datetime64[Y]").astype(int) + 1970
    bad = np.array([d.bad_batch for d in DESIGNS])[design] & (installed_year >= scenario.bad_batch_year)
    rate[:, :3] *= np.where(bad, 1.7, 1.0)[:, None]

    gamma = np.ones((len(number), K))
    gamma[:, 0] = np.array([d.gamma_flue for d in DESIGNS])[design]
    gamma[:, 1] = gamma[:, 2] = np.array([d.gamma_co for d in DESIGNS])[design]
    rate *= 2.0 ** (1 - gamma)  # whatever the shape, the same change by 2,000 hours

    low, high = np.empty((len(number), K)), np.empty((len(number), K))
    for m in np.unique(model):
        for f in np.unique(fuel[model == m]):
            here = (model == m) & (fuel == f)
            low[here], high[here] = limits_of(models[m], FUELS[f])
    applies = np.ones((len(number), K), dtype=bool)
    applies[:, 6] = condensing
    applies[:, 7] = has_media
    return Truth(
        number,
        model,
        design,
        area,
        fuel,
        installed,
        room_air,
        hardness,
        media,
        altitude_m=np.maximum(0, scenario.altitude_m[area] + np.round(30 * draws.normal("altitude here", number))),
        hours_per_year=1750 * np.exp(0.28 * draws.normal("hours", number)),
        level=level,
        rate=rate,
        gamma=gamma,
        low=np.where(LOG, np.log(low), low),
        high=np.where(LOG, np.log(high), high),
        applies=applies,
    )


def cycle_effects(scenario: Scenario, number: np.ndarray, turn: int | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Effects on level and rate of the cycles that begin at each install's visit `turn`, each of shape (n, 8)."""
    z = scenario.draws.normals("cycle effect", number, 2 * K, turn) @ np.linalg.cholesky(effect_correlation()).T
    return z[:, :K] * LEVEL_SD["cycle"], z[:, K:] * RATE_SD["cycle"]
