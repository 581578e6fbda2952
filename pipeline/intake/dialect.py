"""What kind of text file this is: encoding, delimiter, decimal mark, ends of lines, and whether DuckDB may read it
as it is."""

from __future__ import annotations

import codecs
import hashlib
import io
import re
from collections import Counter
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np

from pipeline.errors import FleetError
from pipeline.intake.records import lines_of, records_of

CHUNK = 1 << 18  # what fits into a core's cache is looked at several times at the price of once
SAMPLE = 1 << 18
NEWLINE, UNDERSCORE = b"\n_"
BORDER = 40  # no number is longer
BYTES = [chr(n) for n in range(256)]
DIGIT = np.array([c.isascii() and c.isdigit() for c in BYTES])
WITHIN_NUMBER = np.array([c.isascii() and (c.isdigit() or c in "._+-") for c in BYTES])
LETTER = np.array([not c.isascii() or c.isalpha() for c in BYTES])
SAMPLE_RECORDS = 300
DELIMITERS = (",", ";", "\t", "|")
DECLARED = re.compile(r'"?sep=(.)"?', re.IGNORECASE)  # a first line that tells spreadsheets the delimiter
# How files begin that are no text and may be named as if they were: gzip, zip and workbooks, old workbooks, PDF, PNG.
NO_TEXT = (b"\x1f\x8b", b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"%PDF", b"\x89PNG")
BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
# Evidence of a decimal comma: not three digits behind it, which may as well be thousands, unless a 0 stands before it.
DECIMAL_COMMA = re.compile(r"\s*[-+]?(\d[\d.]*,(\d{1,2}|\d{4,})|0,\d+)\s*")
DECIMAL_POINT = re.compile(r"\s*[-+]?\d[\d,]*\.\d+\s*")


@dataclass(frozen=True)
class Bytes:
    """One pass over a file's bytes.

    odd_numbers: somewhere digits that begin a word are joined by _, or - follows +. To DuckDB 5_0 is 50, +-5 is -5.
    """

    size: int
    fingerprint: str
    newlines: int
    returns: int
    pairs: int
    nulls: bool
    utf8: bool
    ends_line: bool
    head: bytes
    odd_numbers: bool = False
    trouble: str | None = None

    @classmethod
    def unread(cls, trouble: str) -> Bytes:
        """A file whose bytes could not be read, and why."""
        return cls(0, "", 0, 0, 0, False, False, False, b"", trouble=trouble)


@dataclass(frozen=True)
class Dialect:
    """How to read one text file.

    decimal: ".", "," or "" where the sample shows no number with decimals.
    plain: DuckDB may read the file as it is; otherwise it is read record by record.
    header: the first record's cells; header_line: the physical line on which it starts.
    sample: the first records under it.
    """

    encoding: str
    delimiter: str
    decimal: str
    plain: bool
    header: tuple[str, ...]
    header_line: int
    sample: list[list[str]]


def scan_bytes(path: Path) -> Bytes:
    """Fingerprint and counts of a file, reading it once in pieces."""
    digest, decoder = hashlib.sha256(), codecs.getincrementaldecoder("utf-8")()
    size = newlines = returns = pairs = 0
    nulls, utf8, odd_numbers, head, last = False, True, False, b"", b""
    with path.open("rb") as file:
        while chunk := file.read(CHUNK):
            head = head or chunk[:SAMPLE]
            size += len(chunk)
            digest.update(chunk)
            newlines += int(np.count_nonzero(np.frombuffer(chunk, np.uint8) == NEWLINE))  # bytes.count stops at each
            odd_numbers = odd_numbers or _has_odd_number(chunk) or _has_odd_number(last + chunk[:BORDER])
            if b"\r" in chunk or last[-1:] == b"\r":
                returns += chunk.count(b"\r")
                pairs += chunk.count(b"\r\n") + (last[-1:] == b"\r" and chunk[:1] == b"\n")
            nulls = nulls or b"\0" in chunk
            if utf8 and not (chunk.isascii() and not decoder.getstate()[0]):
                utf8 = _decodes(decoder, chunk)
            last = (last + chunk[-BORDER:])[-BORDER:]
    utf8 = utf8 and not decoder.getstate()[0]
    ends_line = last[-1:] == b"\n"
    return Bytes(size, digest.hexdigest(), newlines, returns, pairs, nulls, utf8, ends_line, head, odd_numbers)


