"""The sample maker: the same fleet for the same seed, physically consistent, dirty as promised, its truth correct."""

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline import fuels
from pipeline.errors import FleetError
from pipeline.sample import policy
from pipeline.sample.dirt import READING_SLIPS, VISIT_SLIPS
from pipeline.sample.draws import Draws
from pipeline.sample.records import reading_frame, visit_frame
from pipeline.sample.scenario import FUELS, LOG, SERIES, SITE_BIOGAS, build_scenario
from pipeline.sample.schedule import past_visits
from pipeline.sample.simulate import ANNUAL, RESTORED_FLUE, Fleet, Visits, own_unit
from pipeline.sample.truth import NOISE_SD, build_truth, effect_correlation, hours_calendar
from pipeline.sample.write import write_sample
from pipeline.settings import load_settings
from pipeline.stages.check import check
from pipeline.stages.cycles import cycles
from pipeline.stages.derive import derive
from pipeline.stages.read import read
from pipeline.store import Store

UNTIL = date(2026, 9, 30)


@pytest.fixture(scope="module")
def grown() -> tuple[Fleet, Visits]:
    """2,000 installs over six years, with the truth in memory."""
    scenario = build_scenario(2000, 6, 11, UNTIL)
    fleet = Fleet(scenario, build_truth(scenario, 0, 2000))
    return fleet, Visits.joined(list(past_visits(fleet)))


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("clean")
    write_sample(folder, 600, 5, 4, dirt=False)
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*.*"))}


def read_all(folder: Path, kind: str) -> pl.DataFrame:
    return pl.concat(
        [pl.read_csv(p, infer_schema=False) for p in sorted((folder / kind).glob("*.csv"))], how="diagonal"
    )


# --- random numbers -------------------------------------------------------------------------------------------------


def test_draws_are_uniform_and_unrelated_between_units_turns_and_purposes() -> None:
    draws, unit = Draws(5), np.arange(20_000)
    u = [draws.uniform("a", unit), draws.uniform("a", unit, 1), draws.uniform("b", unit), Draws(6).uniform("a", unit)]
    for values in u:
        # Kolmogorov's 0.1 % point is 1.95 / sqrt(n); the seeds are fixed, so this cannot fail by chance later.
        gap = np.abs(np.sort(values) - (unit + 0.5) / len(unit)).max()
        assert gap < 1.95 / np.sqrt(len(unit))
    correlation = np.corrcoef([*u, np.roll(u[0], 1)])
    assert np.abs(correlation - np.eye(5)).max() < 4 / np.sqrt(len(unit))


def test_seeds_that_lie_close_share_no_unit() -> None:
    unit = np.arange(20_000)
    seeds = [Draws(seed).uniform("a", unit) for seed in (0, 1, 2, 10_000, 2**40)]
    assert len(np.unique(np.concatenate(seeds))) == 5 * len(unit)


# --- determinism ----------------------------------------------------------------------------------------------------


def test_a_fleet_is_the_same_bytes_however_it_is_split_into_blocks(tmp_path: Path) -> None:
    write_sample(tmp_path / "one", 90, 3, 8)
    write_sample(tmp_path / "many", 90, 3, 8, block=17)
    write_sample(tmp_path / "other", 90, 3, 9)
    one = contents(tmp_path / "one")
    assert one == contents(tmp_path / "many")
    assert one["installs.csv"] != contents(tmp_path / "other")["installs.csv"]


def test_the_committed_sample_folder_is_what_its_seed_makes(tmp_path: Path) -> None:
    committed = Path(__file__).parents[1] / "sample_data"
    write_sample(tmp_path, 400, 6, 2026)
    made, kept = contents(tmp_path), contents(committed)
    assert kept.pop("pages.png")  # the README's picture of its pages is not the maker's
    assert made.keys() == kept.keys()
    different = [name for name in made if made[name] != kept[name]]
    assert different == []
    assert sum(map(len, kept.values())) < 4_000_000


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"installs": 0}, "installs is 0; it may be 1 to"),
        ({"years": 99}, "years is 99; it may be 0.5 to 20"),
        ({"seed": -1}, "seed is -1"),
        ({"shape": "tabs"}, "shape is 'tabs'; it may be comma, semicolon, us"),
    ],
)
def test_unusable_arguments_are_refused_with_what_is_allowed(tmp_path: Path, arguments: dict, said: str) -> None:
    with pytest.raises(FleetError, match=said):
        write_sample(tmp_path, **{"installs": 5, "years": 1, "seed": 1, **arguments})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("installs", "years"), [(1, 0.5), (3, 1), (40, 20)])
