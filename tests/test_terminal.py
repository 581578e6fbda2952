"""The closing summary of a run: the same installs under the same words as on the first page."""

from __future__ import annotations

import io
import json
from pathlib import Path

import duckdb
import pytest
from rich.console import Console

from pipeline.terminal import say_rows, say_summary, told_plainly


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


LONG = "2,138 visits and 5,924 readings taken; 21 rows set aside, 15 replaced, 15 duplicates; 52 findings"


@pytest.mark.parametrize("width", [60, 80, 200])
def test_in_a_pipe_a_row_is_one_line_without_blanks_at_its_end(width: int) -> None:
    written = io.StringIO()
    say_rows(Console(file=written, width=width, soft_wrap=True), [("check  ", LONG), ("[x]", "a [bold]name[/] ")])
    assert written.getvalue() == f"check    {LONG}\n[x]  a [bold]name[/]\n"


@pytest.mark.parametrize("width", [40, 60, 80])
def test_on_a_terminal_a_text_is_wrapped_beside_its_name(width: int) -> None:
    written = io.StringIO()
    console = Console(file=written, width=width, force_terminal=True, color_system=None, soft_wrap=True)
    say_rows(console, [("check", LONG), ("pages", "/" + "x" * 100)])
    lines = [line.rstrip() for line in written.getvalue().splitlines()]
    assert max(map(len, lines)) <= width
    assert all(line.startswith(("check  ", "pages  ", " " * 7)) for line in lines)
    assert "".join(line[7:].replace(" ", "") for line in lines) == (LONG + "/" + "x" * 100).replace(" ", "")


@pytest.mark.parametrize(("findings", "said"), [(0, "0 findings"), (1, "1 finding"), (1200, "1,200 findings")])
def test_the_summary_counts_in_words_that_agree(
    findings: int, said: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    counts = dict.fromkeys(
        (
            "rows_set_aside",
            *(f"installs_{state}" for state in ("out_of_range", "due", "in_range", "unknown")),
            *(f"visits_due_{days}_days" for days in (30, 60, 90)),
        ),
        0,
    )
    say_summary({**counts, "rows_read": {"visits": 3}, "findings": findings}, None, [], tmp_path)
    assert f"rows      3 read, 0 set aside or replaced, {said}\n" in capsys.readouterr().out
