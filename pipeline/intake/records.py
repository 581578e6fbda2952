"""Records of a text file that is no plain CSV: read one by one, so that one bad line costs that line only."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import IO

MOST_RESTARTS = 200
LONGEST_LINE = 1 << 25
"""Characters. A longer line is no record of anything; its cells alone would take gigabytes."""
KEPT_OF_LINE = 1000


@dataclass(frozen=True)
class Record:
    """A record, the physical line on which it starts, whether its quotes made no sense, and whether the text ends in
    it without an end of line, so that it may have been cut."""

    line: int
    cells: list[str]
    broken: bool = False
    at_end: bool = False


def lines_of(text: str) -> Iterator[str]:
    """Lines with their ends: only CR, LF and CRLF end one, not the other characters that str.splitlines knows."""
    return iter(io.StringIO(text, newline=""))


def bounded_lines(text: IO[str]) -> Iterator[str]:
    """The lines of a text; one that is too long is cut, behind quotes that no record has."""
    while line := text.readline(LONGEST_LINE):
        if len(line) == LONGEST_LINE and not line.endswith(("\n", "\r")):
            while (rest := text.readline(LONGEST_LINE)) and not rest.endswith(("\n", "\r")):
                pass
            line = '"' + line[:KEPT_OF_LINE].replace('"', "") + '"…\n'
        yield line


class _Remembering:
    """An iterator over lines that remembers those of the record being read, so that reading can start again inside
    it."""

    def __init__(self, lines: Iterable[str]) -> None:
        self.lines = iter(lines)
        self.taken: list[str] = []
        self.waiting: list[str] = []

    def __iter__(self) -> _Remembering:
        return self

    def __next__(self) -> str:
        line = self.waiting.pop() if self.waiting else next(self.lines)
        self.taken.append(line)
        return line

    def start_again_after_first(self) -> str:
        first, rest = self.taken[0], self.taken[1:]
        self.waiting.extend(reversed(rest))
        self.taken = []
        return first


def records_of(lines: Iterable[str], delimiter: str) -> Iterator[Record]:
    """Records of a text; blank lines are none. A line whose quote never closes is a broken record by itself."""
    csv.field_size_limit(1 << 30)
    source = _Remembering(lines)
    line, restarts = 1, 0
    while True:
        reader = csv.reader(source, delimiter=delimiter, strict=True)
        try:
            for cells in reader:
                if cells and not (len(cells) == 1 and not cells[0].strip()):
                    yield Record(line, cells, at_end=_ends_text(source.taken[-1]))
                line += len(source.taken)
                source.taken = []
            return
        except csv.Error:
            if not source.taken:
                return
            yield Record(line, [source.start_again_after_first().rstrip("\r\n")], broken=True)
            line += 1
            restarts += 1
        if restarts >= MOST_RESTARTS:
            break
    yield from _line_by_line(source, line, delimiter)


def _line_by_line(lines: Iterable[str], line: int, delimiter: str) -> Iterator[Record]:
    """The rest of a text in which quotes cannot be trusted: each physical line is a record."""
    for text in lines:
        if text.strip():
            try:
                cells = next(csv.reader([text], delimiter=delimiter, strict=True))
                yield Record(line, cells, at_end=_ends_text(text))
            except csv.Error:
                yield Record(line, [text.rstrip("\r\n")], broken=True)
        line += 1


def _ends_text(line: str) -> bool:
    return not line.endswith(("\n", "\r"))
