"""The files under exports/, written from the views of 90_exports.sql: sorted, and safe to open in a spreadsheet."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from pipeline.csv_rows import write_csv
from pipeline.store import Store


@dataclass(frozen=True)
class Export:
    """A published file: its name, the view it is written from and the columns that order its rows; none where the
    table behind the view lies in order already. DuckDB gives the rows of a table as they lie. words: columns of few
    different texts."""

    file: str
    view: str
    key: tuple[str, ...] = ()
    words: tuple[str, ...] = ()


EXPORTS = (
    Export(
        "forecasts.csv",
        "export_forecasts",
        words=("indicator", "firing", "last_stage", "limit_source", "state", "basis"),
    ),
    Export("visit_plan.csv", "export_visit_plan", words=("leading_indicator", "tasks", "take_along")),
    Export("appliance_models.csv", "export_appliance_models", ("model_id", "indicator", "firing")),
    Export("area_weeks.csv", "export_area_weeks", ("area_id", "week")),
    Export("rejected_rows.csv", "export_rejected_rows", ("file", "line", "column", "reason", "value")),
)


CURVES = "forecast_curve.parquet"
CURVES_AT_ONCE = 122_880  # rows, and those of a row group


def write_exports(store: Store, folder: Path) -> dict[str, int]:
    """Write every export into `folder`; returns rows per file."""
    folder.mkdir(parents=True, exist_ok=True)
    store.run_file("90_exports.sql")
    # Reading, encoding and writing hold no lock of Python's, and each takes a thread.
    with store.beside() as other, ThreadPoolExecutor(1) as thread:
        curves = thread.submit(_write_curves, other, folder / CURVES)
        rows = {e.file: write_csv(store, e.view, folder / e.file, e.key, e.words) for e in EXPORTS}
        return rows | {CURVES: curves.result()}


def _write_curves(store: Store, path: Path) -> int:
    """The chances of the firsts of the months, by install_id, indicator and firing: as `curve_values` lies.

    A float's bytes split by their place compress better than whole, and faster.
    """
    ids = store.db.sql("select install_id from current_installs order by install_no").to_arrow_table()["install_id"]
    series = store.db.sql("select indicator, firing from series order by series_no").to_arrow_table()
    first = store.scalar("select first_month - date '1970-01-01' from forecast_curve limit 1")
    names = ("install_id", "indicator", "firing", "first_month")
    schema = pa.schema(
        [*((name, pa.string()) for name in names[:3]), ("first_month", pa.date32()), ("p_out", pa.list_(pa.float32()))]
    )
    written = 0
    with parquet.ParquetWriter(
        path,
        schema,
        compression="zstd",
        compression_level=1,
        use_dictionary=list(names),
        column_encoding={"p_out.list.element": "BYTE_STREAM_SPLIT"},
    ) as file:
        for batch in store.db.sql("from curve_values").to_arrow_reader(CURVES_AT_ONCE):
            chances = batch["p_out"]
            months = chances.type.list_size
            starts = _numbers(np.arange(len(batch) + 1) * months, pa.int32())
            number = batch["series_no"]
            columns = [
                ids.take(batch["install_no"]),
                series["indicator"].take(number),
                series["firing"].take(number),
                _numbers(np.full(len(batch), first), pa.date32()),
                pa.ListArray.from_arrays(starts, chances.flatten()),
            ]
            file.write_table(pa.table(columns, schema=schema), row_group_size=CURVES_AT_ONCE)
            written += len(batch)
    return written


def _numbers(values: np.ndarray, kind: pa.DataType) -> pa.Array:
    """Whole numbers of 4 bytes; `pa.array` would import pandas where it is installed, a fifth of a second."""
    return pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(values.astype(np.int32))])
