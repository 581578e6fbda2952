"""A small invented store with every table the pages read: full, empty, or with hostile text in every text column."""

from __future__ import annotations

import atexit
import html
import re
import shutil
import tempfile
from datetime import date, timedelta
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np
import polars as pl
from page_results import results
from page_tables import AS_OF, empty_store, poisoned

from pipeline.settings import settings_from
from pipeline.stages.pages import pages
from pipeline.stages.plan_readings import read_out_of_range
from pipeline.store import Store

TOP = [
    "index.html",
    "staffing.html",
    "appliance-models.html",
    "visits.html",
    "limits.html",
    "tags.html",
    "data-quality.html",
]


def _series() -> pl.DataFrame:
    with (files("pipeline") / "indicators.csv").open("rb") as lines:
        return pl.read_csv(lines.read(), infer_schema_length=None)


def small_store(hostile: str | None = None, installs: int = 60, areas: int = 3, capacity: bool = True) -> Store:
    """A store with an invented fleet; `hostile` replaces every name and note by that text."""
    store = empty_store()
    rng = np.random.default_rng(5)
    tables: dict[str, pl.DataFrame] = {}
    load = [0.16, 0.14, 0.12, 0.08, 0.04, 0.02, 0.02, 0.02, 0.04, 0.08, 0.12, 0.16]
    tables["current_areas"] = pl.DataFrame(
        [{"area_id": f"A{k}", "area_no": k, "name": f"Valley {k}", "load": load} for k in range(areas)]
    )
    models = [
        {
            "model_id": f"M{k}",
            "model_no": k,
            "name": f"Alder {20 + 5 * k}",
            "exchanger_design": f"coil-{k // 2}",
            "design_no": k // 2,
            "exchanger_material": ["stainless", "aluminium"][k // 2 % 2],
            "condensing": True,
            "rated_input_kw": 20.0 + 5 * k,
            "service_interval_months": 12.0,
        }
        for k in range(4)
    ]
    tables["current_models"] = pl.DataFrame(models)
    number = np.arange(installs)
    area, model = number % areas, number % 4
    tables["current_installs"] = pl.DataFrame(
        {
            "install_id": [f"I{k:05}" for k in number],
            "install_no": number,
            "model_id": [f"M{k}" for k in model],
            "model_no": model,
            "design_no": model // 2,
            "area_id": [f"A{k}" for k in area],
            "area_no": area,
            "site_label": [f"{k} Mill Lane, boiler room" for k in number],
            "fuel": ["natural_gas", "propane"] * (installs // 2),
            "installed_on": [date(2019, 5, 1)] * installs,
            "media_kg": [4.0 if k % 2 else None for k in number],
            "burner_hours_per_year": [2000.0] * installs,
        }
    )
    tables["install_clock"] = pl.DataFrame(
        {
            "install_no": number,
            "hours_per_year": [2000.0] * installs,
            "hours_rel_sd": [0.1] * installs,
            "basis": ["counter"] * installs,
        }
    )
    series = _series()
    visits, tests, derived, seen = [], [], [], []
    middle = {0: 18.0, 1: 90.0, 2: 80.0, 3: 4.8, 4: 5.5, 5: 4.0, 6: 12.0, 7: 7.0, 8: 120.0}
    drift = {0: 0.12, 1: 0.15, 2: 0.1, 3: -0.05, 4: 0.05, 5: -0.08, 6: 0.2, 7: -0.3, 8: 0.0}
    last: dict[tuple[int, int], tuple[float, date]] = {}
    for i in number[: installs - installs // 10]:  # the last tenth has never been visited
        pace = float(np.exp(rng.normal(0, 0.5)))
        for year in range(5):
            on = date(2022, 2, 1) + timedelta(days=int(365 * year + rng.integers(0, 40) + i % 30))
            v = len(visits)
            visits.append(
                {
                    "visit_no": v,
                    "visit_id": f"V{v:06}",
                    "install_no": i,
                    "install_id": f"I{i:05}",
                    "visited_on": on,
                    "technician_id": f"T{i % 5}",
                    "purpose": "annual",
                    "minutes_on_site": 62.0,
                    "exchanger_cleaning": [None, "none", "rinse"][year % 3],
                    "trap_cleaned": year % 2 == 0,
                    "trap_drain_left_s": 9.0,
                    "condensate_ph_left": 7.1,
                    "system_pressure_kpa": 120.0,
                    "notes": "pump noisy" if i % 7 == 0 else None,
                    "file_id": 0,
                    "line": v + 2,
                }
            )
            for stage_order, stage in enumerate(("as_found", "as_left")):
                for k in middle:
                    scale = drift[k] * pace * (3 if stage == "as_found" else 0.3)
                    value = middle[k] * float(np.exp(scale + rng.normal(0, 0.04)))
                    if (year, stage) == (4, "as_left"):  # some were left with too much CO, others too warm
                        value *= {(2, 1): 6.0, (5, 0): 2.0}.get((i % 9, k), 1.0)
                    seen.append(
                        {
                            "install_no": i,
                            "series_no": k,
                            "indicator": series["indicator"][k],
                            "firing": series["firing"][k],
                            "visit_no": v,
                            "visited_on": on,
                            "stage": stage,
                            "stage_order": stage_order,
                            "cycle_no": year,
                            "hours_in_cycle": 2000.0 if stage == "as_found" else 0.0,
                            "value": value,
                            "analyser_id": f"AN{i % 6}",
                            "usable": True,
                        }
                    )
                    last[i, k] = (value, on)
                for firing in ("high", "low"):
                    tests.append(
                        {
                            "visit_no": v,
                            "test_no": 4 * v + 2 * stage_order + (firing == "low"),
                            "visit_id": f"V{v:06}",
                            "stage": stage,
                            "firing": firing,
                            "o2_pct": 5.0,
                            "co2_pct": 9.0,
                            "co_ppm": 70.0,
                            "flue_temp_c": 58.0,
                            "air_temp_c": 18.0,
                            "return_temp_c": 40.0,
                            "flame_current_ua": 4.1,
                            "analyser_id": f"AN{i % 6}",
                        }
                    )
                    derived.append(
                        {
                            "visit_no": v,
                            "visit_id": f"V{v:06}",
                            "stage": stage,
                            "firing": firing,
                            "excess_air_ratio": 1.28,
                            "co2_dry_pct": 9.0,
                            "co_air_free_ppm": 92.0,
                            "co_co2_ratio": 0.0008,
                            "efficiency_gross_pct": 94.1,
                            "flue_over_return_k": 18.0,
                        }
                    )
    tables["current_visits"], tables["current_readings"] = pl.DataFrame(visits), pl.DataFrame(tests)
    tables["derived"], tables["observations"] = pl.DataFrame(derived), pl.DataFrame(seen)
    limits, cycles, forecasts = [], [], []
    for i in number:
        for k in middle:
            low = series["general_low"][k]
            high = series["general_high"][k]
            low, high = (float(x) if x is not None else None for x in (low, high))
            general = i % 4 == 0
            source = series["general_source"][k] if general else "maker's manual, page 41"
            limits.append(
                {
                    "install_no": i,
                    "series_no": k,
                    "limit_low": low,
                    "limit_high": high,
                    "limit_source": source,
                    "general": general,
                }
            )
            value, on = last.get((i, k), (None, None))
            out = value is not None and ((high is not None and value > high) or (low is not None and value < low))
            p = None if k == 8 else float(rng.beta(0.4, 4)) if not out else 0.97
            ahead = int(rng.integers(5, 900))
            forecasts.append(
                {
                    "install_no": i,
                    "series_no": k,
                    "install_id": f"I{i:05}",
                    "indicator": series["indicator"][k],
                    "firing": series["firing"][k],
                    "as_of": AS_OF,
                    "last_value": value,
                    "last_stage": "as_left" if on else None,
                    "last_on": on,
                    "limit_low": low,
                    "limit_high": high,
                    "limit_source": source,
                    "state": "unknown" if value is None else "out_of_range" if out else "in_range",
                    "p_out_now": p,
                    "due_on": None if p is None else AS_OF if p > 0.1 else AS_OF + timedelta(days=ahead),
                    "out_p50_on": None if p is None else AS_OF + timedelta(days=ahead + 200),
                    "rate_per_1000h": middle[k] * drift[k],
                    "rate_low_per_1000h": middle[k] * drift[k] * 0.6,
                    "rate_high_per_1000h": middle[k] * drift[k] * 1.5,
                    "basis": "install" if value else "design",
                }
            )
            if k < 8:
                log = series["transform"][k] == "log"
                cycles.append(
                    {
                        "install_no": i,
                        "series_no": k,
                        "m0": float(np.log(middle[k])) if log else middle[k],
                        "m1": drift[k],
                        "v00": 0.01,
                        "v01": 0.0,
                        "v11": 0.004,
                        "gamma": 1.0,
                        "hours_open": 1500.0,
                        "basis": "install",
                        "readings": 8,
                    }
                )
    tables["limits"], tables["open_cycles"] = pl.DataFrame(limits), pl.DataFrame(cycles)
    tables["forecasts"] = pl.DataFrame(forecasts, infer_schema_length=None)
    tables |= results(installs, areas, capacity, series, middle, drift)
    for table, frame in tables.items():
        if hostile is not None:
            frame = poisoned(table, frame, hostile)
        store.append(table, frame)
    read_out_of_range(store)
    return store


@cache
def built_site(units: str = "si") -> Path:
    """The site of `small_store`, made once for all tests of a session; tests only read it."""
    folder = Path(tempfile.mkdtemp(prefix="foulcast-pages-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    with small_store() as store:
        pages(store, settings_from({"title": "Upper Valleys", "units": units}), folder / "site")
    return folder / "site"


def text_of(path: Path) -> str:
    """What a reader sees: tags, scripts and pictures taken out."""
    page = path.read_text(encoding="utf-8")
    page = re.sub(r"<(script|style|svg)\b.*?</\1>", " ", page, flags=re.S)
    return html.unescape(re.sub(r"<[^>]+>", " ", page)).replace("\u00a0", " ")