def _has_odd_number(piece: bytes) -> bool:
    """As `Bytes.odd_numbers`, of a piece of a file; where it begins within a word, that word is not looked at."""
    data = np.frombuffer(piece, np.uint8)
    marks = np.flatnonzero(data == UNDERSCORE)
    marks = marks[DIGIT[data[marks - 1]]]
    marks = marks[DIGIT[data[np.minimum(marks + 1, len(data) - 1)]]]
    while len(marks := marks[marks > 0]):  # back to where the words begin: most are names
        marks = marks - 1
        before = data[marks]
        if not (WITHIN_NUMBER | LETTER)[before].all():
            return True
        marks = marks[WITHIN_NUMBER[before]]
    return b"+" in piece and b"+-" in piece


def _decodes(decoder: codecs.IncrementalDecoder, chunk: bytes) -> bool:
    try:
        decoder.decode(chunk)
    except UnicodeDecodeError:
        return False
    return True


def dialect_of(name: str, scanned: Bytes) -> Dialect:
    """How to read the file whose bytes were scanned. Raises FleetError where it is no table of text."""
    if scanned.size == 0:
        raise FleetError(f"{name}: the file is empty; a header line is needed. Remove it or write it again.")
    encoding = _encoding(scanned)
    sample = scanned.head.decode(encoding, errors="replace")
    if scanned.head.startswith(NO_TEXT) or sample.count("\0") > len(sample) // 100:
        raise FleetError(f"{name}: this is not a text table. Export it as CSV or as an .xlsx workbook.")
    declared = DECLARED.fullmatch(next(lines_of(sample), "").strip("\r\n"))
    delimiter = declared.group(1) if declared else _delimiter(sample)
    if scanned.size > SAMPLE:
        sample = sample[: sample.rfind("\n") + 1] or sample  # without the line that the sample cuts
    records = [r for r in islice(records_of(lines_of(sample), delimiter), SAMPLE_RECORDS) if not r.broken]
    first = next((r for r in records if any(c.strip() for c in r.cells) and not (declared and r.line == 1)), None)
    if first is None:
        raise FleetError(f"{name}: holds no header line. Write the column names into the first line.")
    plain = (
        scanned.utf8
        and encoding in ("utf-8", "utf-8-sig")
        and not scanned.nulls
        and first.line == 1
        and scanned.returns == scanned.pairs  # DuckDB refuses a mixture of line ends, but for those within quotes
    )
    under = [r.cells for r in records if r.line > first.line]
    decimal = _decimal([cell for cells in under for cell in cells])
    return Dialect(encoding, delimiter, decimal, plain, tuple(c.strip() for c in first.cells), first.line, under)


def _encoding(scanned: Bytes) -> str:
    for bom, encoding in BOMS:
        if scanned.head.startswith(bom):
            return encoding
    if scanned.nulls and len(scanned.head) > 1:
        even, odd = scanned.head[0::2].count(0), scanned.head[1::2].count(0)
        if max(even, odd) > len(scanned.head) // 5:
            return "utf-16-le" if odd > even else "utf-16-be"
    return "utf-8" if scanned.utf8 else "cp1252"


def _delimiter(sample: str) -> str:
    """The candidate that cuts the header into the most cells, ends of quotes respected."""
    first = next((line for line in lines_of(sample) if line.strip()), "")
    bare = re.sub(r'"[^"]*"', "", first)
    counts = {d: bare.count(d) for d in DELIMITERS}
    best = max(DELIMITERS, key=lambda d: (counts[d], -DELIMITERS.index(d)))
    return best if counts[best] else ","


def _decimal(cells: list[str]) -> str:
    times = Counter(cells)
    commas = sum(n for c, n in times.items() if "," in c and DECIMAL_COMMA.fullmatch(c))
    points = sum(n for c, n in times.items() if "." in c and DECIMAL_POINT.fullmatch(c))
    if commas == points == 0:
        return ""
    return "," if commas > points else "."


def text_lines(path: Path, encoding: str) -> io.TextIOWrapper:
    """The file as text with its own ends of lines kept, undecodable bytes shown as U+FFFD."""
    return path.open(encoding=encoding, errors="replace", newline="")
