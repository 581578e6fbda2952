"""Files into their landing tables: DuckDB reads what is plain CSV, anything else is read record by record.

Every file comes in by one of two ways: `land_plain`, one statement for all plain files that are read alike, and
`land_file`, which takes the cells of any source as text.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import polars as pl

from pipeline.errors import FleetError
from pipeline.intake.file_plan import Arrival, FilePlan, notes_of, plan_of
from pipeline.intake.land_plain import land_plain
from pipeline.intake.land_records import land_file
from pipeline.intake.parquet import land_parquet
from pipeline.schema import FOLDER_KINDS
from pipeline.settings import Settings
from pipeline.store import Store


@dataclass
class Loaded:
    """What became of one file."""

    rows: int = 0
    notes: list[str] = field(default_factory=list)


def load_files(store: Store, arrivals: Sequence[Arrival], settings: Settings) -> dict[int, Loaded | FleetError]:
    """Append the rows of files to the landing tables; by file_id what became of each.

    A file that cannot be taken as a whole comes back as the error that says why.
    """
    done: dict[int, Loaded | FleetError] = {}
    plans: dict[int, FilePlan] = {}
    for file in arrivals:
        try:
            if file.path.suffix.lower() == ".parquet":
                done[file.file_id] = Loaded(
                    *land_parquet(store, file.kind, file.file_id, file.path, file.name, settings)
                )
            else:
                plans[file.file_id] = plan_of(file, settings)
        except FleetError as error:
            done[file.file_id] = error
    landed = _land_kinds(store, [plan for plan in plans.values() if plan.dialect and plan.dialect.plain])
    for n, plan in plans.items():
        try:
            loaded = Loaded(landed[n] if n in landed else land_file(store, plan))
            loaded.notes += notes_of(plan)
            done[n] = loaded
        except FleetError as error:
            done[n] = error
    _write_units(store, [plan for n, plan in plans.items() if isinstance(done[n], Loaded)])
    return done


def _land_kinds(store: Store, plans: list[FilePlan]) -> dict[int, int]:
    """`land_plain` for each kind, the two large ones side by side with a thread each.

    Several threads in one statement would cut a table into portions of their own, which DuckDB puts together and writes
    anew when it closes the store; one thread fills block after block.
    """
    by_kind: dict[str, list[FilePlan]] = {}
    for plan in plans:
        by_kind.setdefault(plan.file.kind, []).append(plan)

    def landed(of_kind: list[FilePlan]) -> dict[int, int]:
        with store.beside() as own:
            own.run_file("00_cells.sql")
            return land_plain(own, of_kind)

    large = [of_kind for kind, of_kind in by_kind.items() if kind in FOLDER_KINDS]
    done = [land_plain(store, of_kind) for kind, of_kind in by_kind.items() if kind not in FOLDER_KINDS]
    with store.one_thread(), ThreadPoolExecutor(2) as pool:
        done += pool.map(landed, large)
    return {n: rows for of_kind in done for n, rows in of_kind.items()}


def _write_units(store: Store, plans: Iterable[FilePlan]) -> None:
    units = [
        (plan.file.file_id, one.column.column, one.header, one.unit.factor, one.unit.offset)
        for plan in plans
        for one in plan.mapped
        if one.header_is_other_unit
    ]
    if units:
        schema = {
            "file_id": pl.Int32, "cell": pl.String, "header": pl.String, "factor": pl.Float64, "offset": pl.Float64,
        }  # fmt: skip
        store.append("file_units", pl.DataFrame(units, schema=schema, orient="row"))
