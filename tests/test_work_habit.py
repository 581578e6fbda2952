"""What visits that left work undone, or open, say of a value: against simulations whose truth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.optimize import approx_fprime, minimize
from scipy.special import expit

from models.known.doubts import Hearing, heard
from models.known.work_habit import Found, WorkHabit, beyond, habit_of, latest_before, learnt

TRUE = WorkHabit(floor=0.4, ceiling=0.9, place=-0.3, width=0.1, share=0.5)
LIMIT, SIGMA = 0.0, 0.1


def test_distance_from_the_nearer_end():
    z, inf = np.array([5.0, 2.0, 9.0, 3.0]), np.inf
    found = beyond(z, np.array([1.0, 3.0, -inf, -inf]), np.array([6.0, inf, 8.0, inf]))
    assert found.tolist() == [-1.0, 1.0, 1.0, -inf]


@pytest.mark.parametrize("seed", range(3))
def test_the_curve_of_a_fleet_that_cleans_what_is_bad(seed):
    rng = np.random.default_rng(seed)
    distance = rng.normal(-0.8, 0.5, 8000)
    found = learnt(distance, rng.random(8000) < TRUE.chance(distance))
    at = np.linspace(-1.5, 0.5, 41)
    # four parameters from 8,000 visits: some 0.02 wide where readings are, more beyond the limit
    assert np.abs(found.chance(at) - TRUE.chance(at)).max() < 0.08
    assert found.share == pytest.approx(TRUE.chance(distance).mean(), abs=0.02)


@pytest.mark.parametrize("seed", range(8))
def test_the_curve_is_the_likeliest_that_a_general_minimiser_finds(seed):
    """Judge: scipy's L-BFGS-B from 30 random starts, with its own differences for a gradient."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(200, 3000))
    distance = rng.normal(-0.8, 0.5, n)
    floor, ceiling, place, width = rng.uniform([0.02, 0.6, -0.6, 0.05], [0.4, 0.98, 0.2, 0.4])
    true = WorkHabit(floor, ceiling, place, width, 0.5)
    done = rng.random(n) < true.chance(distance)
    found, spread = learnt(distance, done), float(np.subtract(*np.quantile(distance, [0.9, 0.5])))
    assert found.depends
    visits = Found(distance / spread, done.astype(float), (~done).astype(float))
    numbers = [found.floor, (found.ceiling - found.floor) / (1 - found.floor), found.place / spread]
    at = np.array([*np.log(numbers[:2]) - np.log1p(np.negative(numbers[:2])), numbers[2], np.log(found.width / spread)])
    slope = approx_fprime(at + 0.1, lambda x: visits.fit(x)[0])
    assert visits.fit(at + 0.1)[1] == pytest.approx(slope, rel=1e-4, abs=1e-3)
    starts = rng.normal([0, 0, 0, -1.5], [3, 2, 1, 1], (30, 4))
    least = min(minimize(lambda x: visits.fit(x)[0], start, method="L-BFGS-B").fun for start in starts)
    assert visits.fit(at)[0] < least + 0.01  # of log likelihood: distances are rounded to a 64th of their spread


def test_a_fleet_that_shows_no_dependence_is_taken_at_its_word():
    for seed in range(40):
        rng = np.random.default_rng(seed)
        n = int(rng.integers(40, 4000))
        assert not learnt(rng.normal(-0.8, 0.5, n), rng.random(n) < rng.uniform(0.05, 0.95)).depends
    few, one = np.random.default_rng(0).normal(size=20), np.ones(500, dtype=bool)
    assert not learnt(few, few > 0).depends
    assert not learnt(np.random.default_rng(0).normal(size=500), one).depends
    assert not learnt(np.full(500, -1.0), np.arange(500) % 2 == 0).depends


