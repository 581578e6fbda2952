"""A store with everything the plan reads, for an invented fleet whose chances follow Weibull curves."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.schema import SERIES
from pipeline.settings import PlanSettings, Settings
from pipeline.stages.plan import plan
from pipeline.store import Store

AS_OF = date(2026, 3, 18)  # a Wednesday


def plan_store(
    installs: int = 120,
    areas: int = 3,
    seed: int = 1,
    hours_share: float | None = 1.0,
    as_of: date = AS_OF,
    never_visited: float = 0.05,
    past_visits: int = 2,
    overdue: float = 0.1,
    models: int = 4,
) -> Store:
    """A store; hours_share: hours there are, as a share of 105 minutes a year per install, evenly; None: not stated."""
    rng = np.random.default_rng(seed)
    store = Store.open(None)
    store.set_fact("as_of", as_of.isoformat())
    store.write(
        "current_areas",
        pl.DataFrame(
            {
                "area_id": [f"A{k:02}" for k in range(areas)],
                "area_no": pl.Series(range(areas), dtype=pl.Int32),
                "name": [f"Valley {k}" for k in range(areas)],
            }
        ),
    )
    store.write(
        "current_models",
        pl.DataFrame(
            {
                "model_id": [f"M{k}" for k in range(models)],
                "model_no": pl.Series(range(models), dtype=pl.Int32),
                "name": [f"Alder {20 + k}" for k in range(models)],
                "exchanger_design": [f"coil-{k // 2}" for k in range(models)],
                "exchanger_material": [("stainless", "cast_iron")[k % 2] for k in range(models)],
                "condensing": [k % 2 == 0 for k in range(models)],
                "service_interval_months": [(12.0, 12.0, 18.0)[k % 3] for k in range(models)],
                "exchanger_cleaning_minutes": [30.0] * models,
                "trap_cleaning_minutes": [None if k else 12.0 for k in range(models)],
                "base_visit_minutes": [40.0] * models,
            }
        ),
    )
    number = np.arange(installs)
    model, area = number % models, rng.integers(0, areas, installs)
    installed = [as_of - timedelta(days=int(d)) for d in rng.integers(400, 3000, installs)]
    media = np.where(rng.random(installs) < 0.5, 4.0, np.nan)
    store.write(
        "current_installs",
        pl.DataFrame(
            {
                "install_id": [f"I{k:07}" for k in number],
                "install_no": pl.Series(number, dtype=pl.Int32),
                "model_id": [f"M{k}" for k in model],
                "model_no": pl.Series(model, dtype=pl.Int32),
                "area_id": [f"A{k:02}" for k in area],
                "area_no": pl.Series(area, dtype=pl.Int32),
                "site_label": [f"{k} Mill Lane, boiler room" for k in number],
                "installed_on": installed,
                "media_kg": pl.Series(media, nan_to_null=True),
            }
        ),
    )
    interval = np.array([365, 365, 548])[model % 3]
    age = (interval * rng.uniform(0.0, 0.97, installs)).astype(int)
    late = rng.random(installs) < overdue
    age = np.where(late, interval + rng.integers(1, 120, installs), age)
    visited = rng.random(installs) >= never_visited
    visits = [
        {
            "install_no": int(i),
            "visited_on": as_of - timedelta(days=int(age[i] + 370 * back)),
            "purpose": "annual",
            "minutes_on_site": float(np.round(38 + 9 * (i % models) + 25 * (back % 2) + rng.normal(0, 6))),
            "exchanger_cleaning": "brush" if back % 2 else "none",
            "trap_cleaned": False,
            "media_renewed": False,
            "electrodes_cleaned": False,
            "burner_adjusted": False,
        }
        for i in number[visited]
        for back in range(past_visits)
    ]
    store.write("current_visits", pl.DataFrame(visits, schema=VISITS).with_row_index("visit_no"))
    age = np.where(visited, age, [(as_of - d).days for d in installed])
    _forecasts(store, rng, number, np.maximum(age, 1), as_of)
    if hours_share is not None:
        monday = as_of + timedelta(days=-as_of.weekday() % 7)
        per_week = hours_share * 1.75 * np.bincount(area, minlength=areas) / 52
        store.write(
            "current_capacity",
            pl.DataFrame(
                {
                    "area_id": [f"A{a:02}" for a in range(areas) for _ in range(52)],
                    "week": [monday + timedelta(days=7 * w) for _ in range(areas) for w in range(52)],
                    "hours_available": np.repeat(per_week, 52).round(2),
                }
            ),
        )
    else:
        store.run("create table current_capacity (area_id varchar, week date, hours_available double)")
    store.write(
        "cleaning_effects",
        pl.DataFrame(
            [
                {
                    "exchanger_design": f"coil-{d}",
                    "indicator": "flue_over_return_k",
                    "firing": "high",
                    "kind": kind,
                    "restored_share": share,
                    "low": share - 0.1,
                    "high": share + 0.1,
                    "cycles": 40,
                }
                for d in range(models // 2)
                for kind, share in (("rinse", 0.45), ("brush", 0.8))
            ]
        ),
    )
    return store


VISITS = {"install_no": pl.Int32, "visited_on": pl.Date, "purpose": pl.String, "minutes_on_site": pl.Float64,
          "exchanger_cleaning": pl.String, "trap_cleaned": pl.Boolean, "media_renewed": pl.Boolean,
          "electrodes_cleaned": pl.Boolean, "burner_adjusted": pl.Boolean}  # fmt: skip


def _forecasts(store: Store, rng: np.random.Generator, number: np.ndarray, age: np.ndarray, as_of: date) -> None:
    first = (as_of.replace(day=1) + timedelta(days=32)).replace(day=1)
    months = (np.datetime64(first, "M") + np.arange(36)).astype("datetime64[D]") - np.datetime64(as_of)
    ahead = np.r_[0.0, months.astype(float)]
    ids = pl.Series([f"I{k:07}" for k in number])
    forecasts, curve = [], []
    for k, typical in ((0, 1500.0), (1, 1700.0), (5, 2300.0), (6, 1800.0), (7, 2000.0)):
        life = typical * rng.lognormal(0, 0.45, len(number))
        p = -np.expm1(-(((age[:, None] + ahead) / life[:, None]) ** 3.5))
        due = np.maximum(life * (-np.log(0.9)) ** (1 / 3.5) - age, 0)
        due_on = (np.datetime64(as_of) + np.minimum(due, 3650).astype(int)).astype("datetime64[ms]")
        series = SERIES[k]
        forecasts.append(
            pl.DataFrame(
                {
                    "install_no": pl.Series(number, dtype=pl.Int32),
                    "series_no": pl.Series([k] * len(number), dtype=pl.Int32),
                    "install_id": ids,
                    "indicator": series.indicator,
                    "firing": series.firing,
                    "state": np.where(p[:, 0] > 0.6, "out_of_range", "in_range").tolist(),
                    "last_value": np.where(p[:, 0] > 0.6, 1.3, 0.9),
                    "limit_low": pl.Series([None] * len(number), dtype=pl.Float64),
                    "limit_high": pl.Series([1.0] * len(number), dtype=pl.Float64),
                    "p_out_now": p[:, 0],
                    "due_on": pl.Series(due_on).cast(pl.Date),
                }
            )
        )
        curve.append(
            pl.DataFrame(
                {
                    "install_no": pl.Series(number, dtype=pl.Int32),
                    "series_no": pl.Series([k] * len(number), dtype=pl.Int32),
                    "install_id": ids,
                    "indicator": series.indicator,
                    "firing": series.firing,
                    "first_month": first,
                    "p_out": pl.Series(p[:, 1:].astype(np.float32)).cast(pl.List(pl.Float32)),
                }
            )
        )
    store.write("forecasts", pl.concat(forecasts))
    store.write("forecast_curve", pl.concat(curve))


def planned(store: Store, **levers: object) -> Store:
    plan(store, Settings(plan=PlanSettings(**levers)))  # type: ignore[arg-type]
    return store
