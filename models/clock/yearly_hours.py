"""Burner hours per year of every install: its counters, a stated estimate and what its model usually runs, weighed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.arrays import Floats, Ints
from models.clock.counter_steps import (
    DEFAULT_WEATHER_SD,
    MOST_HOURS_PER_DAY,
    Nodes,
    counted_steps,
    first_step,
    most_hours,
)
from models.clock.hours import Installs

DEFAULT_HOURS_PER_YEAR = 1800.0  # common practice, no source: between a mild and a cold climate's full-load hours
DEFAULT_BETWEEN_SD = 0.35  # relative, between installs of one model, where the data are too few to tell
DEFAULT_ESTIMATE_SD = 0.25  # relative, of a stated estimate, where the data are too few to tell
FEWEST_TO_MEASURE = 20  # intervals or installs from which a spread is measured rather than taken as above
BASES = ("counter", "estimate", "model", "design", "fleet", "default")


def typical_hours(nodes: Nodes, installs: Installs) -> Floats:
    """A first hours per year of every install: the stated, or the median of its model's counted intervals."""
    linked, hours, days, load = nodes.steps()
    good = linked & (hours > 0) & (hours <= most_hours(days)) & (load >= 0.3)
    rate, install = hours[good] / load[good], nodes.install[good]
    out = np.full(len(installs.model_no), np.median(rate) if len(rate) else DEFAULT_HOURS_PER_YEAR)
    by_rate = np.argsort(rate)
    for group in (installs.design_no, installs.model_no):
        middle, count = group_median(group[install], rate, int(group.max(initial=-1)) + 1, by_rate)
        out = np.where(count[group] >= 3, middle[group], out)
    stated = installs.stated_hours
    return np.where(np.isfinite(stated) & (stated > 0), stated, out)


def group_median(group: Ints, value: Floats, groups: int, by_value: Ints | None = None) -> tuple[Floats, Ints]:
    """Median and count per group number; nan where a group is empty.   by_value: `np.argsort(value)`, where known."""
    by_value = np.argsort(value) if by_value is None else by_value
    grouped = group[by_value]
    # By group, then by value. Few groups are sorted by counting; else numbers that hold both are sorted, several times
    # as fast as two keys.
    if groups <= 1 << 16:
        order = np.argsort(grouped.astype(np.uint16), kind="stable")
    else:
        order = np.sort((grouped.astype(np.int64) << 32) + np.arange(len(value))) & 0xFFFFFFFF
    value, count = value[by_value[order]], np.bincount(group, minlength=groups)
    start = np.cumsum(count) - count
    some = count > 0
    low, high = start + np.maximum(count - 1, 0) // 2, start + count // 2
    middle = np.full(groups, np.nan)
    middle[some] = (value[low[some]] + value[high[some]]) / 2
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


def hours_per_year(
    nodes: Nodes, installs: Installs, usual: Floats, usual_sd: Floats
) -> tuple[Floats, Floats, NDArray[np.int8], float]:
    n = len(installs.model_no)
    _, hours, _, load = nodes.steps()
    counted = counted_steps(nodes, usual, usual_sd)
    # Steps far from the install's middle (mistyped within what is possible, or a house left empty) do not count here.
    wanted = np.maximum(usual[nodes.install] * load, 1.0)
    counted &= np.abs(np.log(np.maximum(hours, 1.0) / wanted)) < np.where(wanted > 200.0, 0.7, np.inf)
    own_hours = np.bincount(nodes.install[counted], hours[counted], n).astype(float)
    own_load = np.bincount(nodes.install[counted], load[counted], n).astype(float)
    known = (own_load > 0.1) & (own_hours > 0)
    own = np.where(known, own_hours / np.maximum(own_load, 1e-9), np.nan)

    weather_sd = DEFAULT_WEATHER_SD
    pick = counted & (load > 0.5) & (load < 2.5) & (hours > 0) & (own_load[nodes.install] > 1.5 * load)
    if pick.sum() >= FEWEST_TO_MEASURE:
        i = nodes.install[pick]
        # An interval's residual about the install's mean is short of its own share in that mean.
        part = load[pick] / own_load[i]
        weather_sd = max(0.01, robust_sd(np.log(hours[pick] / load[pick] / own[i]) * np.sqrt(load[pick] / (1 - part))))

    prior, prior_sd, basis = _prior(own, own_load, known, installs, weather_sd)
    own_weight = np.where(known, own_load / weather_sd**2, 0.0)
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
