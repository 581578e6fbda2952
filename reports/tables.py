"""Tables of the pages: captioned, with headings that screen readers follow and numbers set right."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

import polars as pl
from markupsafe import Markup, escape

from reports import theme


@dataclass(frozen=True)
class Column:
    """One column: its heading (with the unit), how a row's value becomes text, and whether it is set as a number."""

    title: str
    text: Callable[[dict[str, Any]], Any]
    numeric: bool = False


@dataclass
class Table:
    """A table ready to be written. note: said below it, as how many rows were left out."""

    caption: str
    columns: Sequence[Column]
    rows: list[list[Any]] = field(default_factory=list)
    note: str = ""
    stack: bool = False  # on a phone each row becomes a block of its own, its headings beside the values


def words(key: str) -> Callable[[dict[str, Any]], Any]:
    """The value as text that a user wrote, kept apart from its surroundings in writing direction."""
    return lambda row: bdi(row[key])


def figures(key: str, decimals: int = 0) -> Callable[[dict[str, Any]], str]:
    return lambda row: theme.number(row[key], decimals)


def shares(key: str) -> Callable[[dict[str, Any]], str]:
    return lambda row: theme.share(row[key])


def dates(key: str) -> Callable[[dict[str, Any]], str]:
    return lambda row: theme.day(row[key])


def chances(key: str) -> Callable[[dict[str, Any]], str]:
    return lambda row: theme.chance(row[key])


def bdi(value: Any) -> Markup:
    """A text of the user's as element text; a dash where there is none."""
    return Markup("<bdi>") + escape(theme.DASH if value is None or value == "" else str(value)) + Markup("</bdi>")


def find_link(label: str, words: str) -> Markup:
    """A link to the installs of a model, through the install search. The words travel percent-encoded after the #."""
    wanted = "q=" + quote(words, safe="")
    return Markup('<a href="visits.html#{}"><bdi>{}</bdi></a>').format(wanted, label)


def state_mark(state: str) -> Markup:
    """A state's sign and word: never colour alone."""
    sign, word, _, _ = theme.STATES[state]
    return Markup(f'<span class="state {state}"><span aria-hidden="true">{sign}</span> {word}</span>')


def build(
    caption: str,
    frame: pl.DataFrame,
    columns: Sequence[Column],
    limit: int = 300,
    note: str = "",
    rest: tuple[str, str] = ("row", "rows"),
    where: str = "",
) -> Table:
    """A table of the frame's first rows. What is left out is said: how many (`rest`: the word for one, for several) and
    where they stand."""
    table = Table(caption, columns, note=note)
    for row in frame.head(limit).iter_rows(named=True):
        table.rows.append([c.text(row) for c in columns])
    if frame.height > limit:
        left = frame.height - limit
        more = f"{left:,} more {rest[left > 1]} {where}".strip() + "."
        table.note = f"{table.note} {more}".strip()
    return table
