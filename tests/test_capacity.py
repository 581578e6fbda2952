"""Hours of the weeks that capacity.csv names, of those it leaves out, and what the staffing page says of both."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from page_store import small_store, text_of
from plan_store import plan_store, planned

from pipeline.settings import settings_from
from pipeline.stages.pages import prepare, staffing_of


def test_weeks_the_capacity_file_leaves_out_get_the_areas_median_and_other_areas_none() -> None:
    store = plan_store(60, areas=2)
    store.run("delete from current_capacity where area_id = 'A01' or week > date '2026-05-01'")
    store.run("update current_capacity set hours_available = 7.5 where week = date '2026-03-30'")
    store.run(
        "update current_capacity set week = week + 2 where week = date '2026-04-06'"
    )  # a Wednesday counts for its week
    usual = store.scalar("select median(hours_available) from current_capacity")
    planned(store)
    told = dict(store.rows("select week, hours_available from area_weeks where area_id = 'A00'"))
    assert told[date(2026, 3, 30)] == 7.5
    assert told[date(2026, 9, 7)] == usual
    assert store.scalar("select count(hours_available) from area_weeks where area_id = 'A01'") == 0


def test_a_week_the_capacity_file_leaves_out_has_hours_by_its_working_days() -> None:
    store = plan_store(60, areas=1, as_of=date(2026, 12, 1))
    store.run("delete from current_capacity where week > date '2026-12-20'")
    usual = store.scalar("select median(hours_available) from current_capacity")
    planned(store, holidays_country="DE", holidays_subdivision="BY")
    told = dict(store.rows("select week, hours_available from area_weeks"))
    assert told[date(2027, 1, 4)] == pytest.approx(0.8 * usual)  # Epiphany is a Wednesday (common knowledge, no source)
    assert told[date(2027, 1, 11)] == pytest.approx(usual)


def test_weeks_given_without_hours_close_no_other_week() -> None:
    store = plan_store(60, areas=1)
    store.run("delete from current_capacity where week > date '2026-05-20'")
    store.run("update current_capacity set hours_available = 0 where week > date '2026-04-01'")  # most of those given
    usual = store.scalar("select median(hours_available) from current_capacity where hours_available > 0")
    told = dict(planned(store).rows("select week, hours_available from area_weeks"))
    assert told[date(2026, 4, 13)] == 0
    assert told[date(2026, 9, 7)] == usual > 0


def test_where_only_closed_weeks_are_given_the_hours_of_the_others_are_not_known() -> None:
    """Three weeks of holidays in a year say nothing of the 49 others: these are filled evenly, as without the file."""
    without = planned(plan_store(300, areas=1, hours_share=None))
    store = plan_store(300, areas=1)
    closed = (date(2026, 8, 3), date(2026, 8, 10), date(2026, 8, 17))
    store.run("delete from current_capacity where week not between date '2026-08-03' and date '2026-08-17'")
    store.run("update current_capacity set hours_available = 0")
    weeks = planned(store).frame("select * from area_weeks order by week")
    of_closed = weeks["week"].is_in(closed)
    assert weeks.filter(of_closed)["hours_available"].to_list() == [0.0] * 3
    assert weeks.filter(of_closed)["visits"].sum() == 0
    others = weeks.filter(~of_closed)
    assert others.height == others["hours_available"].null_count() == others["hours_short"].null_count() == 49
    assert weeks["hour_value"].null_count() == 52
    as_many = without.scalar("select sum(visits) from area_weeks")
    assert abs(weeks["visits"].sum() - as_many) <= 0.02 * as_many
    assert others["hours_needed"].max() < 1.5 * without.scalar("select max(hours_needed) from area_weeks")


def test_hours_needed_are_set_against_those_there_are_where_any_are_stated(tmp_path: Path) -> None:
    """Area 2 states no hours: what it needs is not for area 1 to suffice for, and whether it is short is not known."""
    with small_store() as store:
        store.run("update area_weeks set hours_available = 10, hours_short = 0, hours_needed = 8")
        store.run("update area_weeks set hours_available = null, hours_short = null where area_id = 'A1'")
        weeks = int(store.scalar("select count(distinct week) from area_weeks"))
        areas = int(store.scalar("select count(distinct area_id) from area_weeks"))
        settings = settings_from({})
        made = prepare(store, settings, tmp_path / "site")
        staffing_of(store, made, settings)
        made.finish()
    page = text_of(tmp_path / "site" / "staffing.html")
    stated = weeks * (areas - 1)
    assert f"The hours suffice: {8 * stated:,} h of the {10 * stated:,} h that there are will be needed" in page
    assert "where hours are stated" in page
