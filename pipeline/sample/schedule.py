"""Past visits: annual ones at the interval, more or less; breakdowns, rechecks and commissioning between them."""

from collections.abc import Iterator

import numpy as np

from pipeline.sample.simulate import ANNUAL, BREAKDOWN, COMMISSIONING, RECHECK, Fleet, Visits


def past_visits(fleet: Fleet) -> Iterator[Visits]:
    """Visit the fleet from the start of its records to its end; a round has at most one visit of an install."""
    scenario, truth = fleet.scenario, fleet.truth
    draws, number = scenario.draws, truth.number
    n, until = len(truth), scenario.until_day
    interval = np.array([m.interval_months for m in scenario.models])[truth.model] * 30.44
    new = truth.installed_day >= scenario.from_day
    # Overlooked since they were installed; only young ones, since drift knows no bounds here.
    young = truth.installed_day > until - 4 * 365
    never = young & (draws.uniform("never visited", number) < 0.06)
    commissioned = new & ~never & (draws.uniform("commissioned", number) < 0.75)
    first = np.where(new, truth.installed_day + interval, scenario.from_day + interval * draws.uniform("first", number))
    annual_on = np.where(never, np.inf, first + 18 * draws.normal("first annual", number))
    recheck_on = np.full(n, np.inf)
    if commissioned.any():
        who = np.flatnonzero(commissioned)
        day = truth.installed_day[who] + draws.choice("commissioned after", number[who], np.array([6, 2, 1, 1]))
        keep = day <= until
        yield fleet.visit(who[keep], day[keep], np.full(keep.sum(), COMMISSIONING))
    open_ = np.flatnonzero(~never)
    while len(open_):
        turn, who = fleet.turn[open_], number[open_]
        last = fleet.last_day[open_]
        planned = np.minimum(annual_on[open_], recheck_on[open_])
        # A breakdown may come first: at a base rate, and far more likely where something is out of range.
        fraction = draws.uniform("breakdown when", who, turn)
        broken_on = np.floor(last + 3 + fraction * np.maximum(0.0, planned - last - 3))
        out = fleet.outside(open_, fleet.latent(open_, broken_on.astype(np.int64))).any(axis=1)
        hazard = (np.where(out, 0.5, 0.055) * np.maximum(0.0, planned - last) / 365.25).clip(0, 0.9)
        breaks = (draws.uniform("breakdown", who, turn) < hazard) & (broken_on < planned - 10)
        recheck = ~breaks & (recheck_on[open_] <= annual_on[open_])
        day = np.where(breaks, broken_on, np.ceil(np.maximum(planned, last + 1)))
        going = day <= until
        idx, day = open_[going], day[going].astype(np.int64)
        purpose = np.where(breaks, BREAKDOWN, np.where(recheck, RECHECK, ANNUAL))[going]
        if not len(idx):
            return
        visits = fleet.visit(idx, day, purpose)
        yield visits
        still_out = fleet.outside(idx, visits.seen_left).any(axis=1)
        who, turn = number[idx], visits.turn
        again = (draws.uniform("recheck", who, turn) < np.where(still_out, 0.45, 0.015)) & (purpose != RECHECK)
        recheck_on[idx] = np.where(again, day + 10 + 30 * draws.uniform("recheck after", who, turn), np.inf)
        skipped = draws.uniform("skipped year", who, turn) < 0.06
        step = interval[idx] * np.where(skipped, 2, 1) + 22 * draws.normal("annual", who, turn)
        done = purpose == ANNUAL
        annual_on[idx] = np.where(done, day + np.maximum(step, 60), np.maximum(annual_on[idx], day + 45))
        open_ = idx
