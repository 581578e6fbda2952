"""Numbers side by side in one column come apart again as they were: by numpy put in, by DuckDB taken out."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.fields import Fields
from pipeline.store import Store

ROWS = st.lists(st.tuples(*(st.integers(0, 1 << bits) for bits in (1, 19, 4, 30))), min_size=1, max_size=20)


@given(ROWS)
def test_numbers_come_apart_as_they_were(rows: list[tuple[int, ...]]) -> None:
    numbers = dict(zip("abcd", np.array(rows, np.int64).T, strict=True))
    fields = Fields({name: int(number.max()) for name, number in numbers.items()})
    with Store.open(None) as store:
        store.write("t", pl.DataFrame({"whole": fields.packed(numbers)}))
        told = store.rows(f"select {', '.join(fields.number('whole', name) for name in numbers)} from t")
    assert told == rows


def test_flags_and_names_left_out() -> None:
    fields = Fields({"first": 1, "number": 6, "last": 1})
    packed = fields.packed({"last": np.array([True, False]), "first": np.array([False, True])})
    assert packed.dtype == np.int32
    with Store.open(None) as store:
        store.write("t", pl.DataFrame({"whole": packed}))
        wanted = (fields.flag("whole", "first"), fields.number("whole", "number"), fields.flag("whole", "last"))
        assert store.rows(f"select {', '.join(wanted)} from t") == [(False, 0, True), (True, 0, False)]


def test_more_than_a_bigint_holds_is_refused() -> None:
    with pytest.raises(ValueError, match="two columns"):
        Fields({"a": 1 << 40, "b": 1 << 30})
