"""Result tags: what an appliance was left with at its latest visit, small, to print and leave at the appliance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl
from markupsafe import Markup

from reports import theme
from reports.site import Site
from reports.told import quantities, telling, told

# column, heading, unit ('°C', 'K': as shown), digits (None: as everywhere, so that what is out is seen to be so),
# indicator whose limits stand beside it
ROWS = (
    ("o2_pct", "O2", "%", None, "o2_pct"),
    ("co2_pct", "CO2", "%", 1, None),
    ("co_ppm", "CO as read", "ppm", 0, None),
    ("co_air_free_ppm", "CO air-free", "ppm", None, "co_air_free_ppm"),
    ("co_co2_ratio", "CO/CO2", "", 4, None),
    ("flue_temp", "Flue gas", "°C", 0, None),
    ("flue_over_return", "Flue over return", "K", None, "flue_over_return_k"),
    ("efficiency_gross_pct", "Efficiency, gross", "%", 1, None),
    ("flame_current_ua", "Flame current", "µA", None, "flame_current_ua"),
)
SINGLE = (
    ("trap_drain_left_s", "Trap drains in", "s", None, "trap_drain_s"),
    ("condensate_ph_left", "Condensate", "pH", None, "condensate_ph"),
    ("system_pressure", "System pressure", "kPa", None, "system_pressure_kpa"),
)


FIRINGS = ("high", "low")
# The template takes the rows as they stand: to fill them in there, one by one, took most of the time of these pages.
ROW = '<tr><th scope="row">{}</th><td class="n">{}</td><td class="n">{}</td><td>{}</td></tr>\n'
SINGLE_ROW = '<tr><th scope="row">{}</th><td class="n" colspan="2">{}</td><td>{}</td></tr>\n'


@dataclass(frozen=True, slots=True)
class Tag:
    """All that a tag shows, in words. lines: its table's rows, as elements; outs: whether a value is out of range."""

    site: str
    install_id: str
    model: str
    fuel: str
    on: str
    by: str | None
    purpose: str | None
    lines: Markup
    outs: bool


def tags_pages(site: Site, frames: Mapping[str, pl.DataFrame], units: Mapping[str, str], weeks: int) -> None:
    """tags.html and tags/area-NN.html.

    frames: tags (one row per install), tag_tests (as-left tests), tag_limits; values in the units shown.
    units: what '°C', 'K' and 'kPa' are shown as. weeks: how many weeks back the tags reach.
    """
    heads = frames["tags"].sort("area_no", "visited_on", "visit_no", descending=[False, True, False])
    by_area: dict[int, list[Tag]] = {}
    window: dict[int, tuple[str, int]] = {}
    lines, outs = _lines(heads, frames["tag_tests"], frames["tag_limits"], units)
    for row, line, out in zip(heads.iter_rows(named=True), lines, outs, strict=True):
        by_area.setdefault(row["area_no"], []).append(_tag(row, line, out))
        window[row["area_no"]] = (row["area"], row["in_window"])
    links = [
        {"href": f"tags/area-{no:02}.html", "area": window[no][0], "count": len(tags), "of": window[no][1]}
        for no, tags in sorted(by_area.items(), key=lambda item: theme.by_name(window[item[0]][0]))
    ]
    total = sum(w[1] for w in window.values())
    headlines = [
        f"{theme.plural(total, 'install') if total else 'No install'} had {'their' if total > 1 else 'its'} latest "
        f"visit in the {weeks} weeks to {theme.day(site.fleet.as_of)}."
    ]
    site.write("tags.html", "tags.html.j2", headlines=headlines, links=links, tags=[], title="Result tags", rest="")
    for no, some in by_area.items():
        area, count = window[no]
        rest = f"The {len(some):,} latest of {count:,} are shown." if count > len(some) else ""
        site.write(
            f"tags/area-{no:02}.html",
            "tags.html.j2",
            headlines=[f"{theme.plural(len(some), 'tag')}, the latest visit first."],
            links=[],
            tags=some,
            title=f"Result tags of {theme.named(area, 200)}",
            rest=rest,
        )