def test_very_small_and_very_long_fleets_are_written(tmp_path: Path, installs: int, years: float) -> None:
    write_sample(tmp_path, installs, years, 3)
    assert pl.read_csv(tmp_path / "installs.csv").height == installs


# --- the latent truth -----------------------------------------------------------------------------------------------


def test_effects_have_a_proper_correlation() -> None:
    correlation = effect_correlation()
    assert np.array_equal(correlation, correlation.T)
    assert np.linalg.eigvalsh(correlation).min() > 0.01


def test_hours_follow_each_areas_monthly_load() -> None:
    scenario = build_scenario(500, 6, 2, UNTIL)
    calendar = hours_calendar(scenario)
    area = np.zeros(13, dtype=int) + 2
    starts = np.append(np.arange(np.datetime64("2023-01"), np.datetime64("2024-01")), np.datetime64("2024-01"))
    months = np.diff(calendar.load_years(area, starts.astype("datetime64[D]").astype(int)))
    assert months / months.sum() == pytest.approx(scenario.load[2], abs=1e-9)
    assert 0.75 < months.sum() < 1.3  # the weather of a year: a standard deviation of 7 %
    day = np.array([20_000.25, 20_100.5])
    passed = np.interp(day, calendar.first_day + np.arange(calendar.passed.shape[1]), calendar.passed[2])
    assert calendar.day_of(area[:2], passed) == pytest.approx(day, abs=1e-6)


def test_time_in_range_agrees_with_looking_every_day(grown: tuple[Fleet, Visits]) -> None:
    fleet, _ = grown
    who = np.arange(300)
    since, until = np.full(300, fleet.scenario.until_day), np.full(300, fleet.scenario.until_day + 500)
    enter, leave = fleet.in_range(who, since, until)
    inside = np.array([~fleet.outside(who, fleet.latent(who, since + d)) for d in range(500)])
    days = np.clip(leave - enter, 0, 500)
    # A day is looked at at its start, so a crossing within it differs by less than a day at either end.
    assert np.abs(days - inside.sum(axis=0)).max() <= 1.0
    anything = np.clip(leave.min(axis=1) - enter.max(axis=1), 0, 500)
    assert np.abs(anything - inside.all(axis=2).sum(axis=0)).max() <= 1.0
    assert 0.05 < (days < 500).any(axis=1).mean() < 0.9


def test_work_takes_away_its_share_of_what_had_built_up(grown: tuple[Fleet, Visits]) -> None:
    fleet, visits = grown
    steel = np.isin(fleet.truth.design[visits.install], [0, 1, 3]) & visits.has_found
    fresh = fleet.truth.level[visits.install, 0]
    built_up = visits.z_found[:, 0] - fresh
    for kind in (1, 2, 3):
        rows = steel & (visits.cleaning == kind)
        slope = np.polyfit(built_up[rows], (visits.z_left[:, 0] - fresh)[rows], 1)[0]
        assert 1 - slope == pytest.approx(RESTORED_FLUE[kind, 0], abs=0.06)
    idle = visits.cleaning == 0
    assert np.array_equal(visits.z_left[idle, 0], visits.z_found[idle, 0])


def test_readings_scatter_about_the_truth_as_stated(grown: tuple[Fleet, Visits]) -> None:
    fleet, visits = grown
    fair = (fleet.scenario.bias[visits.analyser] == 0).all(axis=1)
    for frame_stage, z in (("as_found", visits.z_found), ("as_left", visits.z_left)):
        rows = reading_frame(fleet, visits).filter(stage=frame_stage, firing="high")
        ids = visit_frame(fleet, visits)["visit_id"]
        at = pl.DataFrame({"visit_id": ids, "z": z[:, 0], "zo2": z[:, 3], "fair": fair})
        rows = rows.join(at, on="visit_id").filter("fair")
        gap = (rows["flue_temp_c"] - rows["return_temp_c"]).log() - rows["z"]
        assert gap.drop_nulls().std() == pytest.approx(NOISE_SD[0], rel=0.12)
        assert abs(gap.mean()) < 0.01
        o2 = (rows["o2_pct"] - rows["zo2"]).drop_nulls()
        assert o2.std() == pytest.approx(np.hypot(NOISE_SD[3], 0.05), rel=0.1)


