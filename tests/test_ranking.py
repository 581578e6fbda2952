"""Appliance models ranked from posteriors, and the table of them."""

from __future__ import annotations

import polars as pl
import pytest
from made_store import made_store, with_last_values
from plan_store import AS_OF, plan_store
from scipy.stats import norm

from models.chances.ranking import rank_models
from models.clock.hours import day_number
from pipeline.settings import Settings
from pipeline.stages.cycles import cycles
from pipeline.stages.forecast import forecast
from pipeline.stages.model_ranking import interval_days
from pipeline.stages.plan import plan


def drift(rate, sd=0.02, fleet=0.10):
    return pl.DataFrame(
        {
            "model_no": range(len(rate)), "rate": rate, "rate_sd": [sd] * len(rate),
            "minus_fleet": [r - fleet for r in rate], "worse_than_fleet_p": [0.5] * len(rate),
        },
        schema_overrides={"model_no": pl.Int32},
    )  # fmt: skip


def test_on_the_log_scale_the_rate_is_taken_at_the_median_present_value():
    ranked = rank_models(drift([0.10, 0.20]), [12.0, 9.0], "log", "up")
    assert ranked["rate_per_1000h"].to_list() == pytest.approx([1.2, 1.8])
    half = norm.ppf(0.9) * 0.02
    assert ranked["rate_low_per_1000h"].to_list() == pytest.approx([12 * (0.10 - half), 9 * (0.20 - half)])
    assert ranked["rate_high_per_1000h"].to_list() == pytest.approx([12 * (0.10 + half), 9 * (0.20 + half)])
    assert ranked["rank"].to_list() == [2, 1]


@pytest.mark.parametrize(
    ("worse", "rates", "fleet", "rank"),
    [
        ("up", [0.3, 0.1, -0.2], 0.1, [1, 2, 3]),
        ("down", [0.3, 0.1, -0.2], 0.1, [3, 2, 1]),
        ("both", [-0.3, -0.1, 0.05], -0.1, [1, 2, 3]),  # the fleet falls: the low end is the one that is neared
        ("both", [-0.3, 0.3, 0.05], 0.1, [3, 1, 2]),
        ("up", [0.2, 0.2, 0.1], 0.1, [1, 2, 3]),  # equal to the last digit: by number
    ],
)
def test_rank_one_drifts_fastest_towards_its_limit(worse, rates, fleet, rank):
    assert rank_models(drift(rates, fleet=fleet), [1.0] * 3, "identity", worse)["rank"].to_list() == rank


def test_every_model_with_installs_has_a_row_for_every_series_that_applies():
    models = [{}, {"model_id": "N", "model_no": 1, "condensing": False}, {"model_id": "O", "model_no": 2}]
    installs = [{}, {}, {"model_id": "N"}]
    visits = [{"install_no": 0, "visited_on": "2024-03-01"}, {"install_no": 0, "visited_on": "2024-09-01"}]
    store = made_store(installs, visits, [], models=models)
    cycles(store, Settings())
    with_last_values(store)
    store.write(
        "open_cycles",
        pl.DataFrame(
            [(i, 1, 5.6, 0.2, 0.01, 0.0, 0.0004, 1.0, 1000.0, "model", 0) for i in range(3)],
            orient="row",
            schema=[
                "install_no",
                "series_no",
                "m0",
                "m1",
                "v00",
                "v01",
                "v11",
                "gamma",
                "hours_open",
                "basis",
                "readings",
            ],
        ),
    )
    store.write("model_drift", drift([0.2, 0.25, 0.1]).with_columns(pl.lit(1, pl.Int32).alias("series_no")))
    store.run("create table open_doubts as select *, 0::double as chance from open_cycles limit 0")
    forecast(store, Settings())
    rows = store.frame("select * from appliance_models")
    # Model M: seven of the eight drifting series (no media); N: no trap either; O has no installs.
    assert rows.group_by("model_id").len().sort("model_id").rows() == [("M", 7), ("N", 6)]
    co = rows.filter((pl.col("indicator") == "co_air_free_ppm") & (pl.col("firing") == "high"))
    assert co["installs"].to_list() == [2, 1]
    assert co["visits"].to_list() == [2, 0]
    assert co["rank"].to_list() == [2, 1]
    assert co["rate_per_1000h"].to_list() == pytest.approx([0.2 * 2.71828**5.8, 0.25 * 2.71828**5.8], rel=1e-4)
    # Next visit a year after the last one, on 1 September 2025, the eighth month of the curve; never visited: now.
    curve = dict(store.rows("select install_no, p_out from forecast_curve where series_no = 1"))
    now = dict(store.rows("select install_no, p_out_now from forecasts where series_no = 1"))
    assert co["share_out_at_interval"][0] == pytest.approx((curve[0][7] + now[1]) / 2, abs=2e-6)
    halves = store.rows("select out_p50_on - as_of from forecasts where series_no = 1 and install_no < 2 order by 1")
    assert co["median_days_to_out"][0] == pytest.approx((halves[0][0] + halves[1][0]) / 2)


def test_parts_of_a_month_count_as_in_the_plan() -> None:
    """The share out at the interval is that on the plan's own day; whole months were taken there."""
    store = plan_store(60, areas=1, never_visited=0.2)
    store.run("update current_models set service_interval_months = [0.5, 4.5, 7.3, 12][1 + model_no % 4]")
    plan(store, Settings())
    days = interval_days(store, day_number(AS_OF))
    planned = store.frame("select install_no, interval_on from visit_plan order by install_no")
    assert days["install_no"].to_list() == planned["install_no"].to_list()
    assert days["day"].cast(pl.Date).to_list() == [max(day, AS_OF) for day in planned["interval_on"]]