def made_visits(seen: bool, seed: int, installs: int = 1500, years: int = 8, written: float = 0.7) -> dict:
    """Yearly visits to installs that drift towards a limit of 1 on a plain scale; work brings them back to 0.

    seen: whether the technician sees the value also where nothing is written down; else work is then done at random.
    """
    rng = np.random.default_rng(seed)
    visits, readings, opened, unsaid = [], [], [], []
    value, rate, number = np.zeros(installs), rng.uniform(0.05, 0.35, installs), 0
    opened += [(i, None) for i in range(installs)]
    for i in range(installs):
        for year in range(1, years + 1):
            number += 1
            value[i] += rate[i]
            shown, writes = value[i] - 1 + rng.normal(0, 0.05), rng.random() < written
            chance = TRUE.chance(np.array(shown)) if seen or writes else 0.5
            visits.append((i, number, 1000.0 * year))
            if writes:
                readings.append((i, number, 0, shown + 1))
            if rng.random() < chance:
                value[i] = 0.0
                opened.append((i, number))
                readings.append((i, number, 1, rng.normal(0, 0.05)))
            if rng.random() < 0.05:
                unsaid.append(number)
    frame = lambda rows, names: pl.DataFrame(rows, schema=names, orient="row")
    ends = {"low": np.full(installs, -np.inf), "high": np.ones(installs)}
    return {
        "visits": frame(visits, ["install_no", "visit_no", "clock_h"]),
        "readings": frame(readings, ["install_no", "visit_no", "stage_order", "value"]),
        "opened": pl.DataFrame(opened, {"install_no": pl.Int64, "opened_visit_no": pl.Int64}, orient="row"),
        "unsaid": pl.DataFrame({"visit_no": unsaid}),
        "ranges": pl.DataFrame({"install_no": np.arange(installs), **ends}),
        "transform": "identity",
    }


def test_whether_a_value_was_seen_that_was_not_written_down():
    made = made_visits(seen=True, seed=1)
    found = habit_of(**made)
    at = np.linspace(-1.0, 0.3, 27)
    assert np.abs(found.chance(at) - TRUE.chance(at)).max() < 0.1
    assert found.seen > 0.75
    assert habit_of(**made_visits(seen=False, seed=2)).seen < 0.25
    # every value written down: nothing to learn it from
    assert habit_of(**made_visits(seen=True, seed=3, written=1.0)).seen == 0.5


def posterior(m0: float, n: int = 1) -> pl.DataFrame:
    """Open cycles whose rate is known less well than their level."""
    return pl.DataFrame(
        {"install_no": np.arange(n), "cycle_no": np.zeros(n, dtype=np.int64), "m0": m0, "m1": 0.3, "v00": 0.01,
         "v01": 0.002, "v11": 0.02, "gamma": 1.2, "hours_shift": 0.0}
    )  # fmt: skip


def silence(*unsure: bool, value: float | None = None) -> pl.DataFrame:
    """Visits to install 0 1,000 h apart, the last one 1,000 h ago."""
    n = len(unsure)
    return pl.DataFrame(
        {"install_no": [0] * n, "cycle_no": [0] * n, "visit_no": range(n),
         "since_h": [1000.0 * (n - k) for k in range(n)],
         "unsure": unsure, "value": [value if u else None for u in unsure]},
        schema_overrides={"value": pl.Float64},
    )  # fmt: skip


OPENED = pl.DataFrame({"install_no": [0], "cycle_no": [0], "hours_open": [4000.0]})
ENDS = pl.DataFrame({"install_no": [0], "low": [-np.inf], "high": [LIMIT]})


@pytest.mark.parametrize("m0", [-2.4, -1.5, -1.1, -0.6])
@pytest.mark.parametrize("seen", [1.0, 0.4])
@pytest.mark.parametrize("visits", [1, 2])
def test_what_is_heard_is_what_simulated_installs_show(m0, seen, visits):
    """By rejection: installs are drawn from the posterior and visited; those that the visits left alone are kept."""
    habit = replace(TRUE, seen=seen, share_unread=0.5)
    told, doubts = heard(
        posterior(m0), OPENED, silence(*[False] * visits), ENDS, Hearing(habit, 0.3, SIGMA, "identity")
    )
    assert doubts.is_empty()
    rng, n = np.random.default_rng(5), 2_000_000
    level, rate = rng.multivariate_normal([m0, 0.3], [[0.01, 0.002], [0.002, 0.02]], n).T
    kept = np.ones(n, dtype=bool)
    for hours in (3.0, 2.0)[:visits]:
        shown = level + rate * hours**1.2 + rng.normal(0, SIGMA, n)
        chance = np.where(rng.random(n) < seen, habit.chance(shown - LIMIT), 0.5)
        kept &= rng.random(n) >= chance
    row = told.row(0, named=True)
    now = 4.0**1.2
    value, before = level[kept] + rate[kept] * now, m0 + 0.3 * now
    mean = row["m0"] + row["m1"] * now
    variance = row["v00"] + 2 * row["v01"] * now + row["v11"] * now**2
    # one visit is exact; a second one is weighed by a normal in place of what the first left, which is far from one
    # where the limit has been passed: some tenth of what the visits tell, and up to 7 % of the spread
    off, wide = (0.01, 0.01) if visits == 1 else (0.1, 0.08)
    assert mean == pytest.approx(value.mean(), abs=off * abs(value.mean() - before) + 0.003)
    assert variance**0.5 == pytest.approx(value.std(), rel=wide)
    assert row["m1"] == pytest.approx(rate[kept].mean(), abs=0.02)