def _tag(row: Mapping[str, Any], lines: str, out: bool) -> Tag:
    return Tag(
        row["site_label"] or row["install_id"],
        row["install_id"],
        row["model"],
        (row["fuel"] or "").replace("_", " "),
        theme.day(row["visited_on"]),
        row["technician_id"],
        row["purpose"],
        Markup(lines),
        out,
    )


def _lines(
    heads: pl.DataFrame, tests: pl.DataFrame, limits: pl.DataFrame, units: Mapping[str, str]
) -> tuple[pl.Series, pl.Series]:
    """The rows of each tag's table, and whether a value on it is out of range."""
    installs = heads.select("install_no")

    def of_installs(frame: pl.DataFrame) -> pl.DataFrame:
        return installs.join(frame, on="install_no", how="left", maintain_order="left")

    def bounds(indicator: str | None, firing: str) -> tuple[pl.Series, pl.Series]:
        own = (pl.col("indicator") == (indicator or "")) & (pl.col("firing") == firing)
        found = of_installs(limits.filter(own).select("install_no", "limit_low", "limit_high"))
        return found["limit_low"].cast(pl.Float64), found["limit_high"].cast(pl.Float64)

    sides = {firing: of_installs(tests.filter(pl.col("firing") == firing)) for firing in FIRINGS}
    rows = []
    for key, heading, unit, digits, indicator in ROWS:
        high, low = (_Cells(sides[f][key], bounds(indicator, f), units.get(unit, unit), digits) for f in FIRINGS)
        read = high.values.is_not_null() | low.values.is_not_null()
        both = (high.allowed != low.allowed) & high.allowed.is_not_null() & low.allowed.is_not_null()
        allowed = (
            pl.when(both)
            .then(pl.format("{}; {}", high.allowed, low.allowed))
            .when(high.allowed.is_not_null() & low.allowed.is_null() & low.values.is_not_null())
            .then(pl.format("{} at high fire", high.allowed))
            .when(low.allowed.is_not_null() & high.allowed.is_null() & high.values.is_not_null())
            .then(pl.format("{} at low fire", low.allowed))
            .otherwise(pl.coalesce(high.allowed, low.allowed, pl.lit(theme.DASH)))
        )
        row = pl.format(ROW, pl.lit(heading), high.texts, low.texts, allowed)
        rows.append((read, row, high.out | low.out))
    for key, heading, unit, digits, indicator in SINGLE:
        unit = units.get(unit, unit)
        cells = _Cells(heads[key], bounds(indicator, "any"), unit, digits)
        row = pl.format(SINGLE_ROW, pl.lit(heading), cells.texts, cells.allowed.fill_null(theme.DASH))
        rows.append((cells.values.is_not_null(), row, cells.out))
    told_ = pl.select(
        lines=pl.concat_str([pl.when(read).then(row).otherwise(pl.lit("")) for read, row, _ in rows]),
        outs=pl.any_horizontal(*(out for _, _, out in rows)),
    )
    return told_["lines"], told_["outs"]


class _Cells:
    """One column of a reading: values; texts, those out of range marked; allowed: the range, null where none is known;
    out: whether a value lies outside."""

    def __init__(self, values: pl.Series, bounds: tuple[pl.Series, pl.Series], unit: str, digits: int | None) -> None:
        low, high = bounds
        units = pl.repeat(unit, len(values), dtype=pl.String, eager=True)
        self.values = values.cast(pl.Float64)
        self.out = ((self.values < low) | (self.values > high)).fill_null(False)
        shown = quantities(
            self.values,
            units,
            telling(self.values, low, high, units)
            if digits is None
            else pl.repeat(digits, len(values), dtype=pl.Int64, eager=True),
        )
        self.texts = pl.select(
            pl.when(self.out).then(pl.format("▲ {}", shown)).otherwise(shown).alias("text")
        ).to_series()
        known = pl.Series(low.is_not_null() | high.is_not_null())
        allowed = told(theme.limits_short, low, high, units)
        self.allowed = pl.select(pl.when(known).then(allowed)).to_series()
