"""The forecasts tried on the fleet's own past, on a sample of installs where the fleet is large."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import numpy as np
import polars as pl

from models.clock.hours import Installs, LoadCalendar
from models.trial.backtest import Attempt, backtest_piece, origin_days, scored, trees_piece
from models.trial.baselines import Lesson
from models.trial.past import Counted
from pipeline.schema import SERIES
from pipeline.stages.drift_inputs import ranges, series_rows
from pipeline.stages.side_by_side import Mapper, begun, side_by_side
from pipeline.store import Store

MOST_INSTALLS = 2000  # enough for scores to two digits; keeps the test to seconds on any fleet
SEED = 20
LESSONS_A_PIECE = 100_000  # forecasts that trees learn from: two seconds, and to import what grows them takes one
SCORES = {
    "indicator": pl.String, "firing": pl.String, "horizon_months": pl.Int32, "method": pl.String, "n": pl.Int32,
    "events": pl.Int32, "brier": pl.Float64, "brier_skill": pl.Float64, "log_score": pl.Float64, "auc": pl.Float64,
    "calibration_intercept": pl.Float64, "calibration_slope": pl.Float64, "coverage80": pl.Float64,
}  # fmt: skip
BINS = {
    "indicator": pl.String, "firing": pl.String, "horizon_months": pl.Int32, "p_mid": pl.Float64,
    "observed": pl.Float64, "low": pl.Float64, "high": pl.Float64, "n": pl.Int32,
}  # fmt: skip

# Tests and visits of the installs are picked once: each branch of the view would read and join all of them first.
TRIED = """
    create or replace temp table tried_tests as
    from derived_values positional join observed_clock where install_no in ({installs});
    create or replace temp table tried_visits as from current_visits where install_no in ({installs});
    create or replace temp table tried_clock as from visit_clock where install_no in ({installs});
    create or replace temp table tried_observations as
    from observations_of('tried_tests', 'tried_visits', 'tried_clock');
    create or replace temp view tried_values as from drift_values_of('tried_observations');
    create or replace temp view tried_opened as
    from drift_opened o semi join tried_installs t on t.install_no = o.install_no;
    create or replace temp view tried_unsaid as
    from drift_unsaid u semi join tried_installs t on t.install_no = u.install_no
"""
TRIED_NO_MORE = """
    drop view tried_opened; drop view tried_unsaid; drop view tried_values;
    drop table tried_observations; drop table tried_tests; drop table tried_visits; drop table tried_clock;
    drop table tried_installs
"""


@contextmanager
def trying_past(store: Store, calendar: LoadCalendar, as_of: int, mapper: Mapper = side_by_side) -> Iterator[None]:
    """The forecasts tried on the past, the boosted trees among them by helpers while the block runs.

    Writes backtest_scores and backtest_bins, and the fact `backtest_note` where there was too little to try.
    """
    counted = sampled_counters(store, calendar)
    for day in origin_days(as_of):
        if (counted.day <= day).any():
            counted.known_at(day)  # once for all series, which take it along
    pick_tried(store)
    installs = store.frame(
        "select i.* from drift_installs i semi join tried_installs using (install_no) order by install_no"
    )
    members = [series for series in SERIES if series.reset_class != "none"]
    inputs = [rows.inputs(installs, visits=True) for rows in series_rows(store, members, of="tried")]
    ends = ranges(store, members, "tried_installs")
    pieces = [
        (known, counted, end["low"].to_numpy(), end["high"].to_numpy(), as_of, SEED)
        for known, end in zip(inputs, ends, strict=True)
    ]
    attempts = mapper(backtest_piece, pieces)
    with begun(mapper, trees_piece, lessons_of([a for a in attempts if a.trees is None])) as grown:
        yield
        late = iter([chances for piece in grown() for chances in piece])
    tried = [scored(attempt, next(late) if attempt.trees is None else attempt.trees) for attempt in attempts]
    scores = pl.DataFrame([row for t in tried for row in t.scores], SCORES, infer_schema_length=None)
    bins = pl.DataFrame([row for t in tried for row in t.bins], BINS, infer_schema_length=None)
    store.write("backtest_scores", scores.with_columns(pl.selectors.float().round(6)))
    store.write("backtest_bins", bins.with_columns(pl.selectors.float().round(6)))
    store.set_fact("backtest_note", "; ".join(t.note for t in tried if t.note))
    store.run(TRIED_NO_MORE)


def pick_tried(store: Store) -> None:
    """Write tried_values, tried_opened and tried_unsaid: what the trial sees of `tried_installs`."""
    numbers = [str(install) for (install,) in store.rows("select install_no from tried_installs order by install_no")]
    store.run(TRIED.format(installs=", ".join(numbers) or "null"))


def lessons_of(attempts: Sequence[Attempt]) -> list[list[tuple[Sequence[Lesson], int]]]:
    """The lessons of all series in pieces of about LESSONS_A_PIECE: a small fleet's are one, so that one process alone
    need import what grows trees."""
    size = [sum(len(lesson.event) for lesson in a.lessons if lesson.past is not None) for a in attempts]
    of = (np.cumsum(size) // LESSONS_A_PIECE).tolist()
    return [[(a.lessons, a.seed) for a, n in zip(attempts, of, strict=True) if n == piece] for piece in sorted(set(of))]


def sampled_counters(store: Store, calendar: LoadCalendar) -> Counted:
    """The counters of the installs that are tried: those visited twice at least, or a sample of them."""
    visited = store.frame(
        "select install_no from current_visits group by install_no having count(*) > 1 order by install_no"
    )["install_no"].to_numpy()
    if len(visited) > MOST_INSTALLS:
        visited = np.sort(np.random.default_rng(SEED).choice(visited, MOST_INSTALLS, replace=False))
    store.write("tried_installs", pl.DataFrame({"install_no": visited.astype(np.int32)}))
    installs = store.frame(
        """
        select i.install_no, i.model_no, i.design_no, i.area_no, i.burner_hours_per_year,
            (i.installed_on - date '1970-01-01')::integer as installed_day,
            (c.started_on - date '1970-01-01')::integer as start_day
        from current_installs i
        join install_clock c on c.install_no = i.install_no
        semi join tried_installs t on t.install_no = i.install_no
        order by i.install_no
        """
    )
    visits = store.frame(
        """
        select v.visit_no, v.install_no, (v.visited_on - date '1970-01-01')::integer as day, v.burner_hours
        from current_visits v semi join tried_installs t on t.install_no = v.install_no
        order by v.visit_no
        """
    )

    def whole(name: str) -> np.ndarray:
        return installs[name].to_numpy().astype(np.int64)

    stated = installs["burner_hours_per_year"].cast(pl.Float64).to_numpy()
    number = whole("install_no")
    return Counted(
        number,
        Installs(whole("model_no"), whole("design_no"), whole("area_no"), whole("installed_day"), stated),
        visits["visit_no"].to_numpy().astype(np.int64),
        np.searchsorted(number, visits["install_no"].to_numpy()),
        visits["day"].to_numpy().astype(np.int64),
        visits["burner_hours"].cast(pl.Float64).to_numpy(),
        calendar,
        installs["start_day"].to_numpy().astype(np.int64),
    )