def test_an_installs_rate_can_be_found_again_from_its_readings(grown: tuple[Fleet, Visits]) -> None:
    """Least squares of high-fire CO on burner hours within cycles of two readings or more, against the true rates."""
    fleet, visits = grown
    reset = (visits.cleaning > 0) | visits.burner_adjusted
    n = len(visits)
    starts = np.flatnonzero(reset[:-1] & (visits.install[1:] == visits.install[:-1]))
    straight = starts[(fleet.truth.gamma[visits.install[starts], 1] == 1) & (starts < n - 1)]
    hours = (visits.clock_h[straight + 1] - visits.clock_h[straight]) / 1000
    rise = visits.seen_found[straight + 1, 1] - visits.seen_left[straight, 1]
    slope = np.sum(hours * rise) / np.sum(hours**2)
    true = np.average(fleet.truth.rate[visits.install[straight], 1], weights=hours**2)
    error = np.std(rise - slope * hours) / np.sqrt(np.sum(hours**2))
    assert abs(slope - true) < 3 * error
    assert error < 0.05 * true  # or the line above would say little


def test_what_acts_on_the_rates_really_acts(grown: tuple[Fleet, Visits]) -> None:
    truth, scenario = grown[0].truth, grown[0].scenario
    hard = truth.hardness_mg_l > 250
    assert truth.rate[hard, 0].mean() > truth.rate[~hard, 0].mean() + 0.01
    assert truth.rate[truth.room_air, 1].mean() > truth.rate[~truth.room_air, 1].mean() + 0.02
    year = truth.installed_day.astype("datetime64[D]").astype("datetime64[Y]").astype(int) + 1970
    plate, late = truth.design == 1, year >= scenario.bad_batch_year
    assert truth.rate[plate & late, 0].mean() > 1.4 * truth.rate[plate & ~late, 0].mean()
    faster = np.array([m.faster for m in scenario.models])[truth.model]
    same = (truth.design == 2) & ~faster
    assert truth.rate[faster, 0].mean() > truth.rate[same, 0].mean() + 0.05


def test_some_installs_are_found_out_of_range_but_not_most(grown: tuple[Fleet, Visits]) -> None:
    fleet, visits = grown
    rows = (visits.purpose == ANNUAL) & (fleet.truth.model[visits.install] != fleet.scenario.mistyped_model)
    out = fleet.outside(visits.install[rows], visits.z_found[rows])
    assert 0.05 < out.any(axis=1).mean() < 0.2
    assert (out.mean(axis=0) > 0.0005).all()  # every series goes out somewhere
    typed = (visits.purpose == ANNUAL) & (fleet.truth.model[visits.install] == fleet.scenario.mistyped_model)
    assert fleet.outside(visits.install[typed], visits.z_found[typed])[:, 4].mean() > 0.5


# --- the written folder ---------------------------------------------------------------------------------------------


def test_truth_states_what_the_drift_formula_gives(clean: Path) -> None:
    truth = pl.read_csv(clean / "truth.csv", try_parse_dates=True)
    z = pl.col("level") + pl.col("rate") * (pl.col("hours_open") / 1000) ** pl.col("gamma")
    log = pl.col("indicator").is_in([name for (name, _), is_log in zip(SERIES, LOG, strict=True) if is_log])
    value = pl.when(log).then(z.exp()).otherwise(z)
    gap = truth.select((value - pl.col("value")).abs() / pl.col("value").abs().clip(1)).to_series()
    assert gap.max() < 5e-4  # the columns are rounded
    above, below = pl.col("value") > pl.col("limit_high"), pl.col("value") < pl.col("limit_low")
    out = above.fill_null(False) | below.fill_null(False)
    assert truth.filter(out)["out_on"].unique().to_list() == [UNTIL]
    assert truth.filter(~out)["out_on"].drop_nulls().min() >= UNTIL
    # Drift in the indicator's own unit: a finite difference of one hour.
    after = pl.col("level") + pl.col("rate") * ((pl.col("hours_open") + 1) / 1000) ** pl.col("gamma")
    difference = (pl.when(log).then(after.exp()).otherwise(after) - value) * 1000
    ratio = truth.filter((pl.col("hours_open") > 300) & (pl.col("rate").abs() > 0.01)).select(
        difference / pl.col("rate_per_1000h")
    )
    assert ratio.to_series().is_between(0.98, 1.02).all()


