"""Proposals for headers that are not known: which of our columns each may be. Nothing is written here."""

from __future__ import annotations

import csv
import json
import re
import tomllib
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path

from pipeline.errors import FleetError, shown_value
from pipeline.intake.dialect import dialect_of, scan_bytes
from pipeline.intake.folder import input_files
from pipeline.intake.headers import plain_header
from pipeline.intake.parquet import sample_of
from pipeline.intake.workbook import workbook_records
from pipeline.schema import KINDS, Column, headers_of
from pipeline.settings import Settings

LEAST = 0.5
SAMPLED = 200
# Units as people write them into headers -> the suffix of ours that carries it.
UNIT_WORDS = {
    "°f": "f", "degf": "f", "f": "f", "fahrenheit": "f", "°c": "c", "degc": "c", "c": "c", "celsius": "c", "ppm": "ppm",
    "%": "pct", "pct": "pct", "percent": "pct", "vol": "pct", "psi": "psi", "bar": "bar", "kpa": "kpa", "µa": "ua",
    "μa": "ua", "ua": "ua",
    "s": "s", "sec": "s", "seconds": "s", "ft": "ft", "m": "m", "kg": "kg", "lb": "lb", "lbs": "lb", "kw": "kw",
    "kbtuh": "kbtuh",
    "gpg": "gpg",
}  # fmt: skip
NUMBER = re.compile(r"\s*[-+]?\d[\d.,\s]*(e[-+]?\d+)?\s*", re.IGNORECASE)
DATE = re.compile(r"\s*\d{1,4}[-./ ]\w{1,9}[-./ ]\d{1,4}.*|\s*\d{8}\s*")


@dataclass
class Proposal:
    """What each unknown header may be.

    found: kind -> {header: ours}. open: kind -> headers for which nothing fits. toml: the tables to add to fleet.toml.
    """

    found: dict[str, dict[str, str]] = field(default_factory=dict)
    open: dict[str, list[str]] = field(default_factory=dict)

    @property
    def toml(self) -> str:
        return "\n".join(
            f"[columns.{kind}]\n"
            + "".join(f"{json.dumps(h, ensure_ascii=False)} = {json.dumps(o)}\n" for h, o in pairs.items())
            for kind, pairs in self.found.items()
        )

    def added_to(self, text: str) -> str:
        """The text of a fleet.toml with the proposals in it; a table that is there already gets the new lines.

        Raises FleetError where it stands in a form that takes no lines, as visits = {} under [columns].
        """
        for kind, pairs in self.found.items():
            lines = "".join(f"{json.dumps(h, ensure_ascii=False)} = {json.dumps(o)}\n" for h, o in pairs.items())
            table = re.search(rf"^[ \t]*\[[ \t]*columns[ \t]*\.[ \t]*{kind}[ \t]*\][^\n]*(\n|$)", text, re.MULTILINE)
            if table:
                head = text[: table.end()]
                text = head + ("" if head.endswith("\n") else "\n") + lines + text[table.end() :]
            else:
                text = (text.rstrip("\n") + "\n\n" if text.strip() else "") + f"[columns.{kind}]\n{lines}"
        try:
            tomllib.loads(text.removeprefix("\ufeff"))
        except tomllib.TOMLDecodeError as error:
            raise FleetError(
                "fleet.toml: its columns do not stand in tables of their own, as [columns.visits], and lines cannot be "
                "added to them. Nothing was written; add those above by hand."
            ) from error
        return text

    def __str__(self) -> str:
        if not self.found and not self.open:
            return "Every header is known; there is nothing to map."
        parts = []
        if self.found:
            parts.append(
                "Proposed for fleet.toml; look it over, then add it (or run again with --write):\n\n" + self.toml
            )
        for kind, headers in self.open.items():
            shown = ", ".join(shown_value(h) for h in headers)
            parts.append(f"{kind}: nothing fits {shown}; left out when reading.\n")
        return "\n".join(parts)


