"""What the plan reads: in parts or in part only, against the same read whole; and where nothing is foreseen."""

from __future__ import annotations

import polars as pl
import pytest
from plan_store import plan_store

from models.plan import minutes
from models.plan.minutes import fit_minutes
from pipeline.settings import Settings
from pipeline.stages import plan as stage
from pipeline.stages import plan_inputs


def test_the_plan_is_the_same_however_many_installs_are_read_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    told = []
    for at_once in (50_000, 7):
        monkeypatch.setattr(plan_inputs, "BATCH", at_once)
        store = plan_store(60, seed=4)
        stage.plan(store, Settings())
        told.append(store.frame("from visit_plan"))
    assert told[0].equals(told[1])


def test_of_many_past_visits_those_are_read_that_the_minutes_are_learnt_from(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (stage, minutes):
        monkeypatch.setattr(module, "MOST_VISITS", 100)
    store = plan_store(200, seed=4)
    store.run("update current_visits set minutes_on_site = 2000 where visit_no % 11 = 0")
    every = fit_minutes(store.frame(stage.PAST_VISITS.format(visits="current_visits")))
    some = fit_minutes(stage._past_visits(store))
    assert 60 <= some.visits == every.visits <= 100 < store.scalar("select count(*) from current_visits")
    assert (some.used, some.mae, some.bias, some.cleanings) == (every.used, every.mae, every.bias, every.cleanings)


def test_of_an_install_of_which_nothing_is_foreseen_no_chance_is_told() -> None:
    with plan_store(8, seed=4) as store:
        store.run("update forecasts set p_out_now = null, due_on = null, state = 'unknown' where install_no = 3")
        stage.plan(store, Settings())
        told = store.frame("""
            select install_no = 3 as blind, planned_week, due_on, leading_indicator, p_out_at_planned, p_out_at_interval
            from visit_plan
        """)
    blind, others = told.filter("blind"), told.filter(~pl.col("blind"))
    assert blind.height == 1
    assert blind["planned_week"].null_count() == 0
    assert blind.select("due_on", "leading_indicator", "p_out_at_planned", "p_out_at_interval").row(0) == (None,) * 4
    assert others["p_out_at_interval"].null_count() == others["leading_indicator"].null_count() == 0


def test_without_past_visits_a_visit_takes_the_standard_times_of_its_tasks() -> None:
    """As the models state them; where a model states none, and for what it has no column, those of `minutes`."""
    store = plan_store(60, seed=2, past_visits=0)
    stage.plan(store, Settings())
    rows = store.frame("select p.*, trap_cleaning_minutes from visit_plan p join current_models using (model_id)")
    met = set()
    for row in rows.iter_rows(named=True):
        tasks, expected = row["tasks"], 40.0  # base_visit_minutes of all models there
        for words, each in (
            ("clean condensate trap", row["trap_cleaning_minutes"] or minutes.TRAP_MINUTES),
            ("renew neutralising media", minutes.MEDIA_MINUTES),
            ("clean or renew electrodes", minutes.ELECTRODES_MINUTES),
            ("check burner, air and gas setting", minutes.BURNER_MINUTES),
            ("the exchanger", 30.0),  # exchanger_cleaning_minutes of all models there
        ):
            if any(words in task for task in tasks.split(";")):
                met.add(words)
                expected += each
        assert row["expected_minutes"] == expected
    assert len(met) == 5
