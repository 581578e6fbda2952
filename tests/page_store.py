"""A small invented store with every table the pages read: full, empty, or with hostile text in every text column."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from datetime import date, timedelta
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.settings import settings_from
from pipeline.stages.pages import pages
from pipeline.store import Store

AS_OF = date(2026, 3, 16)
TABLES = {
    "input_files": "file_id integer, kind varchar, name varchar, fingerprint varchar, bytes bigint, rows bigint, "
                   "status varchar, message varchar",
    "current_areas": "area_id varchar, area_no integer, name varchar, load double[12]",
    "current_models": "model_id varchar, model_no integer, name varchar, exchanger_design varchar, design_no integer, "
                      "exchanger_material varchar, condensing boolean, rated_input_kw double, "
                      "service_interval_months double, exchanger_cleaning_minutes double, trap_cleaning_minutes double, "
                      "base_visit_minutes double",
    "current_installs": "install_id varchar, install_no integer, model_id varchar, model_no integer, design_no integer, "
                        "area_id varchar, area_no integer, site_label varchar, fuel varchar, installed_on date, "
                        "altitude_m double, air_intake varchar, water_hardness_mg_l double, media_kg double, "
                        "burner_hours_per_year double",
    "current_visits": "visit_no integer, visit_id varchar, install_no integer, install_id varchar, visited_on date, "
                      "technician_id varchar, purpose varchar, minutes_on_site double, burner_hours double, "
                      "ignitions double, exchanger_cleaning varchar, trap_cleaned boolean, media_renewed boolean, "
                      "electrodes_cleaned boolean, burner_adjusted boolean, trap_drain_found_s double, "
                      "trap_drain_left_s double, condensate_ph_found double, condensate_ph_left double, "
                      "system_pressure_kpa double, notes varchar, file_id integer, line bigint",
    "current_readings": "visit_no integer, visit_id varchar, stage varchar, firing varchar, o2_pct double, co2_pct double, "
                        "co_ppm double, co_air_free_ppm double, flue_temp_c double, air_temp_c double, "
                        "supply_temp_c double, return_temp_c double, flame_current_ua double, analyser_id varchar, "
                        "file_id integer, line bigint",
    "rejected_rows": "file varchar, line bigint, \"column\" varchar, value varchar, reason varchar, visit_id varchar",
    "all_findings": "file varchar, line bigint, \"column\" varchar, value varchar, rule varchar, message varchar, "
                    "visit_id varchar, stage varchar, firing varchar, install_id varchar, technician_id varchar, "
                    "analyser_id varchar, misleads boolean",
    "derived": "visit_id varchar, visit_no integer, stage varchar, firing varchar, excess_air_ratio float, o2_dry_pct float, "
               "co2_dry_pct float, co_air_free_ppm float, co_co2_ratio float, dew_point_c float, flue_h2o_pct float, "
               "condensate_kg_per_kwh float, condensing_fraction float, loss_sensible_pct float, loss_latent_pct float, "
               "efficiency_gross_pct float, efficiency_net_pct float, adiabatic_flame_c float, exchanger_ntu float, "
               "flue_over_return_k float, findings varchar",
    "install_clock": "install_no integer, hours_per_year double, hours_rel_sd double, basis varchar",
    "observations": "install_no integer, series_no integer, indicator varchar, firing varchar, visit_no integer, "
                    "visited_on date, stage varchar, stage_order integer, cycle_no integer, hours_in_cycle double, "
                    "clock_h double, value double, analyser_id varchar, usable boolean",
    "limits": "install_no integer, series_no integer, limit_low double, limit_high double, limit_source varchar, "
              "general boolean",
    "open_cycles": "install_no integer, series_no integer, m0 double, m1 double, v00 double, v01 double, v11 double, "
                   "gamma double, hours_open double, basis varchar, readings integer",
    "cleaning_effects": "exchanger_design varchar, indicator varchar, firing varchar, kind varchar, restored_share double, "
                        "low double, high double, value_before double, value_after double, cycles integer",
    "analyser_bias": "analyser_id varchar, indicator varchar, bias double, low double, high double, tests integer, "
                     "unit varchar, wants_calibration boolean",
    "pace_changes": "indicator varchar, firing varchar, scope varchar, name varchar, since date, ratio double, low double, "
                    "high double, p double, installs integer",
    "forecasts": "install_no integer, series_no integer, install_id varchar, indicator varchar, firing varchar, as_of date, "
                 "last_value double, last_stage varchar, last_on date, limit_low double, limit_high double, "
                 "limit_source varchar, state varchar, p_out_now double, due_on date, out_p10_on date, out_p50_on date, "
                 "out_p90_on date, rate_per_1000h double, rate_low_per_1000h double, rate_high_per_1000h double, "
                 "basis varchar",
    "appliance_models": "model_id varchar, exchanger_design varchar, indicator varchar, firing varchar, installs integer, "
                        "visits integer, rate_per_1000h double, rate_low_per_1000h double, rate_high_per_1000h double, "
                        "median_days_to_out double, share_out_at_interval double, rank integer, worse_than_fleet_p double",
    "backtest_scores": "indicator varchar, firing varchar, horizon_months integer, method varchar, n integer, "
                       "events integer, brier double, brier_skill double, log_score double, auc double, "
                       "calibration_intercept double, calibration_slope double, coverage80 double",
    "backtest_bins": "indicator varchar, firing varchar, horizon_months integer, p_mid double, observed double, low double, "
                     "high double, n integer",
    "visit_plan": "install_id varchar, area_id varchar, model_id varchar, due_on date, leading_indicator varchar, "
                  "planned_week date, expected_minutes double, p_out_at_planned double, p_out_at_interval double, "
                  "tasks varchar, take_along varchar, last_visit_on date, interval_on date",
    "area_weeks": "area_id varchar, week date, visits integer, hours_needed double, hours_available double, "
                  "hours_short double, hour_value double",
    "plan_scenarios": "risk_tolerance double, visits integer, hours double, peak_week date, peak_hours double, "
                      "expected_out_days double",
    "plan_comparisons": "name varchar, against varchar, visits integer, hours double, extra_hours double, out_days double, "
                        "out_days_avoided double, avoided_per_extra_hour double, peak_week date",
    "media_weeks": "area_id varchar, week date, media_kg double",
}  # fmt: skip
HOSTILE = "</script><img src=x onerror=alert(1)><!--<script> & \"'`{{7*7}} ‮\x00\x07"


def empty_store() -> Store:
    """A store with every table and no row."""
    store = Store.open(None)
    for table, columns in TABLES.items():
        store.run(f"create table {table} ({columns})")
    store.set_fact("as_of", AS_OF.isoformat())
    return store


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
                            "clock_h": 2000.0 * year,
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
    weeks = [AS_OF + timedelta(days=7 * w) for w in range(52)]
    tables["visit_plan"] = pl.DataFrame(
        [
            {
                "install_id": f"I{i:05}",
                "area_id": f"A{i % areas}",
                "model_id": f"M{i % 4}",
                "due_on": AS_OF + timedelta(days=int(i)),
                "leading_indicator": "co_air_free_ppm",
                "planned_week": weeks[1 if i >= installs - installs // 10 else i // 3 % 52],
                "expected_minutes": 65.0 + i % 9,
                "p_out_at_planned": 0.08,
                "p_out_at_interval": 0.31,
                "tasks": "clean exchanger by rinse;clean trap",
                "take_along": "trap gasket;neutralising media 4 kg",
                "last_visit_on": date(2025, 9, 10),
                "interval_on": date(2026, 9, 10) + timedelta(days=int(i) % 120),
            }
            for i in number
        ]
    )
    tables["area_weeks"] = pl.DataFrame(
        [
            {
                "area_id": f"A{a}",
                "week": w,
                "visits": 6,
                "hours_needed": 8.0 + (n * 7 + a * 3) % 5,
                "hours_available": 10.0 if capacity else None,
                "hours_short": max(0.0, (n * 7 + a * 3) % 5 - 2.0) if capacity else None,
                "hour_value": float((n + a) % 4) if capacity else None,
            }
            for a in range(areas)
            for n, w in enumerate(weeks)
        ],
        infer_schema_length=None,
    )
    tables["plan_scenarios"] = pl.DataFrame(
        [
            {
                "risk_tolerance": t,
                "visits": 60 + n,
                "hours": 80.0 - 5 * n,
                "peak_week": weeks[3],
                "peak_hours": 12.0,
                "expected_out_days": 300.0 + 90 * n,
            }
            for n, t in enumerate((0.02, 0.05, 0.10, 0.20))
        ]
    )
    tables["plan_comparisons"] = pl.DataFrame(
        [
            {
                "name": "plan",
                "against": "fixed interval",
                "visits": 66,
                "hours": 90.0,
                "extra_hours": 6.0,
                "out_days": 410.0,
                "out_days_avoided": 130.0,
                "avoided_per_extra_hour": 21.7,
                "peak_week": weeks[3],
            }
        ]
    )
    tables["media_weeks"] = pl.DataFrame(
        [{"area_id": f"A{a}", "week": w, "media_kg": 1.5} for a in range(areas) for w in weeks]
    )
    pairs = [(k, series["indicator"][k], series["firing"][k]) for k in range(8)]
    tables["appliance_models"] = pl.DataFrame(
        [
            {
                "model_id": f"M{m}",
                "exchanger_design": f"coil-{m // 2}",
                "indicator": n,
                "firing": f,
                "installs": installs // 4,
                "visits": 70,
                "rate_per_1000h": drift[k] * middle[k] * (1 + m / 3),
                "rate_low_per_1000h": drift[k] * middle[k] * (0.7 + m / 3),
                "rate_high_per_1000h": drift[k] * middle[k] * (1.3 + m / 3),
                "median_days_to_out": 700.0 - 90 * m,
                "share_out_at_interval": 0.05 * (m + 1),
                "rank": 4 - m,
                "worse_than_fleet_p": 0.2 + 0.25 * m,
            }
            for m in range(4)
            for k, n, f in pairs
        ]
    )
    tables["cleaning_effects"] = pl.DataFrame(
        [
            {
                "exchanger_design": f"coil-{d}",
                "indicator": "flue_over_return_k",
                "firing": "high",
                "kind": kind,
                "restored_share": 0.3 + 0.2 * n,
                "low": 0.2 + 0.2 * n,
                "high": 0.4 + 0.2 * n,
                "value_before": 25.0,
                "value_after": 19.0,
                "cycles": 40,
            }
            for d in range(2)
            for n, kind in enumerate(("brush", "rinse", "chemical"))
        ]
    )
    tables["analyser_bias"] = pl.DataFrame(
        [
            {
                "analyser_id": f"AN{k}",
                "indicator": "o2_pct",
                "bias": 0.1 * (k - 2),
                "low": 0.1 * (k - 2) - 0.1,
                "high": 0.1 * (k - 2) + 0.1,
                "tests": 90,
                "unit": "%",
                "wants_calibration": k == 5,
            }
            for k in range(6)
        ]
    )
    tables["pace_changes"] = pl.DataFrame(
        [
            {
                "indicator": "flue_over_return_k",
                "firing": "high",
                "scope": "model",
                "name": "M3",
                "since": date(2025, 1, 1),
                "ratio": 1.6,
                "low": 1.2,
                "high": 2.1,
                "p": 0.003,
                "installs": 15,
            }
        ]
    )
    tables["backtest_scores"] = pl.DataFrame(
        [
            {
                "indicator": n,
                "firing": f,
                "horizon_months": h,
                "method": m,
                "n": 300,
                "events": 25,
                "brier": 0.06,
                "brier_skill": 0.3 - 0.07 * j,
                "log_score": 0.2,
                "auc": 0.8,
                "calibration_intercept": 0.02,
                "calibration_slope": 0.95,
                "coverage80": 0.79,
            }
            for _, n, f in pairs
            for h in (6, 12)
            for j, m in enumerate(("foulcast", "boosted_trees", "common_drift", "own_line", "base_rate"))
        ]
    )
    tables["backtest_bins"] = pl.DataFrame(
        [
            {
                "indicator": n,
                "firing": f,
                "horizon_months": 12,
                "p_mid": p,
                "observed": p * 0.95,
                "low": p * 0.7,
                "high": min(1, p * 1.3),
                "n": 50,
            }
            for _, n, f in pairs
            for p in (0.05, 0.2, 0.4, 0.7)
        ]
    )
    tables["input_files"] = pl.DataFrame(
        [
            {
                "file_id": 0,
                "kind": "visits",
                "name": "visits/2025.csv",
                "fingerprint": "ab",
                "bytes": 9,
                "rows": len(visits),
                "status": "read",
                "message": "",
            }
        ]
    )
    tables["rejected_rows"] = pl.DataFrame(
        [
            {
                "file": "visits/2025.csv",
                "line": 7 + k,
                "column": "install_id",
                "value": f"I9{k}",
                "reason": "unknown install: not in installs.csv",
                "visit_id": f"VX{k}",
            }
            for k in range(4)
        ]
    )
    tables["all_findings"] = pl.DataFrame(
        [
            {
                "file": "readings/2025.csv",
                "line": 9 + k,
                "column": "co2_pct",
                "value": "19",
                "rule": "o2_co2_disagree",
                "message": "O2 and CO2 cannot both be right",
                "visit_id": "V1",
                "stage": "as_found",
                "firing": "high",
                "install_id": "I00001",
                "technician_id": "T1",
                "analyser_id": "AN5",
                "misleads": True,
            }
            for k in range(6)
        ]
    )
    for table, frame in tables.items():
        if hostile is not None:
            frame = _poison(table, frame, hostile)
        store.append(table, frame)
    return store


@cache
def built_site(units: str = "si") -> Path:
    """The site of `small_store`, made once for all tests of a session; tests only read it."""
    folder = Path(tempfile.mkdtemp(prefix="foulcast-pages-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    with small_store() as store:
        pages(store, settings_from({"title": "Upper Valleys", "units": units}), folder / "site")
    return folder / "site"


# columns whose words the pages compare with; a hostile file cannot reach them
SETTLED = {"install_id", "area_id", "model_id", "visit_id", "indicator", "firing", "stage", "state", "method", "scope", "kind",
           "last_stage", "leading_indicator", "exchanger_cleaning", "file", "exchanger_design"}  # fmt: skip


def _poison(table: str, frame: pl.DataFrame, text: str) -> pl.DataFrame:
    """Hostile text in every text column that a file can fill; keys get it behind their own value, so that they stay keys."""
    keys = {"install_id", "area_id", "model_id", "visit_id", "file", "exchanger_design"}
    reached = [c for c, t in frame.schema.items() if t == pl.String and (c not in SETTLED or c in keys)]
    return frame.with_columns(
        pl.when(pl.col(c).is_not_null()).then(pl.col(c) + text if c in keys else pl.lit(text)).alias(c) for c in reached
    )
