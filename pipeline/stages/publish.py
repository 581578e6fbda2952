"""Publish: the pages, the agreed files from the store, and the record of the run."""

from __future__ import annotations

import json
import platform
from importlib.metadata import version
from pathlib import Path
from typing import Any

from models.mapper import here
from pipeline.calendar_events import write_calendar
from pipeline.calendar_files import area_calendars
from pipeline.exports import write_exports
from pipeline.settings import Settings
from pipeline.stages.pages import forget_page_tables, pages
from pipeline.stages.side_by_side import begun, side_by_side
from pipeline.store import Store

PACKAGES = ("foulcast", "polars", "duckdb", "numpy", "scipy", "scikit-learn", "altair", "prefect")
WRITTEN_HERE = 5_000  # visits whose calendars this process writes: sooner done than handed over


def publish(store: Store, settings: Settings, folder: Path) -> str:
    """Write site/ and exports/ except run.json into `folder`; returns a sentence of what was written."""
    calendars = area_calendars(store, folder / "exports", settings.plan.worked)
    many = sum(piece.visits.height for piece in calendars) > WRITTEN_HERE
    rows: dict[str, int] = {}

    def meanwhile() -> None:
        forget_page_tables(store)
        rows.update(write_exports(store, folder / "exports"))

    with begun(side_by_side if many else here, write_calendar, calendars) as written:
        pages(store, settings, folder / "site", meanwhile)
        written()
    return f"{len(rows)} files of {sum(rows.values()):,} rows, calendars, and the pages"


def write_run_record(store: Store, settings: Settings, path: Path, timings: dict[str, float]) -> None:
    """Write run.json: versions, input fingerprints, counts, timings in seconds, backtest scores."""
    record = {
        "versions": {"python": platform.python_version()} | {name: version(name) for name in PACKAGES},
        "title": settings.title,
        "as_of": store.fact("as_of"),
        "risk_tolerance": settings.risk_tolerance,
        "inputs": _records(store, "select name, kind, bytes, fingerprint, rows, status from input_files order by name"),
        "counts": counts(store),
        "warnings": [m for (m,) in store.rows("select distinct message from run_warnings order by message")],
        "timings_s": timings,
        "fits": _records(
            store,
            "select series_no, indicator, firing, readings, cycles, installs, sigma, downweighted_share, note "
            "from drift_fit order by series_no",
        ),
        "backtest": _records(store, "select * from backtest_scores order by all"),
        "plan": {
            "comparisons": _records(store, "select * from plan_comparisons order by all"),
            "scenarios": _records(store, "select * from plan_scenarios order by risk_tolerance"),
        },
    }
    text = json.dumps(record, indent=1, default=str, allow_nan=False, ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8")


def counts(store: Store) -> dict[str, Any]:
    """Rows read, accepted and set aside; installs by state; visits due: what the closing summary says."""
    states = dict(store.rows(STATES))
    due = store.rows(DUE)[0]
    return {
        "rows_read": dict(store.rows("select kind, sum(rows)::bigint from input_files group by kind order by kind")),
        "visits": store.scalar("select count(*) from current_visits"),
        "tests": store.scalar("select count(*) from current_readings"),
        "installs": store.scalar("select count(*) from current_installs"),
        "rows_set_aside": store.scalar(
            "select count(*) from (select distinct file, line from rejected_rows where reason not like 'file_stopped%')"
        ),
        "files_stopped": store.scalar("select count(*) from input_files where status = 'stopped'"),
        "findings": store.scalar("select count(*) from all_findings"),
        "installs_in_range": states.get("in_range", 0),
        "installs_out_of_range": states.get("out_of_range", 0),
        "installs_due": states.get("due", 0),
        "installs_unknown": states.get("unknown", 0),
        "visits_due_30_days": due[0],
        "visits_due_60_days": due[1],
        "visits_due_90_days": due[2],
        "visits_planned": store.scalar("select count(*) from visit_plan where planned_week is not null"),
    }


STATES = "select state, count(*) from install_states group by state"  # as the pages count them
DUE = """
    select count(*) filter (due_on <= as_of + 30), count(*) filter (due_on <= as_of + 60),
        count(*) filter (due_on <= as_of + 90)
    from install_states, (select value::date as as_of from run_facts where key = 'as_of')
    where state <> 'out_of_range'
"""


def _records(store: Store, query: str) -> list[dict[str, Any]]:
    frame = store.frame(query)
    return [{k: _finite(v) for k, v in row.items()} for row in frame.iter_rows(named=True)]


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.6g}") if abs(value) < float("inf") else None
    return value
