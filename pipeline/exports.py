"""The files under exports/, written from the views of 90_exports.sql: sorted, and safe to open in a spreadsheet."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.safe_text import safe_cell_sql
from pipeline.store import Store, literal, quoted


@dataclass(frozen=True)
class Export:
    """A published file: its name, the view it is written from and the columns that order its rows."""

    file: str
    view: str
    key: tuple[str, ...]


EXPORTS = (
    Export("forecasts.csv", "export_forecasts", ("install_id", "indicator", "firing")),
    Export("forecast_curve.parquet", "export_forecast_curve", ("install_id", "indicator", "firing")),
    Export("visit_plan.csv", "export_visit_plan", ("install_id",)),
    Export("appliance_models.csv", "export_appliance_models", ("model_id", "indicator", "firing")),
    Export("area_weeks.csv", "export_area_weeks", ("area_id", "week")),
    Export("rejected_rows.csv", "export_rejected_rows", ("file", "line", "column", "reason", "value")),
)


def write_exports(store: Store, folder: Path) -> dict[str, int]:
    """Write every export into `folder`; returns rows per file."""
    folder.mkdir(parents=True, exist_ok=True)
    store.run_file("90_exports.sql")
    return {export.file: _write(store, export, folder / export.file) for export in EXPORTS}


def _write(store: Store, export: Export, path: Path) -> int:
    columns = store.rows(f"select column_name, column_type from (describe {export.view})")
    parquet = path.suffix == ".parquet"
    shown = [
        f"{safe_cell_sql(quoted(name))} as {quoted(name)}" if kind == "VARCHAR" and not parquet else quoted(name)
        for name, kind in columns
    ]
    order = ", ".join(quoted(name) for name in export.key)
    how = "format parquet, compression zstd" if parquet else "format csv, header, delimiter ','"
    query = f"select {', '.join(shown)} from {export.view} order by {order}"
    return store.scalar(f"copy ({query}) to {literal(path)} ({how})")
