"""Which way round a file writes its dates, decided from the whole file and only where it is certain."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import FleetError
from pipeline.intake.dialect import Dialect, text_lines
from pipeline.intake.headers import Mapped
from pipeline.intake.records import records_of

DOTTED = re.compile(r"\s*\d{1,2}\.\d{1,2}\.\d{4}\s*")
SLASHED = re.compile(r"\s*(\d{1,2})([/-])(\d{1,2})[/-]\d{4}\s*")


def date_format_of(name: str, path: Path, dialect: Dialect, mapped: Sequence[Mapped]) -> str | None:
    """The strptime format of a file's dates; None for ISO 8601 (or nothing that is common to the file).

    Raises FleetError where every date can be read as day/month and as month/day.
    """
    dates = [m for m in mapped if m.column.type in ("date", "week")]
    if not dates:
        return None
    position = dates[0].position
    seen = [cells[position] for cells in dialect.sample if position < len(cells) and cells[position].strip()]
    if not seen:
        return None
    if sum(1 for text in seen if DOTTED.fullmatch(text)) > len(seen) / 2:
        return "%d.%m.%Y"
    slashed = [m for text in seen if (m := SLASHED.fullmatch(text))]
    if len(slashed) <= len(seen) / 2:
        return None
    mark = slashed[0].group(2)
    with text_lines(path, dialect.encoding) as lines:
        cells = (r.cells[position] for r in records_of(lines, dialect.delimiter) if position < len(r.cells))
        parts = {(int(m.group(1)), int(m.group(3))) for text in cells if (m := SLASHED.fullmatch(text))}
    day_first, month_first = any(a > 12 >= b for a, b in parts), any(b > 12 >= a for a, b in parts)
    if day_first and not month_first:
        return f"%d{mark}%m{mark}%Y"
    if month_first and not day_first:
        return f"%m{mark}%d{mark}%Y"
    if (day_first and month_first) or all(a == b for a, b in parts):
        return None
    raise FleetError(
        f"{name}: its dates, as '{seen[0].strip()}', can be read as day/month and as month/day. Write them "
        f"as 2024-01-31."
    )
