"""Colours, type and number formats: the one place where the look of charts and pages is settled."""

from __future__ import annotations

import math
import re
import unicodedata
from datetime import date
from typing import Any

# Okabe and Ito's colours that keep a contrast of 3 to 1 on white and on the dark card.
BLUE = "#0072B2"
VERMILLION = "#D55E00"
GREEN = "#009E73"
PURPLE = "#CC79A7"
GREY = "#767676"

# state: sign, word, colour, Vega shape. Never colour alone.
STATES: dict[str, tuple[str, str, str, str]] = {
    "out_of_range": ("▲", "out of range", VERMILLION, "triangle-up"),
    "due": ("◆", "due within 90 days", PURPLE, "diamond"),
    "in_range": ("●", "in range", BLUE, "circle"),
    "unknown": ("○", "unknown", GREY, "circle"),
}
STATE_ORDER = list(STATES)

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
NBSP = "\u00a0"
DASH = "–"
NOT_KNOWN = "not recorded"

# digits after the point by unit shown
DECIMALS = {
    "K": 1,
    "°F": 1,
    "°C": 1,
    "ppm": 0,
    "%": 1,
    "µA": 1,
    "s": 0,
    "pH": 1,
    "kPa": 0,
    "psi": 1,
    "h": 1,
    "kg": 1,
    "lb": 1,
    "kW": 1,
    "kBtu/h": 0,
    "mg/L": 0,
    "gpg": 1,
    "m": 0,
    "ft": 0,
}


CONVERTED = frozenset({"°F", "psi"})  # limits are entered in kelvin and kilopascal
MORE_DIGITS = 2  # than go with a unit, at most, where a value or the end of a range wants them


def number(value: Any, decimals: int = 0) -> str:
    """A number with thousands set apart by a comma; a dash where there is none."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return DASH
    text = f"{float(value):,.{decimals}f}"
    if text[0] != "-":
        return text
    return text.replace("-", "−") if float(text.replace(",", "")) != 0 else text.replace("-", "")


def quantity(value: Any, unit: str, decimals: int | None = None) -> str:
    """A number and its unit, kept on one line. pH is written before its number."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return DASH
    shown = number(value, DECIMALS.get(unit, 1) if decimals is None else decimals)
    if unit == "pH":
        return f"pH{NBSP}{shown}"
    return f"{shown}{NBSP}{unit}" if unit else shown


def rate(value: Any) -> str:
    """A drift per 1,000 burner hours with two figures that count, without unit."""
    if value is None or not math.isfinite(value):
        return DASH
    if value == 0:
        return "0"
    decimals = max(0, min(4, 1 - math.floor(math.log10(float(f"{abs(value):.1e}")))))
    return ("+" if value > 0 else "") + number(value, decimals)


def chance(p: Any) -> str:
    """A chance in whole per cent; never a certainty that was not computed as one."""
    if p is None or not math.isfinite(p):
        return DASH
    if p <= 0.005:
        return f"under 1{NBSP}%"
    if p >= 0.995:
        return f"over 99{NBSP}%"
    return f"{100 * p:.0f}{NBSP}%"


def percent(share: float) -> str:
    """A share that was chosen, not estimated, as it was written: '10 %', '0.2 %'."""
    return f"{100 * share:.4g}{NBSP}%"


def share(part: Any) -> str:
    """A share that was counted, in whole per cent: none and all of them are known as such."""
    return f"{100 * part:.0f}{NBSP}%" if part in (0, 1) else chance(part)


def day(on: date | None) -> str:
    """5 Jan 2026: no reader can take the month for the day."""
    return f"{on.day}{NBSP}{MONTHS[on.month - 1]}{NBSP}{on.year}" if on else DASH


def month(on: date | None) -> str:
    return f"{MONTHS[on.month - 1]}{NBSP}{on.year}" if on else DASH


def named(name: Any, longest: int = 60) -> str:
    """A user's name within a sentence, a title or a chart's label: not endless, and so that one written from right to
    left does not carry the figures beside it along (Unicode Standard Annex 9, 2.4: isolates). In elements of a page
    <bdi> does it."""
    text = DASH if name is None or name == "" else str(name)
    if len(text) > longest:
        text = f"{text[: longest - 1].rstrip()}…"
    return f"\u2068{text}\u2069" if any(unicodedata.bidirectional(c) in ("R", "AL", "AN") for c in text) else text


