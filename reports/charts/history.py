"""The small picture on a visit card: readings against their limits, and the forecast. SVG as text.

Written by hand rather than by the charting library because a card must show it in a cellar without a signal, without a
script, on paper and by the hundred; each is about 1.5 kB and takes its colours from the page.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from markupsafe import Markup, escape

from reports import theme

WIDTH, HEIGHT = 340, 150
LEFT, RIGHT, TOP, BOTTOM = 40, 8, 12, 22


@dataclass(frozen=True)
class History:
    """What one picture shows; every value in `unit`, every date a day.

    readings: (on, value, as_left). fan: (on, low, middle, high), the 10, 50 and 90 % of what is to be expected.
    """

    title: str
    unit: str
    readings: Sequence[tuple[date, float, bool]]
    fan: Sequence[tuple[date, float, float, float]]
    low: float | None
    high: float | None
    as_of: date


def nice_ticks(low: float, high: float, count: int = 4) -> list[float]:
    """Round values from low to high, about `count` of them."""
    if not high > low:
        return [low]
    raw = (high - low) / count
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(s * size for s in (1, 2, 2.5, 5, 10) if s * size >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 10) for k in range(first, last + 1)]


def history_svg(h: History) -> Markup:
    """The picture; an empty text where there is neither a reading nor a forecast."""
    values = [v for _, v, _ in h.readings] + [v for _, a, b, c in h.fan for v in (a, b, c)]
    if not values:
        return Markup("")
    read_on, fan_on = [d.toordinal() for d, _, _ in h.readings], [f[0].toordinal() for f in h.fan]
    days = [*read_on, *fan_on, h.as_of.toordinal()]
    # A limit far off the readings would flatten them: then its line is left out and the text beneath gives it.
    measured = [v for _, v, _ in h.readings] or values
    spread = max(max(measured) - min(measured), 0.15 * max(abs(max(measured)), 1e-6))
    near = [
        x for x in (h.low, h.high) if x is not None and min(measured) - 4 * spread <= x <= max(measured) + 4 * spread
    ]
    floor, ceiling = min(measured + near), max(measured + near)
    middle = [f[2] for f in h.fan]
    if middle:  # the middle of the forecast is to be seen, but may not squeeze the readings into a corner
        reach = max(ceiling - floor, spread)
        floor = min(floor, max(min(middle), floor - 0.6 * reach))
        ceiling = max(ceiling, min(max(middle), ceiling + 0.6 * reach))
    pad = 0.08 * max(ceiling - floor, spread * 0.5)
    floor, ceiling = floor - pad, ceiling + pad
    if floor < 0 <= min(measured):
        floor = 0.0
    d0, d1 = min(days), max(days)
    d1 = max(d1, d0 + 30)

    across, along, high, apart = WIDTH - LEFT - RIGHT, d1 - d0, HEIGHT - TOP - BOTTOM, ceiling - floor

    def px(day_no: float) -> float:
        return LEFT + across * (day_no - d0) / along

    def py(value: float) -> float:
        inside = floor if value < floor else ceiling if value > ceiling else value
        return HEIGHT - BOTTOM - high * ((inside - floor) / apart)

    parts = [f'<svg class="hist" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(_spoken(h))}">']
    ticks = nice_ticks(floor, ceiling)
    digits = (
        0
        if all(float(t).is_integer() for t in ticks)
        else 1
        if all(round(t * 10, 6).is_integer() for t in ticks)
        else 2
    )
    for tick in ticks:
        y = py(tick)
        parts.append(
            f'<path class="g" d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}"/><text x="{LEFT - 5}" y="{y + 4:.1f}" '
            f'class="e">{theme.number(tick, digits)}</text>'
        )
    first_year, last_year = date.fromordinal(d0).year + 1, date.fromordinal(d1).year
    every = max(1, math.ceil((last_year - first_year + 1) / 6))
    for year in range(first_year, last_year + 1, every):
        x = px(date(year, 1, 1).toordinal())
        if x < WIDTH - 24:
            parts.append(
                f'<path class="g" d="M{x:.1f} {HEIGHT - BOTTOM}v4"/><text x="{x:.1f}" y="{HEIGHT - 5}" '
                f'class="m">{year}</text>'
            )
    if h.fan:
        at = [f"{px(day_no):.1f}" for day_no in fan_on]
        up = [f"{x} {py(f[3]):.1f}" for x, f in zip(at, h.fan, strict=True)]
        down = [f"{x} {py(f[1]):.1f}" for x, f in zip(reversed(at), reversed(h.fan), strict=True)]
        parts.append(f'<path class="fan" d="M{"L".join(up + down)}Z"/>')
        line = [f"{x} {py(f[2]):.1f}" for x, f in zip(at, h.fan, strict=True) if floor <= f[2] <= ceiling]
        if len(line) > 1:
            parts.append(f'<path class="mid" d="M{"L".join(line)}"/>')
        last = h.fan[-1][2]
        if not floor <= last <= ceiling:  # the line leaves the picture: say where to
            y = TOP + 10 if last > ceiling else HEIGHT - BOTTOM - 4
            parts.append(f'<text x="{WIDTH - RIGHT}" y="{y}" class="e">{"↑" if last > ceiling else "↓"} '
                         f"{theme.number(last, theme.DECIMALS.get(h.unit, 1))}</text>")  # fmt: skip
    for limit in near:
        parts.append(f'<path class="lim" d="M{LEFT} {py(limit):.1f}H{WIDTH - RIGHT}"/>')
    x = px(h.as_of.toordinal())
    parts.append(f'<path class="now" d="M{x:.1f} {TOP}V{HEIGHT - BOTTOM}"/>')
    for day_no, (_, value, as_left) in zip(read_on, h.readings, strict=True):
        x, y = px(day_no), py(value)
        if (h.high is not None and value > h.high) or (h.low is not None and value < h.low):
            parts.append(f'<path class="{"out left" if as_left else "out"}" d="M{x:.1f} {y - 4.5:.1f}l4.5 8h-9z"/>')
        else:
            parts.append(f'<circle class="{"in left" if as_left else "in"}" cx="{x:.1f}" cy="{y:.1f}" r="3.4"/>')
    parts.append("</svg>")
    return Markup("".join(parts))


def _spoken(h: History) -> str:
    said = [f"{h.title}: {theme.plural(len(h.readings), 'reading')}"]
    if h.readings:
        on, value, _ = max(h.readings)
        said.append(f"the last {theme.quantity(value, h.unit)} on {theme.day(on)}")
    said.append(
        f"allowed {theme.limits_text(h.low, h.high, h.unit)}" if (h.low, h.high) != (None, None) else "no limit known"
    )
    if h.fan:
        said.append(f"expected {theme.quantity(h.fan[-1][2], h.unit)} by {theme.day(h.fan[-1][0])} if nobody visits")
    return ", ".join(said)
