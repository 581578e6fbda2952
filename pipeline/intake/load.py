"""Files into their landing tables: DuckDB reads what is plain CSV, anything else is read record by record.

Every file comes in by one of two ways: `land_plain`, one statement for all plain files that are read alike, and
`land_file`, which takes the cells of any source as text.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial

import polars as pl

from pipeline.errors import FleetError
from pipeline.intake.file_plan import Arrival, FilePlan, notes_of, plan_of
from pipeline.intake.land_plain import groups_alike, land_plain
from pipeline.intake.land_records import land_file
from pipeline.intake.parquet import land_parquet
from pipeline.intake.seen import LARGE_KINDS
from pipeline.schema import KINDS
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.store_threads import Work, in_threads

PIECE_BYTES = 40_000_000
"""So much is read in one statement: some 600,000 readings, of which few are left in a half-filled block."""


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
    """`land_plain` for each kind, pieces of the large ones side by side; those of a kind in the order of the plans that
    are alike, the most first."""
    done: dict[int, int] = {}
    works = []
    for kind in KINDS:
        of_kind = [plan for plan in plans if plan.file.kind == kind]
        if kind in LARGE_KINDS:
            works += [Work(partial(_land_beside, piece), f"landed_{kind}") for piece in _pieces(of_kind)]
        elif of_kind:
            done |= land_plain(store, of_kind)
            store.run("commit")
    for landed in in_threads(store, works):
        done |= landed
    return done


def _land_beside(piece: list[FilePlan], own: Store) -> dict[int, int]:
    own.run_file("00_cells.sql")
    return land_plain(own, piece)


def _pieces(plans: list[FilePlan]) -> Iterator[list[FilePlan]]:
    """The plans in pieces of PIECE_BYTES at least, but for the last."""
    piece: list[FilePlan] = []
    for plan in (plan for group in groups_alike(plans) for plan in group):
        piece.append(plan)
        if sum(one.file.scanned.size for one in piece) >= PIECE_BYTES:
            yield piece
            piece = []
    if piece:
        yield piece


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
