"""The small pictures on visit cards: readings against their limits, and the forecast. SVG as text.

Written by hand rather than by the charting library because a card must show them in a cellar without a signal, without
a script, on paper and by the thousand; each is about 1.5 kB and takes its colours from the page. They are drawn
together, coordinates as arrays: one by one they took a sixth of the time of all pages.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from markupsafe import escape

from reports import theme
from reports.told import decimals, formatted, joined, quantities, tenths, told

WIDTH, HEIGHT = 340, 150
LEFT, RIGHT, TOP, BOTTOM = 40, 8, 12, 22
WIDEST = 5  # letters of a number beside the picture that fit there as they are
FOOT = HEIGHT - BOTTOM
TICKS, YEARS = 4, 6  # about so many, and at most
STEPS = np.array([1, 2, 2.5, 5, 10])
LEAST_POWER = -300
POWERS = np.array([10.0**k for k in range(LEAST_POWER, 300)])

Marks = tuple[np.ndarray, pl.Series]  # the picture of each mark, and its text


@dataclass(frozen=True)
class Frames:
    """What each picture spans: the values at its foot and head, the first and the last day. (n,)"""

    floor: np.ndarray
    ceiling: np.ndarray
    first: np.ndarray
    last: np.ndarray

    def x(self, at: np.ndarray, day: np.ndarray) -> np.ndarray:
        """Pixels from the left of days in the pictures `at`; both (m,)."""
        first, last = self.first[at], self.last[at]
        return LEFT + (WIDTH - LEFT - RIGHT) * (day - first) / (last - first)

    def y(self, at: np.ndarray, value: np.ndarray) -> np.ndarray:
        """Pixels from the top of values in the pictures `at`; both (m,). What lies beyond is drawn at the edge."""
        floor, ceiling = self.floor[at], self.ceiling[at]
        return FOOT - (FOOT - TOP) * ((np.clip(value, floor, ceiling) - floor) / (ceiling - floor))


@dataclass(frozen=True)
class Readings:
    """at: the picture of each, ascending; day since 1970; value; after_work. (m,)"""

    at: np.ndarray
    day: np.ndarray
    value: np.ndarray
    after_work: np.ndarray


@dataclass(frozen=True)
class Fans:
    """at: the picture of each day, ascending; day since 1970; low, middle, high: 10, 50 and 90 %. (m,)"""

    at: np.ndarray
    day: np.ndarray
    low: np.ndarray
    middle: np.ndarray
    high: np.ndarray


def history_svgs(pictures: pl.DataFrame, readings: pl.DataFrame, fans: pl.DataFrame, as_of: date) -> pl.Series:
    """The pictures; an empty text where there is neither a reading nor a forecast.

    pictures: label, unit, limit_low and limit_high (or null). readings: at (row of its picture, ascending), visited_on,
    value, left (whether after work). fans: at, on, low, middle, high: the 10, 50 and 90 % of what is to be expected.
    Readings and fans are in the order of their days, all values in the unit of their picture.
    """
    read = Readings(*(_array(readings[name]) for name in ("at", "visited_on", "value", "left")))
    fan = Fans(*(_array(fans[name]) for name in ("at", "on", "low", "middle", "high")))
    limits = np.column_stack([pictures[name].cast(pl.Float64).to_numpy() for name in ("limit_low", "limit_high")])
    today = int(_array(pl.Series([as_of]))[0])
    drawn = np.union1d(read.at, fan.at)
    frames, near = _frames(pictures.height, read, fan, limits, today)
    now = tenths(frames.x(drawn, np.full(len(drawn), today)))
    start = f'<svg class="hist" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{{}}">'
    marks: list[Marks] = [
        (drawn, formatted(start, _spoken(pictures, readings, fans).gather(drawn))),
        _ticks(frames, drawn),
        _years(frames, drawn),
        *_forecasts(frames, pictures["unit"], fan),
        *(_limits(frames, np.flatnonzero(near[:, k]), limits[:, k]) for k in (0, 1)),
        (drawn, formatted(f'<path class="now" d="M{{}} {TOP}V{FOOT}"/>', now)),
        _readings(frames, read, limits),
        (drawn, pl.repeat("</svg>", len(drawn), eager=True)),
    ]
    return joined(pl.concat([text for _, text in marks]), np.concatenate([at for at, _ in marks]), pictures.height)


def _array(column: pl.Series) -> np.ndarray:
    """Values as they are; days as numbers since 1970."""
    return column.to_physical().to_numpy()


def _frames(n: int, read: Readings, fan: Fans, limits: np.ndarray, today: int) -> tuple[Frames, np.ndarray]:
    """What the pictures span, and which limits are drawn, (n, 2)."""
    least, most = _extent(n, (read.at, read.value))
    unread = np.isinf(least)
    least_ahead, most_ahead = _extent(n, (fan.at, fan.low), (fan.at, fan.middle), (fan.at, fan.high))
    least, most = np.where(unread, least_ahead, least), np.where(unread, most_ahead, most)
    none = np.isinf(least)  # neither read nor forecast: never drawn
    least[none], most[none] = 0.0, 0.0
    # A limit far off the readings would flatten them: then its line is left out and the text beneath gives it.
    spread = np.maximum(most - least, 0.15 * np.maximum(np.abs(most), 1e-6))
    near = (limits >= (least - 4 * spread)[:, None]) & (limits <= (most + 4 * spread)[:, None])
    floor = np.minimum(least, np.where(near, limits, np.inf).min(axis=1))
    ceiling = np.maximum(most, np.where(near, limits, -np.inf).max(axis=1))
    # The middle of the forecast is to be seen, but may not squeeze the readings into a corner.
    lowest, highest = _extent(n, (fan.at, fan.middle))
    reach = np.maximum(ceiling - floor, spread)
    floor, ceiling = (
        np.minimum(floor, np.maximum(lowest, floor - 0.6 * reach)),
        np.maximum(ceiling, np.minimum(highest, ceiling + 0.6 * reach)),
    )
    pad = 0.08 * np.maximum(ceiling - floor, spread * 0.5)
    floor, ceiling = floor - pad, ceiling + pad
    floor = np.where((floor < 0) & (least >= 0), 0.0, floor)
    first, last = _extent(n, (read.at, read.day), (fan.at, fan.day), (np.arange(n), np.full(n, today)))
    return Frames(floor, ceiling, first, np.maximum(last, first + 30)), near & ~none[:, None]


def _extent(n: int, *given: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """The least and the greatest value of each picture, (n,); infinite where it has none. given: pictures, values."""
    least, most = np.full(n, np.inf), np.full(n, -np.inf)
    for at, value in given:
        np.minimum.at(least, at, value)
        np.maximum.at(most, at, value)
    return least, most


def nice_ticks(low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Round values from low to high, about TICKS of them for each pair: the number of the pair, and the value."""
    raw = (high - low) / TICKS
    size = POWERS[np.floor(np.log10(raw)).astype(np.int64) - LEAST_POWER]
    fits = STEPS * size[:, None] >= raw[:, None] * 0.999
    step = STEPS[fits.argmax(axis=1)] * size
    first = np.ceil(low / step - 1e-9).astype(np.int64)
    at, k = _counted(np.floor(high / step + 1e-9).astype(np.int64) - first + 1)
    return at, np.round((first[at] + k) * step[at], 10)


