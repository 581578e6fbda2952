"""Excel workbooks: the first sheet's rows as records of text."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import FleetError
from pipeline.intake.records import Record

MIDNIGHT = re.compile(r"(\d{4}-\d{2}-\d{2}) 00:00:00")
BATCH = 10_000


def workbook_records(path: Path, name: str) -> Iterator[Record]:
    """Rows of the first sheet with their row number; wholly empty rows are none. Dates come as ISO text."""
    import fastexcel

    try:
        book = fastexcel.read_excel(path)
        sheet = book.load_sheet(0, header_row=None, dtypes="string").to_polars()
    except Exception as error:  # fastexcel's own errors have no common base that is told apart from bad files
        why = str(error).strip().partition("\n")[0]  # the lines after it name where in their code, and the whole path
        raise FleetError(
            f"{name}: cannot be read as an Excel workbook ({why}). Save it again, or export it as CSV."
        ) from error
    for first in range(0, sheet.height, BATCH):
        for n, row in enumerate(sheet.slice(first, BATCH).iter_rows()):
            cells = ["" if c is None else MIDNIGHT.sub(r"\1", c) if MIDNIGHT.fullmatch(c) else c for c in row]
            if any(c.strip() for c in cells):
                yield Record(first + n + 1, cells)


def other_sheets(path: Path) -> list[str]:
    """The names of the sheets that are not read. `path`: a workbook that could be read."""
    import fastexcel

    return list(fastexcel.read_excel(path).sheet_names[1:])
