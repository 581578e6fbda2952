"""Which way round a file writes its dates, decided from the whole file and only where it is certain."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence

from pipeline.errors import FleetError, shown_value
from pipeline.intake.headers import Mapped

TIME = r"(?:[T ,]+\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:\s?[AaPp]\.?[Mm]\.?)?)?"
DOTTED = re.compile(rf"(\d{{1,2}})(\.)\s?(\d{{1,2}})\.\s?(\d{{4}}|\d{{2}})\.?{TIME}")
# Two digits between hyphens may as well be a year that comes first.
SLASHED = re.compile(rf"(\d{{1,2}})(?:(/)(\d{{1,2}})/(\d{{4}}|\d{{2}})|(-)(\d{{1,2}})-(\d{{4}})){TIME}")
BARE = re.compile(r"\d+([./-])\d+\1\d+")


def date_style_of(
    name: str, sample: Iterable[Sequence[str]], records: Callable[[], Iterable[Sequence[str]]], mapped: Sequence[Mapped]
) -> tuple[str | None, bool]:
    """The strptime format of a file's dates, None for ISO 8601 (or nothing that is common to the file); and whether
    a time of day, blanks or a last dot stand about most of them.

    sample: the first records under the header.   records: gives all of them.
    Raises FleetError where every date can be read as day/month and as month/day, or with the year first.
    """
    dates = [m for m in mapped if m.column.type in ("date", "week")]
    if not dates:
        return None, False
    position = dates[0].position
    seen = [cells[position].strip() for cells in sample if position < len(cells) and cells[position].strip()]
    for pattern in (DOTTED, SLASHED):
        found = [m for text in seen if (m := pattern.fullmatch(text))]
        if found and len(found) > len(seen) / 2:
            break
    else:
        return None, False
    mark = _parts(found[0])[1]
    digits = Counter(len(_parts(m)[3]) for m in found).most_common(1)[0][0]
    around = sum(not BARE.fullmatch(m.group()) for m in found) > len(found) / 2
    if pattern is DOTTED and digits == 4:  # told by the head of the file alone
        return "%d.%m.%Y", around
    cells = (record[position].strip() for record in records() if position < len(record))
    numbers = {(int(a), int(b), y) for m in map(pattern.fullmatch, cells) if m for a, _, b, y in [_parts(m)]}
    year_first = digits == 2 and all(a > 12 and 1 <= int(y) <= 31 for a, _, y in numbers)
    order = "%d{0}%m{0}" if pattern is DOTTED else _order({(a, b) for a, b, _ in numbers})
    if order == "" and not year_first:
        return None, False
    if order is None or year_first:
        other = "with the year first" if year_first else "as month/day"
        raise FleetError(
            f"{name}: its dates, as {shown_value(found[0].group())}, can be read as day/month and {other}. Write them "
            f"as 2024-01-31."
        )
    return order.format(mark) + ("%Y" if digits == 4 else "%y"), around


def _parts(match: re.Match[str]) -> tuple[str, str, str, str]:
    """First number, mark, second number, year."""
    first, mark, second, year = (part for part in match.groups() if part is not None)
    return first, mark, second, year


def _order(parts: set[tuple[int, int]]) -> str | None:
    """Which number is the day, told by one beyond 12; "" where each date tells it by itself, None where none does."""
    day_first, month_first = any(a > 12 >= b for a, b in parts), any(b > 12 >= a for a, b in parts)
    if day_first != month_first:
        return "%d{0}%m{0}" if day_first else "%m{0}%d{0}"
    return "" if day_first or all(a == b for a, b in parts) else None
