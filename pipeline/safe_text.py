"""Text cells that are safe to open in a spreadsheet.

A cell that begins as a formula would gets a leading apostrophe (OWASP ASVS 5, 1.2.10, and its page on CSV injection);
numbers stay numbers. Blanks before the sign do not help an attacker: some programs strip them.
"""

from __future__ import annotations

import re

STARTS = "=+\\-@\uff1d\uff0b\uff0d\uff20"  # the last four are the full-width forms
FORMULA = re.compile(f"^([\\t\\r\\n\\x00]|[\\s\\u00a0\\ufeff]*[{STARTS}])", re.ASCII)


def safe_cell(text: str) -> str:
    """A text as a spreadsheet may open it."""
    return f"'{text}" if FORMULA.match(text) else text
