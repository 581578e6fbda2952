"""Reading cells with care only where the plain cast falls short gives what reading them all with care gives."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake.cells import Reading, beyond_plain_query, careful_query
from pipeline.intake.headers import map_headers
from pipeline.schema import FOLDER_KINDS, columns_of
from pipeline.store import Store

CELLS = st.sampled_from(
    (None, "", " ", "12", "1e3", "-4.5", "1,5", "1.234,5", "55 °C", "nan", "inf", "1e9", "n/a", "2024-02-29",
     "31.12.2023", "1/2/2024", "20240131", "1850-01-01", "true", "Yes", "0", "ja", "as_found",
     "As found", "HIGH", "brush", "x" * 201)
)  # fmt: skip
HEADERS = {kind: [h.replace("flue_temp_c", "flue_temp_f") for h in columns_of(kind)] for kind in FOLDER_KINDS}
"""One number in another unit than ours; co_air_free_ppm cannot stand beside co_ppm."""
HEADERS["readings"].remove("co_air_free_ppm")


@pytest.mark.parametrize("kind", FOLDER_KINDS)
@settings(max_examples=15)
@given(data=st.data())
def test_plain_columns_need_no_care(kind: str, data: st.DataObject) -> None:
    mapped, _ = map_headers(f"{kind}/a.csv", kind, HEADERS[kind], {})
    reading = data.draw(st.sampled_from((Reading("."), Reading(","), Reading(".", "%d.%m.%Y"))))
    rows = data.draw(st.lists(st.tuples(*(CELLS for _ in HEADERS[kind])), min_size=1, max_size=4))
    schema = {f"c{n}": pl.String for n in range(len(HEADERS[kind]))}
    frame = pl.DataFrame(rows, schema=schema, orient="row").with_columns(
        pl.lit(0, pl.Int32).alias("file_id"), pl.lit(None, pl.String).alias("ragged")
    )
    with Store.open(None) as store:
        store.run_file("00_cells.sql")
        store.db.register("batch_in", frame)
        beyond_plain = store.rows(beyond_plain_query(mapped, reading, "batch_in"))[0]
        some = store.rows(careful_query(mapped, reading, "batch_in", beyond_plain))
        assert some == store.rows(careful_query(mapped, reading, "batch_in", [True] * len(mapped)))
