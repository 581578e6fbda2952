"""The plan of a whole store: what it promises holds on any fleet."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_store import AS_OF, plan_store, planned

from pipeline.errors import FleetError
from pipeline.settings import PlanSettings, Settings
from pipeline.stages.plan import plan
from pipeline.stages.plan_inputs import week_calendar
from pipeline.store import Store

FIRST_MONDAY = date(2026, 3, 23)  # AS_OF is a Wednesday
EXPORTED = ("install_id", "area_id", "model_id", "due_on", "leading_indicator", "planned_week", "expected_minutes",
            "p_out_at_planned", "p_out_at_interval", "tasks", "take_along", "last_visit_on")  # fmt: skip
DATED = """
    select p.*, i.installed_on, i.install_no, m.service_interval_months::integer as months,
        coalesce((select max(v.visited_on) from current_visits v where v.install_no = i.install_no
                  and (v.purpose is null or v.purpose in ('annual', 'commissioning'))), i.installed_on) as began_on
    from visit_plan p join current_installs i using (install_id) join current_models m on m.model_id = i.model_id
"""


def promises(store: Store, catch_up_weeks: int = 8, factor: float = 1.0) -> None:
    """What holds on any fleet, asked of the tables in SQL."""
    installs = store.scalar("select count(*) from current_installs")
    rows = store.rows("select count(*), count(distinct install_id) from visit_plan")[0]
    assert rows == (installs, installs)  # one row per install, so one visit at most
    dated = store.frame(f"with dated as ({DATED}) select *, "
                        f"(began_on + to_months((months * {factor})::integer))::date as latest from dated")  # fmt: skip
    made = dated.filter(pl.col("planned_week").is_not_null())
    assert (made["planned_week"].dt.weekday() == 1).all()
    first = made["planned_week"].min()
    assert first is None or first >= AS_OF  # type: ignore[operator]
    due = made.filter(pl.col("latest") >= AS_OF)
    late = due.filter((pl.col("planned_week") > pl.col("latest")) & (pl.col("planned_week") > FIRST_MONDAY))
    assert late.is_empty()
    overdue = dated.filter(pl.col("latest") < AS_OF)
    assert overdue["planned_week"].null_count() == 0
    last_week = FIRST_MONDAY + timedelta(days=7 * (catch_up_weeks - 1))
    assert overdue.filter(pl.col("planned_week") > last_week).is_empty()
    # an install whose latest date ends inside the horizon is visited
    inside = dated.filter(pl.col("latest") < FIRST_MONDAY + timedelta(days=7 * 52))
    assert inside["planned_week"].null_count() == 0
    told = store.frame(
        """
        with planned as (
            select area_id, planned_week as week, count(*) as visits, sum(expected_minutes + 20) / 60 as hours
            from visit_plan where planned_week is not null group by all)
        select w.*, coalesce(p.visits, 0) as planned_visits, coalesce(p.hours, 0) as planned_hours
        from area_weeks w left join planned p using (area_id, week) order by area_id, week
        """
    )
    assert (told["visits"] == told["planned_visits"]).all()
    # expected_minutes carry one decimal in the table: 0.05 min a visit at most.
    assert ((told["hours_needed"] - told["planned_hours"]).abs() <= 0.001 * told["visits"] + 1e-3).all()
    assert told["visits"].sum() == made.height
    given = told.filter(pl.col("hours_available").is_not_null())
    over = (given["hours_needed"] - given["hours_available"]).clip(0)
    assert ((given["hours_short"] - over).abs() < 1e-3).all()
    assert (given["hour_value"] >= 0).all()
    foreseen = store.frame("select distinct install_no from forecasts where p_out_now is not null")
    known = made["install_no"].is_in(foreseen["install_no"].implode())
    for chance in ("p_out_at_planned", "p_out_at_interval"):
        assert made[chance].is_between(0, 1).fill_null(False).equals(known, check_names=False)


@settings(max_examples=12)
@given(
    seed=st.integers(0, 10**6), installs=st.integers(1, 150), areas=st.integers(1, 5),
    share=st.one_of(st.none(), st.floats(0.0, 2.0)), overdue=st.floats(0, 1), never=st.floats(0, 1),
)  # fmt: skip
def test_any_fleet_is_planned_once_in_time_and_within_its_hours_or_the_stated_shortfall(
    seed: int, installs: int, areas: int, share: float | None, overdue: float, never: float
) -> None:
    store = plan_store(installs, areas, seed, share, overdue=overdue, never_visited=never)
    promises(planned(store))


def test_the_plan_has_the_agreed_columns() -> None:
    store = planned(plan_store(40))
    assert store.frame("select * from visit_plan").columns[: len(EXPORTED)] == list(EXPORTED)
    assert store.frame("select * from area_weeks").columns == [
        "area_id", "week", "visits", "hours_needed", "hours_available", "hours_short", "hour_value"]  # fmt: skip
    assert store.scalar("select count(*) from area_weeks") == 3 * 52


def test_ample_hours_leave_nothing_short_and_no_new_chance_above_the_tolerance() -> None:
    store = planned(plan_store(400, overdue=0.0, never_visited=0.0, hours_share=6.0))
    assert store.scalar("select sum(hours_short) from area_weeks") == 0
    rows = store.frame(
        "select p.p_out_at_planned, p.planned_week, p.install_id from visit_plan p where planned_week is not null"
    )
    later = rows.filter(pl.col("planned_week") > FIRST_MONDAY)
    assert later.height > 200
    # A week's Monday is at most seven days after the day on which the tolerance is reached.
    assert later["p_out_at_planned"].max() <= 0.10 + 0.02  # type: ignore[operator]


@pytest.mark.parametrize("seed", range(3))
def test_with_hours_to_spare_no_visit_falls_after_the_day_its_chance_reaches_the_tolerance(seed: int) -> None:
    # By the agreement the tolerance is the chance accepted at the visit, and due_on its last day.
    store = planned(plan_store(300, seed=seed, hours_share=8.0))
    rows = store.frame("select due_on, planned_week, p_out_at_planned from visit_plan where planned_week is not null")
    to_come = rows.filter((pl.col("due_on") > AS_OF) & (pl.col("planned_week") > FIRST_MONDAY))
    last_caught_up = FIRST_MONDAY + timedelta(days=7 * 7)
    in_time = to_come.filter(pl.col("planned_week") > last_caught_up)
    assert in_time.height > 100
    assert (in_time["p_out_at_planned"] <= 0.10).all()
    assert (to_come["planned_week"] <= to_come["due_on"]).all()
    past = store.frame("select planned_week from visit_plan where due_on <= ?", [AS_OF])
    assert past.height > 5
    assert past["planned_week"].null_count() == 0
    assert (past["planned_week"] <= last_caught_up).all()


def test_a_reading_out_of_range_is_seen_in_the_catch_up_weeks_the_farthest_out_first() -> None:
    store = plan_store(300, areas=1, hours_share=0.6, overdue=0.3, seed=5)
    store.run("update forecasts set state = 'in_range', last_value = 0.9")
    # Visited of late and never to be mended by the curves: before, such an install waited for its interval.
    store.run("update forecasts set state = 'out_of_range', p_out_now = 0.95, last_value = 1.0 + 0.02 * install_no "
              "where install_no < 30 and series_no = 0")  # fmt: skip
    planned(store)
    out = store.frame("select install_no, planned_week from visit_plan where install_no < 30")
    assert out["planned_week"].null_count() == 0
    assert out["planned_week"].max() <= FIRST_MONDAY + timedelta(days=7 * 7)  # type: ignore[operator]
    near, far = (out.filter(pl.col("install_no").is_between(*k))["planned_week"] for k in ((0, 9), (20, 29)))
    assert far.cast(pl.Int32).mean() < near.cast(pl.Int32).mean()  # type: ignore[operator]
    # What does not fit is said: hours needed above those there are.
    over = "select sum(greatest(hours_needed - hours_available, 0)), sum(hours_short) from area_weeks"
    assert store.rows(over)[0][0] == pytest.approx(store.rows(over)[0][1], abs=0.01)


def test_several_co_readings_out_of_range_are_all_seen_in_the_first_week_whatever_the_hours() -> None:
    store = plan_store(80, areas=1, hours_share=0.2)
    store.run("update forecasts set state = 'in_range'")
    store.run("update forecasts set state = 'out_of_range', p_out_now = 0.9 "
              "where install_no % 10 = 3 and indicator = 'co_air_free_ppm'")  # fmt: skip
    planned(store)
    weeks = store.rows("select planned_week from visit_plan where install_no % 10 = 3")  # fmt: skip
    assert {week for (week,) in weeks} == {FIRST_MONDAY}
    assert store.rows("select hours_short from area_weeks order by week limit 1")[0][0] > 0


def _doubted(store: Store, value: float) -> None:
    """All of model 1 left at `value`, against a limit of 1.0 for the flame current."""
    store.run("update forecasts set state = 'in_range', last_value = 0.9")
    store.run("create table limits as select install_no, series_no, limit_low, limit_high from forecasts")
    store.run(
        "create table observations as select f.install_no, f.series_no, f.indicator, 'as_left' as stage, "
        "true as usable, "
        f"case when i.model_no = 1 and f.series_no = 5 then {value} else 0.8 end as value "
        "from forecasts f join current_installs i using (install_no)"
    )
    store.run(f"update forecasts set state = 'out_of_range', p_out_now = 1.0, last_value = {value} where series_no = 5 "
              "and install_no in (select install_no from current_installs where model_no = 1)")  # fmt: skip


def test_a_limit_that_the_whole_model_reads_just_beyond_after_work_is_to_be_checked() -> None:
    store = plan_store(160, areas=1, hours_share=8.0, overdue=0.0)
    _doubted(store, 1.1)
    planned(store)
    assert store.rows("select model_no, series_no from suspect_limits") == [(1, 5)]
    rows = store.frame("select model_id, tasks, planned_week, latest_on from visit_plan")
    model = rows.filter(pl.col("model_id") == "M1")
    assert model.height == 40
    assert model["tasks"].str.contains("check the typed limit").all()
    assert not rows.filter(pl.col("model_id") != "M1")["tasks"].str.contains("typed limit").fill_null(False).any()
    assert (model["planned_week"] <= FIRST_MONDAY + timedelta(days=7 * 7)).all()  # the hours are there

    # Without the hours they give way to others, at the latest to the next regular visit.
    tight = plan_store(160, areas=1, hours_share=1.0, overdue=0.2)
    _doubted(tight, 1.1)
    planned(tight)
    weeks = tight.frame("select planned_week, latest_on from visit_plan where model_id = 'M1'")
    late = weeks.filter(pl.col("planned_week") > FIRST_MONDAY + timedelta(days=7 * 7))
    assert (late["planned_week"] <= late["latest_on"]).all()


def test_a_model_that_reads_far_beyond_its_limit_does_not_make_the_limit_doubtful() -> None:
    store = plan_store(160, areas=1, hours_share=8.0, overdue=0.0)
    _doubted(store, 1.6)
    planned(store)
    assert store.scalar("select count(*) from suspect_limits") == 0
    weeks = store.rows("select planned_week from visit_plan where model_id = 'M1'")
    assert all(week <= FIRST_MONDAY + timedelta(days=7 * 7) for (week,) in weeks)


@pytest.mark.parametrize(("kpa", "soon"), [(40.0, True), (75.0, False), (180.0, False), (260.0, True)])
def test_system_pressure_waits_for_the_next_visit_unless_it_is_clearly_out(kpa: float, soon: bool) -> None:
    store = plan_store(60, areas=1, hours_share=8.0, overdue=0.0, never_visited=0.0)
    store.run("update forecasts set state = 'in_range', p_out_now = 0.0, due_on = null")
    store.run("update forecast_curve set p_out = list_transform(p_out, lambda x: 0.0::float)")
    store.run("insert into forecasts by name select install_no, 8 as series_no, install_id, "
              f"'system_pressure_kpa' as indicator, 'any' as firing, 'out_of_range' as state, {kpa} as last_value, "
              "80.0 as limit_low, 170.0 as limit_high from forecasts where series_no = 0")  # fmt: skip
    planned(store)
    rows = store.frame("select planned_week, latest_on, tasks from visit_plan where planned_week is not null")
    caught_up = rows["planned_week"] <= FIRST_MONDAY + timedelta(days=7 * 7)
    assert caught_up.all() == soon
    assert rows["tasks"].str.contains("bring the system pressure into range").all()
    assert (rows["planned_week"] <= rows["latest_on"]).all()


def test_the_compared_plan_keeps_to_the_tolerance_as_the_plan_does() -> None:
    def out_days(tolerance: float) -> float:
        store = plan_store(400, hours_share=None)
        plan(store, Settings(risk_tolerance=tolerance))
        row = store.rows("select out_days, visits from plan_comparisons where name = 'plan, nothing lengthened'")[0]
        told = store.rows("select expected_out_days from plan_scenarios where risk_tolerance = ?", [tolerance])[0]
        # Never above the tolerance: at most its share of all days, but for cycles that begin out of range.
        assert row[0] <= tolerance * 365.25 * 400
        assert told[0] > 0
        return row[0]

    assert out_days(0.05) < out_days(0.20)


def test_chances_are_those_of_the_forecast_curves() -> None:
    store = planned(plan_store(60, seed=4))
    install, week, told = store.rows(
        "select install_id, planned_week, p_out_at_planned from visit_plan where planned_week is not null "
        "order by planned_week desc, install_id"
    )[0]
    rows = store.rows(
        "select f.p_out_now, c.first_month, c.p_out "
        "from forecasts f join forecast_curve c using (install_id, indicator, firing) where install_id = ?",
        [install],
    )
    stay = 1.0
    for now, first, months in rows:
        starts = (np.datetime64(first, "M") + np.arange(36)).astype("datetime64[D]")
        days = [0.0, *(starts - np.datetime64(AS_OF)).astype(float)]
        stay *= 1 - np.interp((week - AS_OF).days, days, [now, *months])
    # The combined chance runs straight between months here, each series' own there: they differ by what bends in a
    # month.
    assert told == pytest.approx(1 - stay, abs=0.004)


def test_fleets_without_capacity_get_the_hours_they_need_spread_over_the_weeks() -> None:
    store = planned(plan_store(600, areas=1, hours_share=None, overdue=0.25))
    weeks = store.frame("select * from area_weeks order by week")
    assert (
        weeks["hours_available"].null_count()
        == weeks["hours_short"].null_count()
        == weeks["hour_value"].null_count()
        == 52
    )
    at_interval = store.scalar(
        "select max(n) from (select count(*) as n, "
        "greatest(date_trunc('week', began_on + to_months(months)), date '2026-03-23') as week "
        f"from ({DATED}) group by week)"
    )
    assert weeks["visits"].max() < 0.75 * at_interval


def test_technicians_are_the_hours_over_those_that_one_works() -> None:
    store = planned(plan_store(200, areas=2), hours_per_day=7.5, working_days=("mon", "tue", "wed", "thu"))
    rows = store.frame("select w.hours_needed, t.* from area_weeks w join plan_technicians t using (area_id, week)")
    assert rows.height == 2 * 52
    assert (rows["working_days"] == 4).all()
    assert rows["technicians_needed"].to_numpy() == pytest.approx(rows["hours_needed"].to_numpy() / 30.0, abs=6e-4)


def test_an_area_without_installs_is_listed_with_the_hours_it_has() -> None:
    store = plan_store(40, areas=2)
    store.run("insert into current_areas values ('A99', 99, 'Moor')")
    store.run("insert into current_capacity values ('A99', date '2026-03-23', 12.0)")
    planned(store)
    rows = store.rows("select visits, hours_needed, hours_available, hours_short, hour_value from area_weeks "
                      "where area_id = 'A99'")  # fmt: skip
    assert rows == [(0, 0.0, 12.0, 0.0, 0.0)] * 52


def test_a_longer_interval_is_only_used_where_the_firm_accepts_it() -> None:
    store = planned(plan_store(300, overdue=0.0), longest_interval_factor=1.5)
    promises(store, factor=1.5)
    stretched = store.scalar(f"select count(*) from ({DATED}) where planned_week > began_on + to_months(months)")
    assert stretched > 0


def test_an_earlier_capacity_raises_what_an_hour_is_worth() -> None:
    rich = planned(plan_store(300, areas=1, hours_share=3.0)).scalar("select sum(hour_value) from area_weeks")
    poor = planned(plan_store(300, areas=1, hours_share=0.6)).scalar("select sum(hour_value) from area_weeks")
    assert poor > rich


def test_hours_left_over_are_worth_nothing() -> None:
    store = planned(plan_store(300, areas=1, hours_share=1.6))
    rows = store.rows("select hour_value, hours_needed, hours_available from area_weeks")
    spare = [value for value, needed, available in rows if needed < available - 2.5]  # a visit's length of rounding
    assert len(spare) > 10
    assert max(spare) == 0


def test_scenarios_respond_to_the_tolerance() -> None:
    rows = planned(plan_store(500, hours_share=None)).frame("select * from plan_scenarios order by risk_tolerance")
    assert rows["risk_tolerance"].to_list() == [0.02, 0.05, 0.10, 0.20]
    assert (rows["visits"].diff().drop_nulls() < 0).all()
    assert (rows["hours"].diff().drop_nulls() < 0).all()
    assert (rows["expected_out_days"].diff().drop_nulls() > 0).all()
    assert (rows["peak_week"].dt.weekday() == 1).all()


def test_where_nothing_drifts_a_scenario_is_one_visit_a_year_at_the_interval() -> None:
    store = plan_store(200, overdue=0.0, never_visited=0.0)
    store.run("update forecasts set p_out_now = 0")
    store.run("update forecast_curve set p_out = list_transform(p_out, lambda x: 0::float)")
    store.run("update current_models set service_interval_months = 12")
    planned(store)
    visits, out = store.rows("select visits, expected_out_days from plan_scenarios where risk_tolerance = 0.1")[0]
    due = store.scalar(f"select count(*) from ({DATED}) where began_on + to_months(12) < date '2027-03-17'")
    assert abs(visits - due) <= 4  # calendar months against mean ones, at the end of the year
    assert out == 0


def test_comparisons_keep_to_their_hours() -> None:
    rows = planned(plan_store(800)).frame("select * from plan_comparisons")
    fixed, own, equal, stretched = rows.iter_rows(named=True)
    assert fixed["name"] == "fixed interval"
    assert own["hours"] > fixed["hours"]
    assert equal["hours"] == pytest.approx(own["hours"], rel=1e-6)
    assert stretched["hours"] == pytest.approx(fixed["hours"], rel=1e-3)
    assert stretched["out_days"] < fixed["out_days"]
    assert own["avoided_per_extra_hour"] > equal["avoided_per_extra_hour"]
    for row in (own, equal):
        assert row["out_days_avoided"] / row["extra_hours"] == pytest.approx(row["avoided_per_extra_hour"], rel=1e-3)


def test_media_to_buy_are_what_the_planned_visits_bring() -> None:
    store = planned(plan_store(200))
    bring = store.frame(
        "select area_id, planned_week as week, sum(regexp_extract(take_along, 'media ([0-9.]+) kg', 1)::double) as kg "
        "from visit_plan where take_along like '%media%kg%' group by all order by all")  # fmt: skip
    told = store.frame("select area_id, week, media_kg as kg from media_weeks order by all")
    assert told.height > 0
    assert told.equals(bring)


def test_co_out_of_range_now_is_to_be_made_safe_first() -> None:
    store = plan_store(50, hours_share=5.0)
    out = "install_no = 7 and indicator = 'co_air_free_ppm'"
    store.run(f"update forecasts set state = 'out_of_range', p_out_now = 0.98 where {out}")
    planned(store)
    tasks, week = store.rows("select tasks, planned_week from visit_plan where install_id = 'I0000007'")[0]
    assert tasks.startswith("CO read out of range: stop, make safe by local code and the maker's instructions")
    assert week == FIRST_MONDAY


def test_cautions_of_the_trade_go_with_the_work() -> None:
    rows = planned(plan_store(300)).frame(
        "select p.tasks, p.take_along, m.exchanger_material, m.condensing "
        "from visit_plan p join current_models m using (model_id) where planned_week is not null")  # fmt: skip
    cleaned = rows.filter(pl.col("tasks").str.contains("exchanger"))
    assert cleaned.height > 50
    assert cleaned["tasks"].str.contains("vacuum before rinsing").all()
    steel = cleaned.filter(pl.col("exchanger_material") == "stainless")
    assert steel["tasks"].str.contains("never a metal brush on stainless").all()
    assert steel["take_along"].str.contains("soft brush").all()
    assert not cleaned.filter(pl.col("exchanger_material") == "cast_iron")["tasks"].str.contains("metal brush").any()
    assert (rows["tasks"].str.contains("prove that it discharges before firing") == rows["condensing"]).all()
    assert rows["tasks"].str.contains("case closed").all()
    assert rows["tasks"].str.contains("seal the flue test port").all()


def test_public_holidays_are_not_worked() -> None:
    # 1 January and 6 January 2027 (Epiphany) are holidays in Bavaria, 6 January not in Berlin (common knowledge,
    # no source).
    year = date(2026, 12, 1)
    bavaria = week_calendar(year, PlanSettings(holidays_country="DE", holidays_subdivision="BY"))
    berlin = week_calendar(year, PlanSettings(holidays_country="DE", holidays_subdivision="BE"))
    none = week_calendar(year, PlanSettings())
    week = bavaria.mondays.index(date(2027, 1, 4))
    assert (bavaria.working_days[week], berlin.working_days[week], none.working_days[week]) == (4, 5, 5)
    with pytest.raises(FleetError, match=r"holidays for 'XX' are not known; give ISO 3166 codes"):
        week_calendar(year, PlanSettings(holidays_country="XX"))


def test_weeks_begin_with_the_monday_on_or_after_the_data() -> None:
    assert week_calendar(date(2026, 3, 23), PlanSettings()).mondays[0] == date(2026, 3, 23)
    assert week_calendar(date(2026, 3, 24), PlanSettings()).mondays[0] == date(2026, 3, 30)
    assert len(week_calendar(date(2026, 3, 24), PlanSettings(horizon_weeks=26)).mondays) == 26


@pytest.mark.parametrize(
    "emptied", ["forecasts", "forecast_curve", "current_visits", "current_installs", "cleaning_effects"]
)
def test_a_store_with_an_empty_table_is_planned_all_the_same(emptied: str) -> None:
    store = plan_store(30)
    store.run(f"delete from {emptied}")
    planned(store)
    assert store.scalar("select count(*) from visit_plan") == (0 if emptied == "current_installs" else 30)
    if emptied in ("forecasts", "forecast_curve"):
        promises(store)


def test_installs_without_dates_or_interval_are_planned_in_the_first_weeks() -> None:
    store = plan_store(20, never_visited=1.0)
    store.run("update current_installs set installed_on = null where install_no < 5")
    store.run("update current_models set service_interval_months = null, exchanger_material = null where model_no = 1")
    planned(store)
    weeks = store.rows("select planned_week from visit_plan where install_no < 5")
    assert all(week <= FIRST_MONDAY + timedelta(days=7 * 7) for (week,) in weeks)


def test_the_same_store_gives_the_same_tables() -> None:
    one, two = planned(plan_store(150)), planned(plan_store(150))
    for table in ("visit_plan", "area_weeks", "media_weeks", "plan_scenarios", "plan_comparisons", "plan_minutes"):
        assert one.frame(f"select * from {table}").equals(two.frame(f"select * from {table}"))


def test_readings_that_scatter_beyond_both_ends_do_not_make_a_limit_doubtful() -> None:
    """Three in ten lie above and three below: no single end can be mistyped so that most miss it."""
    store = plan_store(160, areas=1, hours_share=8.0, overdue=0.0)
    _doubted(store, 1.1)
    store.run("""
        update limits set limit_low = 0.95, limit_high = 1.0 where series_no = 5;
        update observations set value = [1.1, 0.9, 0.97, 1.1, 0.9, 0.97, 1.1, 0.9, 0.97, 0.97][1 + install_no // 4 % 10]
        where series_no = 5 and install_no in (select install_no from current_installs where model_no = 1)
    """)
    planned(store)
    assert store.rows("from suspect_limits where model_no = 1") == []