def test_oxygen_and_carbon_dioxide_lie_on_the_fuels_line(clean: Path) -> None:
    # CO2 = CO2max (1 - O2 / 20.95) from the oxygen balance; the bound is the sum of usual analyser accuracies
    # (O2 ±0.2, CO2 ±0.3 % vol.) with rounding; trade practice.
    table = fuels.load({"site_biogas": SITE_BIOGAS})
    peak = pl.DataFrame({"fuel": FUELS, "peak": [table[name].co2_max_pct for name in FUELS]})
    installs = pl.read_csv(clean / "installs.csv")
    assert set(installs["fuel"]) == set(FUELS)
    analysers = pl.read_csv(clean / "truth_analysers.csv").filter(pl.col("o2_pct") == 0)["analyser_id"]
    visits = read_all(clean, "visits").join(installs, on="install_id").join(peak, on="fuel")
    tests = read_all(clean, "readings").join(visits, on="visit_id")
    tests = tests.filter(pl.col("analyser_id").is_in(analysers.implode()))
    o2, co2 = pl.col("o2_pct").cast(float), pl.col("co2_pct").cast(float)
    residual = tests.select((co2 - pl.col("peak") * (1 - o2 / 20.95)).abs() - 0.2 * pl.col("peak") / 20.95)
    assert residual.to_series().drop_nulls().quantile(0.999) < 0.35
    wrong = tests.filter(pl.col("fuel") == "propane").select((co2 - 11.83 * (1 - o2 / 20.95)).abs()).to_series()
    assert wrong.median() > 1.0  # the line tells propane from natural gas


def test_a_clean_folder_has_no_dirt_and_keys_that_meet(clean: Path) -> None:
    visits, readings = read_all(clean, "visits"), read_all(clean, "readings")
    installs = pl.read_csv(clean / "installs.csv")
    assert visits["visit_id"].is_unique().all()
    assert readings.select(pl.struct("visit_id", "stage", "firing").is_unique().all()).item()
    assert set(visits["install_id"]) < set(installs["install_id"])  # and some are never visited
    assert set(readings["visit_id"]) < set(visits["visit_id"])  # and some visits have no test
    assert not any("corrected" in p.name for p in clean.rglob("*.csv"))
    dates = visits["visited_on"].str.to_date()
    assert dates.max() <= UNTIL
    assert visits.join(installs, on="install_id").filter(pl.col("visited_on") < pl.col("installed_on")).is_empty()
    gaps = {"burner_hours": (0.2, 0.6), "minutes_on_site": (0.02, 0.2), "exchanger_cleaning": (0.003, 0.05)}
    for column, (low, high) in gaps.items():
        assert low < visits[column].null_count() / visits.height < high, column
    shares = pl.read_csv(clean / "areas.csv").select(pl.sum_horizontal(pl.selectors.starts_with("load_"))).to_series()
    assert shares.to_list() == pytest.approx([1.0] * len(shares), abs=1e-3)


def test_counters_rise_except_where_a_control_was_swapped(clean: Path) -> None:
    rows = read_all(clean, "visits").drop_nulls("burner_hours").sort("install_id", "visited_on", "visit_id")
    rise = rows.select(pl.col("burner_hours").cast(float).diff().over("install_id")).to_series().drop_nulls()
    assert 0 < (rise < 0).sum() < 0.03 * len(rise)


