"""The one error that a user is meant to read."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class FleetError(Exception):
    """Something the user can mend: one clear sentence saying where, what was met, what is allowed, what to do."""


class PassingError(FleetError):
    """One that may be gone when the same is tried again: a folder in use, a network that fails."""


def shown_value(value: object, longest: int = 60) -> str:
    """A value as written, cut and quoted so that it can stand inside a sentence on a terminal."""
    text = str(value)
    shown = printable(text[: longest + 1])
    return f"'{shown[:longest]}…'" if len(text) > longest else f"'{shown}'"


def printable(text: str) -> str:
    """A text without what would steer a terminal or turn its writing direction."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that comes closest to `word`, or None where nothing does."""
    by_small_letters = {name.lower(): name for name in known}
    found = difflib.get_close_matches(word.lower(), by_small_letters, n=1, cutoff=0.6)
    return by_small_letters[found[0]] if found else None


def unknown_word(where: str, what: str, word: str, known: Iterable[str], cure: str = "") -> FleetError:
    """The error for a word outside a closed list: names the nearest one, or lists all."""
    names = sorted(known)
    close = nearest(word, names)
    allowed = f"did you mean '{close}'?" if close else "known are " + ", ".join(names) + "."
    return FleetError(f"{where}: {what} {shown_value(word)} is not known; {allowed}" + (f" {cure}" if cure else ""))
