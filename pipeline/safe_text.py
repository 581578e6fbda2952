"""Text cells that are safe to open in a spreadsheet.

A cell that begins as a formula would gets a leading apostrophe (OWASP ASVS 5, 1.2.10, and its page on CSV injection);
numbers stay numbers. Blanks before the sign do not help an attacker: some programs strip them.
"""

from __future__ import annotations

import re

STARTS = "=+\\-@\uff1d\uff0b\uff0d\uff20"  # the last four are the full-width forms
FORMULA = f"^([\\t\\r\\n\\x00]|[\\s\\x{{00a0}}\\x{{feff}}]*[{STARTS}])"
PLAIN = (("A", "{"), ("0", ":"))  # from a character up to another by code: no cell that begins so is a formula
_FORMULA = re.compile(f"^([\\t\\r\\n\\x00]|[\\s\\u00a0\\ufeff]*[{STARTS}])", re.ASCII)


def safe_cell(text: str) -> str:
    """A text as a spreadsheet may open it."""
    return f"'{text}" if _FORMULA.match(text) else text


def safe_cell_sql(expression: str) -> str:
    """The same as SQL, of a text expression."""
    pattern = FORMULA.replace("'", "''")
    # Nearly every cell begins with a letter or digit, and comparing two characters costs less than a search.
    plain = " or ".join(f"({expression} >= '{first}' and {expression} < '{beyond}')" for first, beyond in PLAIN)
    return (
        f"case when {plain} then {expression} "
        f"when regexp_matches({expression}, '{pattern}') then '''' || {expression} else {expression} end"
    )
