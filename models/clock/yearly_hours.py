"""Burner hours per year of every install: its counters, a stated estimate and what its model usually runs, weighed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.arrays import Floats, Ints
from models.clock.counter_steps import DEFAULT_WEATHER_SD, MOST_HOURS_PER_DAY, Nodes, first_step, most_hours
from models.clock.hours import Installs

DEFAULT_HOURS_PER_YEAR = 1800.0  # common practice, no source: between a mild and a cold climate's full-load hours
DEFAULT_BETWEEN_SD = 0.35  # relative, between installs of one model, where the data are too few to tell
DEFAULT_ESTIMATE_SD = 0.25  # relative, of a stated estimate, where the data are too few to tell
FEWEST_TO_MEASURE = 20  # intervals or installs from which a spread is measured rather than taken as above
BASES = ("counter", "estimate", "model", "design", "fleet", "default")


def first_rates(nodes: Nodes) -> tuple[Floats, Ints]:
    """Hours per load year of every step that may have been counted, and its install."""
    linked, hours, days, load = nodes.steps()
    good = linked & (hours > 0) & (hours <= most_hours(days)) & (load >= 0.3)
    return hours[good] / load[good], nodes.install[good]


def typical_hours(installs: Installs, rate: Floats, install: Ints) -> Floats:
    """A first hours per year of every install: the stated, or the median of its model's steps (`first_rates`)."""
    out = np.full(len(installs.model_no), np.median(rate) if len(rate) else DEFAULT_HOURS_PER_YEAR)
    for group in (installs.design_no, installs.model_no):
        middle, count = group_median(group[install], rate, int(group.max(initial=-1)) + 1)
        out = np.where(count[group] >= 3, middle[group], out)
    stated = installs.stated_hours
    return np.where(np.isfinite(stated) & (stated > 0), stated, out)


def group_median(group: Ints, value: Floats, groups: int) -> tuple[Floats, Ints]:
    """Median and count per group number; nan where a group is empty."""
    count = np.bincount(group, minlength=groups)
    if np.any(group[1:] < group[:-1]):  # few groups are sorted by counting
        value = value[np.argsort(group.astype(np.uint16) if groups <= 1 << 16 else group, kind="stable")]
    start, middle = np.cumsum(count) - count, np.full(groups, np.nan)
    # Groups of one size together, as rows of a table: n values have fewer than sqrt(2 n) sizes.
    for size in np.unique(count[count > 0]).tolist():
        same = np.flatnonzero(count == size)
        low, high = (size - 1) // 2, size // 2
        table = np.partition(value[start[same][:, None] + np.arange(size)], [low, high], axis=1)
        middle[same] = (table[:, low] + table[:, high]) / 2
    return middle, count


def robust_sd(rel: Floats) -> float:
    """Robust standard deviation about zero: 1.4826 times the median size (normal distribution)."""
    return float(1.4826 * np.median(np.abs(rel)))


def usual_hours(nodes: Nodes, typical: Floats) -> tuple[Floats, Floats]:
    """Hours per year of each install: the middle of its own steps, the first left out, else `typical`; relative sd."""
    n = len(typical)
    linked, hours, days, load = nodes.steps()
    step = linked & (hours > 0) & (hours <= most_hours(days)) & (load > 0.2) & ~first_step(nodes)
    middle, count = group_median(nodes.install[step], hours[step] / load[step], n)
    gone = np.bincount(nodes.install[step], load[step], n)
    own = (count > 0) & (gone > 0.5)
    # Single steps may be mistyped: two or fewer are not trusted to their weather error alone.
    rel_sd = np.where(count > 2, 1.25 * DEFAULT_WEATHER_SD / np.sqrt(np.maximum(gone, 0.5)), 0.2)
    return np.where(own, np.nan_to_num(middle, nan=1.0), typical), np.where(own, rel_sd, DEFAULT_BETWEEN_SD)


@dataclass(frozen=True)
class CountedHours:
    """What the counted steps of some installs tell. hours, load: of all of them, and the load years they took, shape
    (installs,). away: relative, of single steps from the install's mean, as far as one load year would be (steps,)."""

    hours: Floats
    load: Floats
    away: Floats

    @classmethod
    def of(cls, nodes: Nodes, counted: NDArray[np.bool_], usual: Floats) -> CountedHours:
        """counted, usual: as `counted_steps`."""
        n = len(usual)
        _, hours, _, load = nodes.steps()
        # Steps far from the install's middle (mistyped within what is possible, or a house left empty) do not count.
        wanted = np.maximum(usual[nodes.install] * load, 1.0)
        counted = counted & (np.abs(np.log(np.maximum(hours, 1.0) / wanted)) < np.where(wanted > 200.0, 0.7, np.inf))
        own_hours = np.bincount(nodes.install[counted], hours[counted], n).astype(float)
        own_load = np.bincount(nodes.install[counted], load[counted], n).astype(float)
        pick = counted & (load > 0.5) & (load < 2.5) & (hours > 0) & (own_load[nodes.install] > 1.5 * load)
        install, hours, load = nodes.install[pick], hours[pick], load[pick]
        # An interval's residual about the install's mean is short of its own share in that mean.
        part = load / own_load[install]
        own = own_hours[install] / np.maximum(own_load[install], 1e-9)
        return cls(own_hours, own_load, np.log(hours / load / own) * np.sqrt(load / (1 - part)))

    @classmethod
    def joined(cls, parts: Sequence[CountedHours]) -> CountedHours:
        return cls(*(np.concatenate([getattr(p, name) for p in parts]) for name in ("hours", "load", "away")))