def by_name(name: str | None) -> list[tuple[int, str]]:
    """A key that sorts names as people do: Ward 2 before Ward 10."""
    parts = re.split(r"0*([0-9]+)", (name or "").casefold())
    return [(len(part) if k % 2 else 0, part) for k, part in enumerate(parts)]


def plural(count: int, one: str, many: str | None = None) -> str:
    """'1 install', '2,300 installs'."""
    return f"{count:,}{NBSP}{one if count == 1 else many or one + 's'}"


def limit_digits(limit: Any, unit: str) -> int:
    """Digits behind the point with which the end of a range is told: those of its unit, or up to MORE_DIGITS more that
    it was written with. A maker's 0.75 µA is no 0.8; 150 kPa were not written as 21.756 psi."""
    usual = DECIMALS.get(unit, 1)
    if unit in CONVERTED or limit is None or not math.isfinite(limit):
        return usual
    written = (d for d in range(usual, usual + MORE_DIGITS + 1) if math.isclose(round(limit, d), limit, rel_tol=1e-9))
    return next(written, usual)


def limit_text(limit: Any, unit: str) -> str:
    """One end of a range: '30.0 K', '0.75 µA', 'pH 6.5'."""
    return quantity(limit, unit, limit_digits(limit, unit))


def limits_text(low: Any, high: Any, unit: str) -> str:
    """'at most 30.0 K', '3.0 to 7.0 %', 'at least 1.5 µA', 'no limit known'."""
    if low is None and high is None:
        return "no limit known"
    if low is None:
        return f"at most {limit_text(high, unit)}"
    if high is None:
        return f"at least {limit_text(low, unit)}"
    return _both_limits(low, high, unit, " to ")


def _both_limits(low: Any, high: Any, unit: str, between: str) -> str:
    if unit == "pH":
        return f"{limit_text(low, unit)}{between}{number(high, limit_digits(high, unit))}"
    return f"{number(low, limit_digits(low, unit))}{between}{limit_text(high, unit)}"


def limits_short(low: Any, high: Any, unit: str) -> str:
    """'≤ 30.0 K', '3.0–7.0 %', '≥ 1.5 µA': for where there is little room."""
    if low is None and high is None:
        return DASH
    if low is None:
        return f"≤{NBSP}{limit_text(high, unit)}"
    if high is None:
        return f"≥{NBSP}{limit_text(low, unit)}"
    return _both_limits(low, high, unit, "–")


FONT = "system-ui, 'Segoe UI', 'Helvetica Neue', 'Liberation Sans', Arial, sans-serif"
CONFIG: dict[str, Any] = {  # the common type and lines; colours are set by the page, dark throughout on a dark one
    "font": FONT,
    "view": {"stroke": None},
    "axis": {
        "labelFontSize": 12,
        "titleFontSize": 13,
        "titleFontWeight": "normal",
        "tickSize": 4,
        "labelLimit": 210,
        "labelSeparation": 6,  # pixels; nearer than that two numbers read as one
        "titlePadding": 8,
    },
    "legend": {
        "labelFontSize": 12,
        "titleFontSize": 13,
        "titleFontWeight": "normal",
        "orient": "top",
        "labelLimit": 260,
        "titleLimit": 0,
        "symbolStrokeWidth": 2,
    },
    "header": {"labelFontSize": 12, "titleFontSize": 13},
    "axisTemporal": {"labelOverlap": "greedy"},
}
LIGHT: dict[str, Any] = {
    "background": "transparent",
    "axis": {
        "labelColor": "#1b1f24",
        "titleColor": "#1b1f24",
        "gridColor": "#c9ced4",
        "domainColor": "#57606a",
        "tickColor": "#57606a",
    },
    "legend": {"labelColor": "#1b1f24", "titleColor": "#1b1f24"},
    "text": {"color": "#1b1f24"},
    "title": {"color": "#1b1f24"},
}