def propose(fleet: Path, settings: Settings) -> Proposal:
    """Look at the headers and a few rows of every file of the folder. Files that cannot be read are passed over."""
    proposal = Proposal()
    found, _ = input_files(fleet, settings)
    for kind in KINDS:
        unknown: dict[str, list[str]] = {}
        taken: set[str] = set()
        for file in (f for f in found if f.kind == kind):
            try:
                header, rows = _look(file.path, file.name)
            except (FleetError, OSError):
                continue
            given = {plain_header(h) for h in settings.columns.get(kind, {})}
            for position, head in enumerate(header):
                plain = plain_header(head)
                if plain in headers_of(kind):
                    taken.add(headers_of(kind)[plain][0].quantity)
                elif head.strip() and plain not in given:
                    cells = [r[position] for r in rows if position < len(r) and r[position].strip()]
                    unknown.setdefault(head.strip(), []).extend(cells[:SAMPLED])
        taken |= {headers_of(kind)[ours][0].quantity for ours in settings.columns.get(kind, {}).values() if ours}
        pairs = match_headers(kind, unknown, taken)
        if pairs:
            proposal.found[kind] = pairs
        left = [h for h in unknown if h not in pairs]
        if left:
            proposal.open[kind] = left
    return proposal


def _look(path: Path, name: str) -> tuple[Sequence[str], list[list[str]]]:
    if path.suffix.lower() == ".xlsx":
        records = [r.cells for _, r in zip(range(SAMPLED), workbook_records(path, name), strict=False)]
        return (records[0], records[1:]) if records else ([], [])
    if path.suffix.lower() == ".parquet":
        return sample_of(path, name, SAMPLED)
    dialect = dialect_of(name, scan_bytes(path))
    return dialect.header, dialect.sample[:SAMPLED]


def match_headers(kind: str, unknown: dict[str, list[str]], taken: Iterable[str] = ()) -> dict[str, str]:
    """Header -> ours, best matches first, each quantity once.

    unknown: header -> some of its cells. taken: quantities that the files give already.
    """
    scores = []
    for head, cells in unknown.items():
        words, unit = _words(head)
        for ours, (column, _) in headers_of(kind).items():
            score = _score(words, unit, ours, column)
            if score >= LEAST and _cells_fit(column, cells):
                scores.append((score, ours, head, column.quantity))
    pairs: dict[str, str] = {}
    used = set(taken)
    for _, ours, head, quantity in sorted(scores, key=lambda s: (-s[0], s[2], s[1])):
        if head not in pairs and quantity not in used:
            pairs[head] = ours
            used.add(quantity)
    return {h: pairs[h] for h in unknown if h in pairs}


@cache
def _synonyms() -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    with (files("pipeline.intake") / "header_words.csv").open("r", encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            for word in row["written"].split(";"):
                found.setdefault(word, set()).add(row["word"])
    return found


def _words(header: str) -> tuple[set[str], str | None]:
    """The words of a header as ours where they are known, and its unit."""
    text = unicodedata.normalize("NFKC", header).lower().replace("ß", "ss")
    text = text.replace("ä", "ae").replace("ö", "oe").replace("ü", "ue")
    text = re.sub(r"(?<=[a-z])(?=\d)|(?<=\d)(?=[a-z])", "", text)
    unit: str | None = None
    words: set[str] = set()
    for part in re.findall(r"°\s?[cf]\b|[µμ]a\b|%|[a-z0-9]+", text):
        token = part.replace(" ", "")
        if token in UNIT_WORDS and (token not in ("s", "m", "c", "f", "vol") or words):
            unit = UNIT_WORDS[token]
            if token != "ppm":
                continue
        words |= _synonyms().get(token, {token})
    return words, unit


def _score(words: set[str], unit: str | None, ours: str, column: Column) -> float:
    wanted, own_unit = _words(ours.replace("_", " "))
    suffix = ours.rsplit("_", 1)[-1]
    wanted -= {"ppm"}
    words = words - {"ppm"}
    if unit is not None and column.type == "number" and suffix in set(UNIT_WORDS.values()) and unit != suffix:
        return 0.0
    if unit is not None and column.type != "number":
        return 0.0
    if own_unit in ("f", "psi", "bar", "ft", "lb", "gpg", "kbtuh") and unit != own_unit:
        return 0.0
    if not wanted:
        return 0.0
    shared = len(words & wanted)
    return shared / len(wanted) * 0.7 + shared / max(len(words), 1) * 0.3 if shared else 0.0


def _cells_fit(column: Column, cells: list[str]) -> bool:
    if not cells:
        return True
    if column.type == "number":
        return sum(1 for c in cells if NUMBER.fullmatch(c)) >= 0.8 * len(cells)
    if column.type in ("date", "week"):
        return sum(1 for c in cells if DATE.fullmatch(c)) >= 0.8 * len(cells)
    if column.type == "choice":
        return sum(1 for c in cells if plain_header(c) in column.allowed) >= 0.5 * len(cells)
    if column.type == "boolean":
        return len(set(cells)) <= 6
    return True