def test_the_three_shapes_hold_the_same_quantities(tmp_path: Path) -> None:
    for shape in ("comma", "semicolon", "us"):
        write_sample(tmp_path / shape, 40, 2, 6, dirt=False, shape=shape)
    plain = read_all(tmp_path / "comma", "readings")
    with_commas = sorted((tmp_path / "semicolon/readings").glob("*.csv"))
    commas = pl.concat(pl.read_csv(p, separator=";", decimal_comma=True) for p in with_commas)
    us = read_all(tmp_path / "us", "readings")
    flue = plain["flue_temp_c"].cast(float)
    assert commas["flue_temp_c"].cast(float).equals(flue)
    assert (us["flue_temp_f"].cast(float) - (1.8 * flue + 32)).abs().max() < 0.051
    # Air-free CO is 20.9 / (20.9 - O2) times the CO as measured (US practice); both rounded to 1 ppm, O2 to 0.1 %.
    factor = 20.9 / (20.9 - us["o2_pct"].cast(float))
    error = (us["co_air_free_ppm"].cast(float) - factor * plain["co_ppm"].cast(float)).abs()
    assert (error <= 0.5 + 0.5 * factor + 0.005 * us["co_air_free_ppm"].cast(float)).drop_nulls().all()


def test_every_kind_of_slip_is_there_and_few(tmp_path: Path) -> None:
    write_sample(tmp_path / "dirty", 3000, 5, 12)
    write_sample(tmp_path / "clean", 3000, 5, 12, dirt=False)
    dirty, good = read_all_text(tmp_path / "dirty", "visits"), read_all_text(tmp_path / "clean", "visits")
    dates = dirty["visited_on"]
    # A row that is corrected to what it said already stands twice too, once in each file.
    first = read_all_text(tmp_path / "dirty", "visits", "visits_2*.csv")
    found = {
        "twice": first.height - first.unique().height,
        "unknown install": dirty["install_id"].str.starts_with("K9").sum(),
        "no such date": dates.str.ends_with("-02-30").sum(),
        "far date": dates.str.starts_with("206").sum(),
        "odd note": dirty["notes"].str.contains('"|\n|<|=|;').sum(),
        "word in a number": (dirty["minutes_on_site"] == "n/k").sum(),
    }
    for slip, count in found.items():
        expected = VISIT_SLIPS[slip] * good.height
        assert abs(count - expected) < 4 * np.sqrt(expected) + 1, slip
        assert count > 0, slip
    corrected = sorted(p.name for p in (tmp_path / "dirty" / "visits").glob("*corrected*"))
    names = sorted(p.name for p in (tmp_path / "dirty" / "visits").glob("*.csv"))
    assert corrected
    assert names[-len(corrected) :] == corrected  # later by name, so they win
    assert sum(VISIT_SLIPS.values()) < 0.02
    assert sum(READING_SLIPS.values()) < 0.02
    header = (tmp_path / "dirty/readings/readings_2023.csv").read_bytes()[:40]
    assert header.startswith(b"\xef\xbb\xbfvisit_id;stage")
    assert b"flue_temp_f" in (tmp_path / "dirty/readings/readings_2022.csv").read_bytes()[:200]


def read_all_text(folder: Path, kind: str, names: str = "*.csv") -> pl.DataFrame:
    parts = []
    for path in sorted((folder / kind).glob(names)):
        semicolon = b";stage;" in path.read_bytes()[:99] or b";install_id;" in path.read_bytes()[:99]
        parts.append(pl.read_csv(path, separator=";" if semicolon else ",", infer_schema=False))
    return pl.concat(parts, how="diagonal")


def test_capacity_covers_the_coming_weeks_and_one_area_runs_short(clean: Path) -> None:
    capacity = pl.read_csv(clean / "capacity.csv", try_parse_dates=True)
    assert (capacity["week"].dt.weekday() == 1).all()
    assert capacity["week"].min() <= UNTIL
    assert capacity.group_by("area_id").len()["len"].unique().to_list() == [60]
    autumn = capacity.filter(pl.col("week").is_between(date(2026, 10, 5), date(2026, 11, 16)))
    spring = capacity.filter(pl.col("week").is_between(date(2027, 3, 1), date(2027, 5, 31)))
    ratio = (
        autumn.group_by("area_id")
        .agg(pl.mean("hours_available"))
        .join(spring.group_by("area_id").agg(pl.mean("hours_available").alias("usual")), on="area_id")
        .select(pl.col("hours_available") / pl.col("usual"))
        .to_series()
        .sort()
    )
    assert ratio[0] < 0.75
    assert ratio[1] > 0.95