def _counted(counts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """0, 1, … below each count: which count, and the number."""
    counts = np.maximum(counts, 0)
    at = np.repeat(np.arange(len(counts)), counts)
    return at, np.arange(len(at)) - np.repeat(np.cumsum(counts) - counts, counts)


def _ticks(frames: Frames, drawn: np.ndarray) -> Marks:
    place, tick = nice_ticks(frames.floor[drawn], frames.ceiling[drawn])
    at = drawn[place]
    digits = np.zeros(len(frames.floor), np.int64)  # as the one needs that needs most
    np.maximum.at(digits, at, np.where(tick % 1 == 0, 0, np.where(np.round(tick * 10, 6) % 1 == 0, 1, 2)))
    y = frames.y(at, tick)
    pattern = (
        f'<path class="g" d="M{LEFT} {{}}H{WIDTH - RIGHT}"/><text x="{LEFT - 5}" y="{{}}" class="e"{{}}>{{}}</text>'
    )
    words = told(theme.number, pl.Series(tick), pl.Series(digits[at]))
    pressed = f' textLength="{LEFT - 7}" lengthAdjust="spacingAndGlyphs"'  # 20,000 would lose its first digit
    fitted = pl.select(pl.when(words.str.len_chars() > WIDEST).then(pl.lit(pressed)).otherwise(pl.lit(""))).to_series()
    return at, formatted(pattern, tenths(y), tenths(y + 4), fitted, words)


def _years(frames: Frames, drawn: np.ndarray) -> Marks:
    first, last = (_year(day[drawn]) for day in (frames.first, frames.last))
    first = first + 1
    every = np.maximum(1, np.ceil((last - first + 1) / YEARS)).astype(np.int64)
    place, k = _counted(-((first - last - 1) // every))
    year = first[place] + k * every[place]
    x = frames.x(drawn[place], (year - 1970).astype("datetime64[Y]").astype("datetime64[D]").astype(np.int64))
    inside = x < WIDTH - 24
    across = tenths(x[inside])
    pattern = f'<path class="g" d="M{{}} {FOOT}v4"/><text x="{{}}" y="{HEIGHT - 5}" class="m">{{}}</text>'
    return drawn[place][inside], formatted(pattern, across, across, pl.Series(year[inside]))


def _year(day: np.ndarray) -> np.ndarray:
    return day.astype(np.int64).astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970


def _forecasts(frames: Frames, units: pl.Series, fan: Fans) -> list[Marks]:
    """The band, the line in its middle, and where that leaves the picture, an arrow that says where to."""
    n = len(frames.floor)
    x = tenths(frames.x(fan.at, fan.day))
    up, line, down = (
        formatted("{} {}", x, tenths(frames.y(fan.at, value))) for value in (fan.high, fan.middle, fan.low)
    )
    at = np.unique(fan.at)
    there = joined(up, fan.at, n, "L").gather(at)
    back = joined(down.reverse(), fan.at[::-1], n, "L").gather(at)
    inside = (frames.floor[fan.at] <= fan.middle) & (fan.middle <= frames.ceiling[fan.at])
    seen = np.flatnonzero(np.bincount(fan.at[inside], minlength=n) > 1)
    middle = joined(line.filter(pl.Series(inside)), fan.at[inside], n, "L").gather(seen)
    ends = np.flatnonzero(np.append(fan.at[1:] != fan.at[:-1], True))[: len(fan.at)]
    ends = ends[~inside[ends]]
    last, gone = fan.middle[ends], fan.at[ends]
    above = pl.Series(last > frames.ceiling[gone])
    arrow = pl.DataFrame({"above": above}).select(
        y=pl.when("above").then(TOP + 10).otherwise(FOOT - 4),
        sign=pl.when("above").then(pl.lit("↑")).otherwise(pl.lit("↓")),
    )
    said = f'<text x="{WIDTH - RIGHT}" y="{{}}" class="e">{{}} {{}}</text>'
    return [
        (at, formatted('<path class="fan" d="M{}L{}Z"/>', there, back)),
        (seen, formatted('<path class="mid" d="M{}"/>', middle)),
        (
            gone,
            formatted(
                said, arrow["y"], arrow["sign"], told(theme.number, pl.Series(last), decimals(units.gather(gone)))
            ),
        ),
    ]


def _limits(frames: Frames, at: np.ndarray, limit: np.ndarray) -> Marks:
    return at, formatted(f'<path class="lim" d="M{LEFT} {{}}H{WIDTH - RIGHT}"/>', tenths(frames.y(at, limit[at])))


def _readings(frames: Frames, read: Readings, limits: np.ndarray) -> Marks:
    x, y = frames.x(read.at, read.day), frames.y(read.at, read.value)
    across, down, above = tenths(x), tenths(y), tenths(y - 4.5)
    out = (read.value > limits[read.at, 1]) | (read.value < limits[read.at, 0])
    left = pl.Series(read.after_work)
    return read.at, pl.select(
        pl.when(pl.Series(out))
        .then(pl.format('<path class="{}" d="M{} {}l4.5 8h-9z"/>', _kind("out", left), across, above))
        .otherwise(pl.format('<circle class="{}" cx="{}" cy="{}" r="3.4"/>', _kind("in", left), across, down))
    ).to_series()


def _kind(state: str, left: pl.Series) -> pl.Expr:
    return pl.when(left).then(pl.lit(f"{state} left")).otherwise(pl.lit(state))


def _spoken(pictures: pl.DataFrame, readings: pl.DataFrame, fans: pl.DataFrame) -> pl.Series:
    """What is read aloud of each picture, escaped."""
    newest = readings.group_by("at").agg(pl.len(), pl.col("visited_on", "value").sort_by("visited_on", "value").last())
    told_of = (
        pictures.select("label", "unit", "limit_low", "limit_high", at=pl.int_range(pl.len(), dtype=pl.Int64))
        .join(newest.cast({"at": pl.Int64}), on="at", how="left", maintain_order="left")
        .join(
            fans.group_by("at").agg(pl.col("on", "middle").last()).cast({"at": pl.Int64}),
            on="at",
            how="left",
            maintain_order="left",
        )
    )
    value, middle = (_escaped(quantities(told_of[name], told_of["unit"])) for name in ("value", "middle"))
    read_on, ahead_on = (told(theme.day, told_of[name]) for name in ("visited_on", "on"))
    return told_of.select(
        pl.format(
            "{}{}, {}{}",
            told(_read_aloud, told_of["label"], told_of["len"]),
            pl.when(pl.col("visited_on").is_null())
            .then(pl.lit(""))
            .otherwise(pl.format(", the last {} on {}", value, read_on)),
            _escaped(told(_limits_aloud, told_of["limit_low"], told_of["limit_high"], told_of["unit"])),
            pl.when(pl.col("on").is_null())
            .then(pl.lit(""))
            .otherwise(pl.format(", expected {} by {} if nobody visits", middle, ahead_on)),
        )
    ).to_series()


def _escaped(texts: pl.Series) -> pl.Series:
    return told(escape, texts)


def _read_aloud(label: str, readings: int | None) -> str:
    return escape(f"{label}: {theme.plural(readings or 0, 'reading')}")


def _limits_aloud(low: float | None, high: float | None, unit: str) -> str:
    return "no limit known" if low is None and high is None else f"allowed {theme.limits_text(low, high, unit)}"
