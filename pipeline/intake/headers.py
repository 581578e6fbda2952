"""The user's headers to our columns, and proposals for headers that are not known."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.errors import FleetError, shown_value
from pipeline.schema import Column, columns_of, headers_of
from pipeline.units import Unit


@dataclass(frozen=True)
class Mapped:
    """One of our columns found in a file: the position of its cells and their conversion to SI."""

    column: Column
    unit: Unit
    position: int
    header: str

    @property
    def header_is_other_unit(self) -> bool:
        return (self.unit.factor, self.unit.offset) != (1.0, 0.0)


def plain_header(header: str) -> str:
    """A header as people vary it without meaning anything by it: case, blanks, hyphens."""
    text = unicodedata.normalize("NFKC", header).strip().strip("\ufeff").lower()
    return re.sub(r"[\s\-./]+", "_", text).strip("_")


def map_headers(
    name: str, kind: str, header: Sequence[str], columns: Mapping[str, str]
) -> tuple[list[Mapped], list[str]]:
    """Our columns in a file's header, and the headers that are not known (these are left out, with a warning).

    columns: the table [columns.KIND] of fleet.toml; "" as a target leaves the column out.
    Raises FleetError for two columns of one quantity and for a needed column that is missing.
    """
    known = headers_of(kind)
    given = {h.strip(): ours for h, ours in columns.items()} | {plain_header(h): ours for h, ours in columns.items()}
    found: dict[str, Mapped] = {}
    unknown: list[str] = []
    for position, head in enumerate(header):
        ours = given.get(head.strip(), given.get(plain_header(head)))
        if ours is None:
            ours = plain_header(head) if plain_header(head) in known else None
        if ours == "" or (ours is None and not head.strip()):
            continue
        if ours is None:
            unknown.append(head.strip())
            continue
        column, unit = known[ours]
        if column.quantity in found:
            first = found[column.quantity]
            raise FleetError(
                f"{name}: {shown_value(first.header)} and {shown_value(head.strip())} both give {column.quantity}; "
                f"one file may hold one of them. Remove a column, or map it away with "
                f'{shown_value(head.strip())} = "" under [columns.{kind}] in fleet.toml.'
            )
        found[column.quantity] = Mapped(column, unit, position, head.strip())
    missing = [c.column for c in columns_of(kind).values() if c.need and not c.default and c.quantity not in found]
    if missing:
        wanted = ", ".join(missing)
        hint = f" Not known in it: {', '.join(shown_value(u) for u in unknown[:6])}." if unknown else ""
        one = len(missing) == 1
        raise FleetError(
            f"{name}: the {'column' if one else 'columns'} {wanted} {'is' if one else 'are'} missing.{hint} "
            f"Add {'it' if one else 'them'}, or name the {'header that holds it' if one else 'headers that hold them'} "
            f"under [columns.{kind}] in fleet.toml "
            "(foulcast headers FLEET proposes a mapping)."
        )
    return list(found.values()), unknown
