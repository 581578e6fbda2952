"""A store of a few installs written by hand, as the check and derive stages would leave it."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.schema import SERIES
from pipeline.stages.drift_asked import LAST_VALUES, last_values
from pipeline.stages.drift_inputs import series_rows
from pipeline.store import Store

MODEL = {
    "model_id": "M",
    "model_no": 0,
    "name": "M",
    "exchanger_design": "D",
    "design_no": 0,
    "exchanger_material": "stainless",
    "condensing": True,
    "rated_input_kw": 24.0,
    "service_interval_months": 12,
    "exchanger_cleaning_minutes": None,
    "trap_cleaning_minutes": None,
    "base_visit_minutes": None,
}
INSTALL = {
    "model_id": "M",
    "model_no": 0,
    "design_no": 0,
    "area_id": "A",
    "area_no": 0,
    "site_label": "s",
    "fuel": "natural_gas",
    "installed_on": date(2015, 1, 1),
    "altitude_m": 0.0,
    "air_intake": "outdoor",
    "water_hardness_mg_l": None,
    "media_kg": None,
    "burner_hours_per_year": 1600.0,
}
VISIT = {
    "technician_id": "T",
    "purpose": "annual",
    "minutes_on_site": None,
    "burner_hours": None,
    "ignitions": None,
    "exchanger_cleaning": None,
    "trap_cleaned": None,
    "media_renewed": None,
    "electrodes_cleaned": None,
    "burner_adjusted": None,
    "trap_drain_found_s": None,
    "trap_drain_left_s": None,
    "condensate_ph_found": None,
    "condensate_ph_left": None,
    "system_pressure_kpa": None,
    "notes": None,
    "file_id": 0,
}
TEST = {
    "firing": "high",
    "flue_over_return_k": None,
    "co_air_free_ppm": None,
    "o2_dry_pct": None,
    "flame_current_ua": None,
    "broken": 0,
    "analyser_id": None,
}
TYPES: dict[str, pl.DataType] = {
    **{c: pl.Float64() for c in (
        "water_hardness_mg_l", "media_kg", "burner_hours_per_year", "minutes_on_site", "burner_hours", "ignitions",
        "trap_drain_found_s", "trap_drain_left_s", "condensate_ph_found", "condensate_ph_left", "system_pressure_kpa",
        "low", "high", "exchanger_cleaning_minutes", "trap_cleaning_minutes", "base_visit_minutes")},
    **{c: pl.Float32() for c in ("flue_over_return_k", "co_air_free_ppm", "o2_dry_pct", "flame_current_ua")},
    **{c: pl.Boolean() for c in ("trap_cleaned", "media_renewed", "electrodes_cleaned", "burner_adjusted")},
    **{c: pl.String() for c in ("exchanger_cleaning", "notes", "analyser_id", "purpose", "fuel", "firing", "source")},
    **{c: pl.Int32() for c in ("install_no", "model_no", "design_no", "area_no", "visit_no", "file_id", "line")},
    "visited_on": pl.Date(),
}  # fmt: skip
LIMIT_COLUMNS = ("model_id", "fuel", "firing", "indicator", "low", "high", "source")


def frame(rows: list[dict], columns: tuple[str, ...] = ()) -> pl.DataFrame:
    names = tuple(rows[0]) if rows else columns
    return pl.DataFrame({n: pl.Series(n, [r.get(n) for r in rows], TYPES.get(n)) for n in names})


def made_store(
    installs: list[dict],
    visits: list[dict],
    tests: list[dict],
    *,
    models: list[dict] | None = None,
    limits: list[dict] | None = None,
    load: list[list[float]] | None = None,
    as_of: str = "2025-01-01",
) -> Store:
    """Tables up to `derived`. visits: at least install_no, visited_on (ISO text), in order; tests: visit_no, stage."""
    store = Store.open(None)
    models = [MODEL | m for m in (models or [{}])]
    by_id = {m["model_id"]: m for m in models}
    load = load or [[1 / 12] * 12]
    store.write(
        "current_areas",
        pl.DataFrame(
            {"area_id": [f"A{n}" for n in range(len(load))], "area_no": range(len(load)), "name": "a", "load": load}
        ),
    )
    store.write("current_models", frame(models))
    rows = [INSTALL | {"install_id": f"I{n:03}", "install_no": n} | i for n, i in enumerate(installs)]
    for row in rows:
        row |= {k: by_id[row["model_id"]][k] for k in ("model_no", "design_no")}
    store.write("current_installs", frame(rows))
    store.write(
        "current_limits",
        frame(limits or [], LIMIT_COLUMNS).cast(
            {"low": pl.Float64, "high": pl.Float64} | {c: pl.String for c in LIMIT_COLUMNS if c not in ("low", "high")}
        ),
    )
    seen = [
        VISIT
        | {"visit_no": n, "visit_id": f"V{n:03}", "install_id": f"I{v['install_no']:03}", "line": n + 2}
        | v
        | {"visited_on": date.fromisoformat(v["visited_on"])}
        for n, v in enumerate(visits)
    ]
    store.write(
        "current_visits",
        frame(seen, ("visit_no", "visit_id", "install_no", "install_id", "visited_on", "line", *VISIT)),
    )
    done = [TEST | {"visit_id": f"V{t['visit_no']:03}"} | t for t in tests] or [
        TEST | {"visit_id": "none", "visit_no": -1, "stage": "as_found"}
    ]
    left, low = pl.col("stage") == "as_left", pl.col("firing") == "low"
    derived = frame(done).filter(pl.col("visit_no") >= 0)
    derived = derived.with_columns(test_no=pl.col("visit_no") * 4 + left.cast(pl.Int32) * 2 + low.cast(pl.Int32))
    analysers = derived.select("analyser_id").drop_nulls().unique().sort("analyser_id").with_row_index("analyser_no")
    store.write("analysers", analysers)
    of_visit = [v["install_no"] for v in seen]
    store.write(
        "derived_values",
        derived.join(analysers, on="analyser_id", how="left", maintain_order="left")
        .drop("visit_id", "visit_no", "stage", "firing", "analyser_id")
        .with_columns(pl.Series("install_no", [of_visit[n] for n in derived["visit_no"].to_list()], pl.Int32)),
    )
    store.write(
        "current_readings",
        derived.select("visit_no", "test_no", "visit_id", "stage", "firing", "flame_current_ua", "analyser_id"),
    )
    store.run(
        'create table findings (file varchar, line integer, "column" varchar, value varchar, rule varchar, '
        "message varchar, visit_id varchar, stage varchar, firing varchar, install_id varchar, "
        "technician_id varchar, analyser_id varchar, misleads boolean)"
    )
    store.run("create table input_files as select 0 as file_id, 'visits/one.csv' as name")
    store.set_fact("as_of", as_of)
    return store


def with_last_values(store: Store) -> None:
    """What the fit leaves beside the fits: the views of its inputs, and last_values."""
    store.run_file("70_drift_inputs.sql")
    store.run(LAST_VALUES)
    store.append("last_values", pl.concat(map(last_values, series_rows(store, SERIES))))