def test_the_pipeline_takes_a_clean_folder_whole_and_finds_the_true_limits(clean: Path) -> None:
    with Store.open(None) as store:
        settings = load_settings(clean)
        read(store, clean, settings)
        check(store, settings, None, today=date(2026, 11, 1))
        derive(store, settings)
        cycles(store, settings)
        assert store.rows("select file, line, reason from rejected_rows") == []
        assert store.scalar("select count(*) from current_visits") == read_all(clean, "visits").height
        assert store.scalar("select count(*) from current_readings") == read_all(clean, "readings").height
        found = store.frame(
            "select install_id, indicator, firing, limit_low, limit_high from limits "
            "join current_installs using (install_no) join series using (series_no)"
        )
    truth = pl.read_csv(clean / "truth.csv")
    both = truth.join(found, on=["install_id", "indicator", "firing"], how="left", suffix="_found")
    for end in ("limit_low", "limit_high"):
        assert both.select((pl.col(end) - pl.col(f"{end}_found")).abs().max()).item() < 1e-3
        assert both.filter(pl.col(end).is_null() != pl.col(f"{end}_found").is_null()).is_empty()


# --- trying visit rules ---------------------------------------------------------------------------------------------


def test_a_rules_out_of_range_days_agree_with_looking_every_day() -> None:
    scenario = build_scenario(60, 3, 21, UNTIL)
    outcome = policy.follow(scenario, policy.fixed_interval(), years=2)
    fleet, _ = policy.grown_fleet(scenario)
    made, start = outcome.made, scenario.until_day + 1
    counted = np.zeros((60, len(SERIES)), dtype=int)
    anything = np.zeros(60, dtype=int)
    every = np.arange(60)
    for day in range(start, start + outcome.days):
        today = np.flatnonzero(made.day == day)
        fleet.visit(made.install[today], made.day[today], made.purpose[today])
        out = fleet.outside(every, fleet.latent(every, np.full(60, day)))
        counted += out
        anything += out.any(axis=1)
    # A crossing within a day counts as part of it; each visit can add two such parts.
    slack = 2 * (outcome.visits + 1)
    assert (np.abs(outcome.out_days_by_series - counted) <= slack[:, None]).all()
    assert (np.abs(outcome.out_days - anything) <= slack + 1).all()
    assert outcome.out_days.sum() == pytest.approx(anything.sum(), rel=0.03)


def test_foreknowledge_beats_the_fixed_interval_and_more_visits_beat_fewer() -> None:
    scenario = build_scenario(500, 4, 5, UNTIL)
    fixed, often = (policy.follow(scenario, policy.fixed_interval(f), years=5) for f in (1.0, 0.7))
    known = policy.follow(scenario, policy.foreknowing(longest=1.5), years=5)
    assert often.hours() > fixed.hours() > known.hours()
    assert known.out_days.sum() < often.out_days.sum() < fixed.out_days.sum()
    assert fixed.visits.mean() == pytest.approx(5, rel=0.1)


def test_a_rule_is_shown_only_what_has_been_recorded(tmp_path: Path) -> None:
    scenario = build_scenario(50, 3, 9, UNTIL)
    days = []

    written: list[str] = []

    def rule(seen: policy.Seen) -> np.ndarray:
        days.append(seen.day)
        written[:] = seen.install_ids
        if len(days) == 8:
            seen.write(tmp_path / "seen")
        return seen.last_day + 200.0

    policy.follow(scenario, rule, years=0.8)
    visits, past = read_all(tmp_path / "seen", "visits"), policy.grown_fleet(scenario)[1]
    on = visits["visited_on"].str.to_date()
    assert on.max() > UNTIL
    assert set(visits["install_id"]) <= set(written)
    assert on.max().toordinal() - date(1970, 1, 1).toordinal() < days[7]
    assert on.is_between(date(1990, 1, 1), UNTIL).sum() == sum(map(len, past))


def test_true_values_come_out_in_their_own_units() -> None:
    z = np.log(np.array([[9.0, 60.0, 30.0, np.e**5, np.e**6, 4.0, 8.0, np.e**7]]))
    assert own_unit(z)[0] == pytest.approx([9, 60, 30, 5, 6, 4, 8, 7])
