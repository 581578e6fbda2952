"""The closing summary of a run: the same installs under the same words as on the first page."""

from __future__ import annotations

import json
from pathlib import Path

import duckdb
import pytest

from pipeline.terminal import told_plainly


def test_states_are_counted_as_on_the_first_page(sample_run: Path) -> None:
    """Asked of the exports anew: a reading out of range goes before a date within 90 days, and that before the rest."""
    with duckdb.connect() as db:
        forecasts = sample_run / "exports" / "forecasts.csv"
        counted = dict(
            db.execute(
                f"""
                select case when out then 'installs_out_of_range' when due <= as_of + 90 then 'installs_due'
                    when known then 'installs_in_range' else 'installs_unknown' end as state, count(*)
                from (select install_id, any_value(as_of) as as_of, min(due_on) as due,
                        bool_or(state = 'out_of_range') as out, bool_or(state = 'in_range') as known
                      from read_csv('{forecasts}') group by install_id)
                group by state
                """
            ).fetchall()
        )
    told = json.loads((sample_run / "exports" / "run.json").read_text())["counts"]
    assert {state: told[state] for state in counted} == counted
    assert sum(counted.values()) == told["installs"]
    assert told["visits_due_90_days"] == told["installs_due"]
    first_page = (sample_run / "site" / "index.html").read_text(encoding="utf-8")
    for key in ("installs_out_of_range", "visits_due_60_days", "visits_due_90_days", "installs_unknown"):
        assert f">{told[key]:,}<" in first_page, key


@pytest.mark.parametrize("wrapped", [False, True])
def test_ctrl_c_is_told_in_a_sentence_also_where_a_library_wraps_it(
    wrapped: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """A module made with pybind11 turns an interrupt of its import into ImportError (seen, not documented)."""

    def interrupted() -> None:
        try:
            raise KeyboardInterrupt
        except KeyboardInterrupt as error:
            if wrapped:
                raise ImportError("initialization failed") from error
            raise

    with pytest.raises(SystemExit) as ended, told_plainly():
        interrupted()
    assert ended.value.code == 1
    assert "stopped on request" in capsys.readouterr().err


def test_an_error_of_the_programme_is_not_taken_for_an_interruption() -> None:
    with pytest.raises(ImportError, match="no such module"), told_plainly():
        raise ImportError("no such module")
