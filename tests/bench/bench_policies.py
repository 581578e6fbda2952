"""Five simulated years under several rules for visiting, on a sample fleet whose truth is known.

    python tests/bench/bench_policies.py --installs 600 --step-days 56

The rules that forecast run the whole pipeline (read to forecast) on what has been recorded so far, at each step, and
see nothing of the truth. All rules meet the same installs, weather and luck; the out-of-range days are counted from
the truth.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from contextlib import nullcontext
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from models.drift.series import FitOptions
from models.plan.policies import by_risk, by_risk_within_hours
from models.plan.renewal import hour_price
from pipeline.sample.policy import Outcome, Rule, Seen, fixed_interval, follow, foreknowing
from pipeline.sample.scenario import build_scenario
from pipeline.settings import load_settings
from pipeline.stages import forecast as forecast_stage
from pipeline.stages.check import check
from pipeline.stages.cycles import cycles
from pipeline.stages.derive import derive
from pipeline.stages.fit import fit
from pipeline.stages.plan import planned_hours
from pipeline.stages.plan_inputs import MONTH_DAYS, Fleet, read_fleet
from pipeline.stages.read import read
from pipeline.store import Store

# Lighter than a run's: no search for changes of pace or analysers that read away; no backtest, which no rule reads.
FIT = FitOptions(robust_rounds=1, analysers=False, pace=False)
Lengths = Callable[[Fleet, np.ndarray], np.ndarray]


def forecasting(lengths: Lengths, tolerance: float, factor: float) -> Rule:
    """A rule that visits by the pipeline's own forecasts. lengths: of cycles, from fleet and hours of a visit. [d]"""

    def rule(seen: Seen) -> np.ndarray:
        with tempfile.TemporaryDirectory() as name, Store.open(None) as store:
            folder = Path(name)
            seen.write(folder)
            settings = load_settings(folder)
            as_of = date(1970, 1, 1) + timedelta(days=seen.day - 1)
            read(store, folder, settings)
            check(store, settings, as_of, as_of)
            derive(store, settings)
            cycles(store, settings)
            fit(store, settings, FIT)
            forecast_stage.forecast(store, settings)
            levers = settings.plan.model_copy(update={"longest_interval_factor": factor})
            fleet = read_fleet(store, as_of, levers, tolerance)
            length = lengths(fleet, planned_hours(store, fleet, settings)[0])
            due = dict(zip(fleet.frame["install_id"], seen.day - 1 + fleet.began + length, strict=True))
        latest = seen.last_day + factor * seen.interval_days
        return np.minimum([due.get(key, np.inf) for key in seen.install_ids], latest)

    return rule


def plan_lengths(tolerance: float, factor: float, held: bool = True) -> Lengths:
    """What the plan does: by risk at the tolerance's price of an hour, nothing longer than `factor` intervals, no
    chance above the tolerance, and at once where a reading is out of range. held: False leaves out the last two.
    """

    def lengths(fleet: Fleet, hours: np.ndarray) -> np.ndarray:
        own = fleet.cycles(np.arange(len(hours)))
        shortest = np.full(len(hours), 3 * MONTH_DAYS)
        price = hour_price(own, hours, tolerance)
        length = by_risk(own, hours, price, shortest, factor * fleet.length, tolerance if held else None)
        now = (fleet.frame["at_once"] | fleet.frame["co_out"]).to_numpy() & held
        return np.where(now, np.minimum(length, -fleet.began), length)

    return lengths


def same_hours_lengths(factor: float, share: float = 1.0) -> Lengths:
    """By risk, at the price that needs `share` of the hours of the fixed interval."""

    def lengths(fleet: Fleet, hours: np.ndarray) -> np.ndarray:
        own = fleet.cycles(np.arange(len(hours)))
        present = float((365.25 / fleet.length * hours).sum())
        shortest = np.full(len(hours), 3 * MONTH_DAYS)
        return by_risk_within_hours(own, hours, share * present, shortest, factor * fleet.length)[0]

    return lengths


def main() -> None:
    forecast_stage.trying_past = lambda *_: nullcontext()  # type: ignore[assignment]
    options = argparse.ArgumentParser()
    options.add_argument("--installs", type=int, default=600)
    options.add_argument("--step-days", type=int, default=56)
    options.add_argument("--years", type=float, default=5.0)
    options.add_argument("--records", type=float, default=5.0)
    options.add_argument("--seed", type=int, default=7)
    options.add_argument("--rules", nargs="*", default=["plan10", "priced10", "stretch"])
    given = options.parse_args()
    scenario = build_scenario(given.installs, given.records, given.seed, date(2026, 3, 1))

    def run(rule: Rule) -> Outcome:
        return follow(scenario, rule, years=given.years, step_days=given.step_days)

    equal = [(f, run(fixed_interval(f))) for f in (1.0, 0.95, 0.9, 0.8, 0.7, 0.6, 0.5)]
    base = equal[0][1]
    hours = np.array([o.hours() for _, o in equal])
    out = np.array([o.out_days.sum() for _, o in equal])

    def tell(name: str, outcome: Outcome, seconds: float) -> None:
        own_hours, own_out = outcome.hours(), float(outcome.out_days.sum())
        extra, avoided = own_hours - base.hours(), base.out_days.sum() - own_out
        same = float(np.interp(own_hours, hours, out))
        line = f"{name:28s} visits {outcome.visits.sum():7.0f} hours {own_hours:9.0f} out-days {own_out:9.0f}"
        line += f"  fewer than fixed {100 * avoided / base.out_days.sum():5.1f} %"
        if extra > 0.005 * base.hours():
            equally = (base.out_days.sum() - same) / extra
            line += f"  per extra hour {avoided / extra:6.1f}, equally shortened {equally:6.1f}"
            line += f", ratio {avoided / extra / equally:4.2f}"
        print(f"{line}  ({seconds:.0f} s)", flush=True)

    for factor, outcome in equal:
        tell(f"interval x {factor:g}", outcome, 0)
    tell("foreknowing, not longer", run(foreknowing(0.0, 1.0)), 0)
    tell("foreknowing, up to 1.5", run(foreknowing(0.0, 1.5)), 0)
    rules = {
        "plan02": (plan_lengths(0.02, 1.0), 0.02, 1.0),
        "plan05": (plan_lengths(0.05, 1.0), 0.05, 1.0),
        "plan10": (plan_lengths(0.10, 1.0), 0.10, 1.0),
        "plan20": (plan_lengths(0.20, 1.0), 0.20, 1.0),
        "plan40": (plan_lengths(0.40, 1.0), 0.40, 1.0),
        "priced10": (plan_lengths(0.10, 1.0, held=False), 0.10, 1.0),
        "more10": (same_hours_lengths(1.0, 1.1), 0.10, 1.0),
        "stretch": (same_hours_lengths(1.5), 0.10, 1.5),
    }
    for name in given.rules:
        began = time.perf_counter()
        tell(name, run(forecasting(*rules[name])), time.perf_counter() - began)


if __name__ == "__main__":
    main()
