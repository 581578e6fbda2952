"""Result tags: what an appliance was left with at its latest visit, small, to print and leave at the appliance."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from reports import theme
from reports.site import Site

# column, heading, unit ('°C', 'K': as shown), digits, indicator whose limits stand beside it
ROWS = (
    ("o2_pct", "O2", "%", 1, "o2_pct"),
    ("co2_pct", "CO2", "%", 1, None),
    ("co_ppm", "CO as read", "ppm", 0, None),
    ("co_air_free_ppm", "CO air-free", "ppm", 0, "co_air_free_ppm"),
    ("co_co2_ratio", "CO/CO2", "", 4, None),
    ("flue_temp", "Flue gas", "°C", 0, None),
    ("flue_over_return", "Flue over return", "K", 0, "flue_over_return_k"),
    ("efficiency_gross_pct", "Efficiency, gross", "%", 1, None),
    ("flame_current_ua", "Flame current", "µA", 1, "flame_current_ua"),
)
SINGLE = (
    ("trap_drain_left_s", "Trap drains in", "s", 0, "trap_drain_s"),
    ("condensate_ph_left", "Condensate", "pH", 1, "condensate_ph"),
    ("system_pressure", "System pressure", "kPa", 1, "system_pressure_kpa"),
)


def tags_pages(site: Site, frames: Mapping[str, pl.DataFrame], units: Mapping[str, str], weeks: int) -> None:
    """tags.html and tags/area-NN.html.

    frames: tags (one row per install), tag_tests (as-left tests), tag_limits; values in the units shown.
    units: what '°C', 'K' and 'kPa' are shown as. weeks: how many weeks back the tags reach.
    """
    tests: dict[tuple[int, str], dict[str, Any]] = {
        (r["install_no"], r["firing"]): r for r in frames["tag_tests"].iter_rows(named=True)
    }
    limits: dict[tuple[int, str, str], tuple[Any, Any]] = {
        (r["install_no"], r["indicator"], r["firing"]): (r["limit_low"], r["limit_high"])
        for r in frames["tag_limits"].iter_rows(named=True)
    }
    by_area: dict[int, list[dict[str, Any]]] = {}
    window: dict[int, tuple[str, int]] = {}
    for row in (
        frames["tags"].sort("area_no", "visited_on", "visit_no", descending=[False, True, False]).iter_rows(named=True)
    ):
        by_area.setdefault(row["area_no"], []).append(_tag(row, tests, limits, units))
        window[row["area_no"]] = (row["area"], row["in_window"])
    links = [
        {"href": f"tags/area-{no:02}.html", "area": window[no][0], "count": len(tags), "of": window[no][1]}
        for no, tags in by_area.items()
    ]
    total = sum(w[1] for w in window.values())
    headlines = [
        f"{theme.plural(total, 'install')} had {'its' if total == 1 else 'their'} latest visit in the {weeks} "
        f"weeks to {theme.day(site.fleet.as_of)}."
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
            title=f"Result tags of {area}",
            rest=rest,
        )


def _tag(
    row: dict[str, Any],
    tests: Mapping[tuple[int, str], dict[str, Any]],
    limits: Mapping[tuple[int, str, str], tuple[Any, Any]],
    units: Mapping[str, str],
) -> dict[str, Any]:
    no = row["install_no"]
    found = {f: tests.get((no, f)) for f in ("high", "low")}
    lines = []
    outs = 0

    def cell(value: Any, unit: str, digits: int, limit: tuple[Any, Any]) -> str:
        nonlocal outs
        if value is None:
            return theme.DASH
        out = (limit[0] is not None and value < limit[0]) or (limit[1] is not None and value > limit[1])
        outs += out
        return ("▲ " if out else "") + theme.quantity(value, unit, digits)

    for key, heading, unit, digits, indicator in ROWS:
        shown_unit = units.get(unit, unit)
        values = {f: t[key] if t else None for f, t in found.items()}
        if all(v is None for v in values.values()):
            continue
        own = {f: limits.get((no, indicator or "", f), (None, None)) for f in found}
        texts = list(dict.fromkeys(theme.limits_short(*own[f], shown_unit) for f in found if own[f] != (None, None)))
        lines.append(
            (heading, [cell(values[f], shown_unit, digits, own[f]) for f in found], "; ".join(texts) or theme.DASH)
        )
    for key, heading, unit, digits, indicator in SINGLE:
        if row[key] is None:
            continue
        shown_unit = units.get(unit, unit)
        own_limit = limits.get((no, indicator, "any"), (None, None))
        text = theme.limits_short(*own_limit, shown_unit) if own_limit != (None, None) else theme.DASH
        lines.append((heading, [cell(row[key], shown_unit, digits if shown_unit != "psi" else 0, own_limit)], text))
    return {
        "site": row["site_label"] or row["install_id"],
        "install_id": row["install_id"],
        "model": row["model"],
        "fuel": (row["fuel"] or "").replace("_", " "),
        "on": theme.day(row["visited_on"]),
        "by": row["technician_id"],
        "purpose": row["purpose"],
        "lines": lines,
        "outs": outs,
    }