def hours_per_year(installs: Installs, counted: CountedHours) -> tuple[Floats, Floats, NDArray[np.int8], float]:
    """Of every install: hours per year, their relative sd and basis; and the relative sd of one year's weather."""
    known = (counted.load > 0.1) & (counted.hours > 0)
    own = np.where(known, counted.hours / np.maximum(counted.load, 1e-9), np.nan)
    weather_sd = DEFAULT_WEATHER_SD
    if len(counted.away) >= FEWEST_TO_MEASURE:
        weather_sd = max(0.01, robust_sd(counted.away))
    prior, prior_sd, basis = _prior(own, counted.load, known, installs, weather_sd)
    own_weight = np.where(known, counted.load / weather_sd**2, 0.0)
    prior_weight = 1.0 / prior_sd**2
    log_own = np.log(np.where(known, own, prior))
    mean = (own_weight * log_own + prior_weight * np.log(prior)) / (own_weight + prior_weight)
    basis = np.where(own_weight > prior_weight, BASES.index("counter"), basis).astype(np.int8)
    most = MOST_HOURS_PER_DAY * 365.25
    return np.clip(np.exp(mean), 10.0, most), 1.0 / np.sqrt(own_weight + prior_weight), basis, weather_sd


def _prior(
    own: Floats, own_load: Floats, known: NDArray[np.bool_], installs: Installs, weather_sd: float
) -> tuple[Floats, Floats, NDArray[np.int8]]:
    """Hours per year of an install before its own counter is asked, with relative sd and basis."""
    n = len(own)
    sure = known & (own_load >= 0.8)
    log_own = np.log(np.where(known, own, 1.0))
    noise = weather_sd**2 / np.maximum(own_load, 0.8)

    def spread(rel: Floats, noises: Floats, otherwise: float) -> float:
        """Spread of what is behind, the weather in the own means taken off."""
        if len(rel) < FEWEST_TO_MEASURE:
            return otherwise
        return float(np.sqrt(max(robust_sd(rel) ** 2 - np.median(noises), 0.02**2)))

    centre = np.full(n, np.log(DEFAULT_HOURS_PER_YEAR))
    sd = np.full(n, 2 * DEFAULT_BETWEEN_SD)
    basis = np.full(n, BASES.index("default"), np.int8)
    if sure.any():
        middle = float(np.median(log_own[sure]))
        centre[:] = middle
        sd[:] = spread(log_own[sure] - middle, noise[sure], 1.5 * DEFAULT_BETWEEN_SD)
        basis[:] = BASES.index("fleet")
    for name, group in (("design", installs.design_no), ("model", installs.model_no)):
        groups = int(group.max(initial=-1)) + 1
        of_group, count = group_median(group[sure], log_own[sure], groups)
        enough = (count >= 3)[group]
        many = sure & (count >= 5)[group]
        rel = (log_own - of_group[group])[many]
        within = spread(rel, noise[many], DEFAULT_BETWEEN_SD)
        size = np.maximum(count[group], 1)
        centre = np.where(enough, of_group[group], centre)
        sd = np.where(enough, within * np.sqrt(1 + 1.57 / size), sd)  # 1.57: variance of a median, normal
        basis = np.where(enough, BASES.index(name), basis)

    stated = np.isfinite(installs.stated_hours) & (installs.stated_hours > 0)
    log_stated = np.log(np.where(stated, installs.stated_hours, 1.0))
    both = stated & sure
    shift, error = 0.0, DEFAULT_ESTIMATE_SD
    if both.sum() >= FEWEST_TO_MEASURE:
        shift = float(np.median((log_own - log_stated)[both]))
        error = spread((log_own - log_stated)[both] - shift, noise[both], DEFAULT_ESTIMATE_SD)
    # An estimate and the spread about the model's typical value are two sources: each has its weight.
    weight = np.where(stated, sd**2 / (sd**2 + error**2), 0.0)
    centre = (1 - weight) * centre + weight * (log_stated + shift)
    basis = np.where(weight >= 0.5, BASES.index("estimate"), basis).astype(np.int8)
    sd = sd * np.sqrt(1 - weight)
    return np.exp(centre), sd, basis
