"""What the later stages would have made of the invented fleet of page_store: plan, trust, quality."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
from page_tables import AS_OF


def results(
    installs: int, areas: int, capacity: bool, series: pl.DataFrame, middle: dict[int, float], drift: dict[int, float]
) -> dict[str, pl.DataFrame]:
    """Tables by name. middle, drift: typical value and drift of each series."""
    number = np.arange(installs)
    tables: dict[str, pl.DataFrame] = {}
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
                "install_no": int(i),
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
    tables["plan_technicians"] = tables["area_weeks"].select(
        "area_id",
        "week",
        pl.lit(5, pl.Int32).alias("working_days"),
        (pl.col("hours_needed") / 40).alias("technicians_needed"),
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
                "rows": 270,
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
    return tables