@pytest.mark.parametrize("m0", [-2.4, -1.5, -1.1])
def test_a_visit_that_leaves_it_open_did_the_work_where_the_value_was_bad(m0):
    """As often as simulated installs of that value did, whose visits left it open; a later one left them alone."""
    open_share = 0.3
    by = Hearing(TRUE, open_share, SIGMA, "identity")
    rng, n = np.random.default_rng(6), 2_000_000
    level, rate = rng.multivariate_normal([m0, 0.3], [[0.01, 0.002], [0.002, 0.02]], n).T
    p = TRUE.chance(level + rate * 2.0**1.2 + rng.normal(0, SIGMA, n))
    # an empty cell is so much likelier after work than after none that of an average fleet's such visits 0.3 did it
    left_open = open_share / (1 - open_share) * (1 - TRUE.share) / TRUE.share
    did = rng.random(n) < left_open * p / (left_open * p + 1 - p)
    later = TRUE.chance(level + rate * 3.0**1.2 + rng.normal(0, SIGMA, n))
    kept = rng.random(n) >= np.where(did, TRUE.floor, later)
    told, doubts = heard(posterior(m0), OPENED, silence(True, False), ENDS, by)
    assert doubts["chance"][0] == pytest.approx(did[kept].mean(), abs=0.02)
    still = kept & ~did
    row, now = told.row(0, named=True), 4.0**1.2
    assert row["m0"] + row["m1"] * now == pytest.approx((level + rate * now)[still].mean(), abs=0.04)


def test_a_value_that_was_read_says_itself_whether_work_was_likely():
    by = Hearing(TRUE, 0.3, SIGMA, "identity")
    chances = []
    for value in (-1.5, -0.3, 0.5):
        told, doubts = heard(posterior(-1.0), OPENED, silence(True, value=value), ENDS, by)
        assert told.equals(posterior(-1.0))  # the fit has had that reading
        p = float(TRUE.chance(np.array(value)))
        assert doubts["chance"][0] == pytest.approx(expit(np.log(0.3 / 0.7) + np.log(p / (1 - p)) - np.log(0.5 / 0.5)))
        chances.append(doubts["chance"][0])
    assert chances == sorted(chances)


def test_without_dependence_or_range_nothing_moves():
    none = Hearing(WorkHabit.none(0.6), 0.3, SIGMA, "identity")
    told, doubts = heard(posterior(-0.6), OPENED, silence(False, True), ENDS, none)
    assert told.equals(posterior(-0.6))
    assert doubts.rows() == [(0, 0.3)]
    numbers, by = ["m0", "m1", "v00", "v01", "v11"], Hearing(TRUE, 0.3, SIGMA, "identity")
    for endless in (ENDS.with_columns(high=pl.lit(np.inf)), ENDS.clear()):
        told, doubts = heard(posterior(-0.6), OPENED, silence(False, True), endless, by)
        assert 0 < doubts["chance"][0] < 0.3  # what is never found bad is left alone more often than most
        np.testing.assert_allclose(told.select(numbers), posterior(-0.6).select(numbers), rtol=1e-4)


def test_visits_to_cycles_that_are_not_asked_for_say_nothing():
    by = Hearing(TRUE, 0.3, SIGMA, "identity")
    other = posterior(-0.6).with_columns(install_no=pl.lit(7, pl.Int64))
    told, doubts = heard(other, OPENED, silence(False, True), ENDS, by)
    assert told.equals(other)
    assert doubts.is_empty()
    told, doubts = heard(other.clear(), OPENED.clear(), silence(True), ENDS, by)
    assert told.is_empty()
    assert doubts.is_empty()


def test_the_last_one_before_is_of_the_same_install_and_earlier():
    """By going through all of them, one by one."""
    rng = np.random.default_rng(2)
    install, place = rng.integers(0, 6, 200), rng.integers(0, 60, 200)
    of, then = rng.integers(0, 7, 90), rng.permutation(90)
    found = latest_before(install, place, of, then)
    for i, p, k in zip(install.tolist(), place.tolist(), found.tolist(), strict=True):
        earlier = [int(j) for j in np.flatnonzero((of == i) & (then < p))]
        assert k == (max(earlier, key=lambda j: then[j]) if earlier else -1)
    assert (latest_before(install, place, of[:0], then[:0]) == -1).all()
