"""The tables the pages read, empty; and hostile text for every text column a file can fill."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.stages.plan_readings import read_out_of_range
from pipeline.store import Store

AS_OF = date(2026, 3, 16)
TABLES = {
    "input_files": "file_id integer, kind varchar, name varchar, fingerprint varchar, bytes bigint, rows bigint, "
                   "status varchar, message varchar",
    "current_areas": "area_id varchar, area_no integer, name varchar, load double[12]",
    "current_models": "model_id varchar, model_no integer, name varchar, exchanger_design varchar, design_no integer, "
                      "exchanger_material varchar, condensing boolean, rated_input_kw double, "
                      "service_interval_months double, exchanger_cleaning_minutes double, trap_cleaning_minutes "
                      "double, "
                      "base_visit_minutes double",
    "current_installs": "install_id varchar, install_no integer, model_id varchar, model_no integer, design_no "
    "integer, "
                        "area_id varchar, area_no integer, site_label varchar, fuel varchar, installed_on date, "
                        "altitude_m double, air_intake varchar, water_hardness_mg_l double, media_kg double, "
                        "burner_hours_per_year double",
    "current_visits": "visit_no integer, visit_id varchar, install_no integer, install_id varchar, visited_on date, "
                      "technician_id varchar, purpose varchar, minutes_on_site double, burner_hours double, "
                      "ignitions double, exchanger_cleaning varchar, trap_cleaned boolean, media_renewed boolean, "
                      "electrodes_cleaned boolean, burner_adjusted boolean, trap_drain_found_s double, "
                      "trap_drain_left_s double, condensate_ph_found double, condensate_ph_left double, "
                      "system_pressure_kpa double, notes varchar, file_id integer, line bigint",
    "current_readings": "visit_no integer, test_no integer, visit_id varchar, stage varchar, firing varchar, "
                        "o2_pct double, co2_pct double, "
                        "co_ppm double, co_air_free_ppm double, flue_temp_c double, air_temp_c double, "
                        "supply_temp_c double, return_temp_c double, flame_current_ua double, analyser_id varchar, "
                        "file_id integer, line bigint",
    "rejected_rows": "file varchar, line bigint, \"column\" varchar, value varchar, reason varchar, visit_id varchar",
    "all_findings": "file varchar, line bigint, \"column\" varchar, value varchar, rule varchar, message varchar, "
                    "visit_id varchar, stage varchar, firing varchar, install_id varchar, technician_id varchar, "
                    "analyser_id varchar, misleads boolean",
    "derived": "visit_id varchar, visit_no integer, stage varchar, firing varchar, excess_air_ratio float, "
    "o2_dry_pct float, "
               "co2_dry_pct float, co_air_free_ppm float, co_co2_ratio float, dew_point_c float, flue_h2o_pct float, "
               "condensate_kg_per_kwh float, condensing_fraction float, loss_sensible_pct float, loss_latent_pct "
               "float, "
               "efficiency_gross_pct float, efficiency_net_pct float, adiabatic_flame_c float, exchanger_ntu float, "
               "flue_over_return_k float, findings varchar",
    "install_clock": "install_no integer, hours_per_year double, hours_rel_sd double, basis varchar",
    "derived_values": "install_no integer", "observed_clock": "visited_on date", "visit_clock": "install_no integer",
    "observations": "install_no integer, series_no integer, indicator varchar, firing varchar, visit_no integer, "
                    "visited_on date, stage varchar, stage_order integer, cycle_no integer, hours_in_cycle double, "
                    "value double, analyser_id varchar, usable boolean",
    "limits": "install_no integer, series_no integer, limit_low double, limit_high double, limit_source varchar, "
              "general boolean",
    "open_cycles": "install_no integer, series_no integer, m0 double, m1 double, v00 double, v01 double, v11 double, "
                   "gamma double, hours_open double, basis varchar, readings integer",
    "cleaning_effects": "exchanger_design varchar, indicator varchar, firing varchar, kind varchar, restored_share "
    "double, "
                        "low double, high double, value_before double, value_after double, cycles integer",
    "analyser_bias": "analyser_id varchar, indicator varchar, bias double, low double, high double, tests integer, "
                     "unit varchar, wants_calibration boolean",
    "pace_changes": "indicator varchar, firing varchar, scope varchar, name varchar, since date, ratio double, low "
    "double, "
                    "high double, p double, installs integer",
    "forecasts": "install_no integer, series_no integer, install_id varchar, indicator varchar, firing varchar, "
    "as_of date, "
                 "last_value double, last_stage varchar, last_on date, limit_low double, limit_high double, "
                 "limit_source varchar, state varchar, p_out_now double, due_on date, out_p10_on date, out_p50_on "
                 "date, "
                 "out_p90_on date, rate_per_1000h double, rate_low_per_1000h double, rate_high_per_1000h double, "
                 "basis varchar",
    "doubted_readings": "install_no integer, series_no integer, last_value double, last_stage varchar, last_on date",
    "appliance_models": "model_id varchar, exchanger_design varchar, indicator varchar, firing varchar, installs "
    "integer, "
                        "visits integer, rate_per_1000h double, rate_low_per_1000h double, rate_high_per_1000h double, "
                        "median_days_to_out double, share_out_at_interval double, rank integer, worse_than_fleet_p "
                        "double",
    "backtest_scores": "indicator varchar, firing varchar, horizon_months integer, method varchar, n integer, "
                       "events integer, brier double, brier_skill double, log_score double, auc double, "
                       "calibration_intercept double, calibration_slope double, coverage80 double",
    "backtest_bins": "indicator varchar, firing varchar, horizon_months integer, p_mid double, observed double, "
    "low double, "
                     "high double, n integer",
    "visit_plan": "install_id varchar, area_id varchar, model_id varchar, due_on date, leading_indicator varchar, "
                  "planned_week date, expected_minutes double, p_out_at_planned double, p_out_at_interval double, "
                  "tasks varchar, take_along varchar, last_visit_on date, interval_on date, install_no integer",
    "area_weeks": "area_id varchar, week date, visits integer, hours_needed double, hours_available double, "
                  "hours_short double, hour_value double",
    "plan_technicians": "area_id varchar, week date, working_days integer, technicians_needed double",
    "plan_scenarios": "risk_tolerance double, visits integer, hours double, peak_week date, peak_hours double, "
                      "expected_out_days double",
    "plan_comparisons": "name varchar, against varchar, visits integer, hours double, extra_hours double, out_days "
    "double, "
                        "out_days_avoided double, avoided_per_extra_hour double, peak_week date",
    "media_weeks": "area_id varchar, week date, media_kg double",
}  # fmt: skip
HOSTILE = "</script><img src=x onerror=alert(1)><!--<script> & \"'`{{7*7}} ‮\x00\x07"


def empty_store() -> Store:
    """A store with every table and no row."""
    store = Store.open(None)
    for table, columns in TABLES.items():
        store.run(f"create table {table} ({columns})")
    store.run("create macro observations_of(tests, visits, clock) as table from observations")
    store.set_fact("as_of", AS_OF.isoformat())
    read_out_of_range(store)
    return store


# columns whose words the pages compare with; a hostile file cannot reach them
SETTLED = {"install_id", "area_id", "model_id", "visit_id", "indicator", "firing", "stage", "state",
           "method", "scope", "kind",
           "last_stage", "leading_indicator", "exchanger_cleaning", "file", "exchanger_design"}  # fmt: skip


def poisoned(table: str, frame: pl.DataFrame, text: str) -> pl.DataFrame:
    """Hostile text in every text column that a file can fill; keys get it behind their own value, so that they stay
    keys.
    """
    keys = {"install_id", "area_id", "model_id", "visit_id", "file", "exchanger_design"}
    reached = [c for c, t in frame.schema.items() if t == pl.String and (c not in SETTLED or c in keys)]
    return frame.with_columns(
        pl.when(pl.col(c).is_not_null()).then(pl.col(c) + text if c in keys else pl.lit(text)).alias(c) for c in reached
    )
