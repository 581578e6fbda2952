"""Limits sheets: per appliance model and fuel the allowed ranges, their source, and matching O2 and CO2; one printed
page each.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from reports import tables, theme
from reports.site import Site

SHEETS_A_PAGE = 60
FIRINGS = ("high", "low")
COMPOSITION = "Dry flue gas by volume, from the fuel's composition."
# Published figures, for comparison only; what stands behind each is said beside it.
PUBLISHED = (
    "US, vented heating appliances: 400 ppm CO air-free in the flue gas (ANSI Z21 series, second-hand).",
    "UK trade bodies, condensing boilers without a maker's figure: CO at most 350 ppm and CO/CO2 at most 0.0040.",
    "Germany: above 1,000 ppm CO in undiluted dry flue gas the test is repeated within 6 weeks (sweeps' ordinance "
    "KÜO, second-hand); "
    "network operators cite 300 ppm as to be put right within weeks and shut off above 1,000 ppm (gas rules G 680).",
    "Room air: 9 ppm CO over 8 h and 35 ppm over 1 h (US ambient standard); 50 ppm over 8 h (OSHA); ceiling 200 "
    "ppm (NIOSH).",
)


def limits_pages(site: Site, frames: Mapping[str, pl.DataFrame]) -> None:
    """limits.html, and limits/part-NN.html where there are many sheets.

    frames: sheets (one row per model and fuel, units shown), ranges (per model, fuel and series), pairs (fuel, o2_pct,
    co2_pct, co2_bound_pct, excess_air_pct, co_at_limit_factor), power_unit in sheets as column `rated_unit`.
    """
    ranges: dict[tuple[int, str], list[dict[str, Any]]] = {}
    for row in frames["ranges"].sort("series_no").iter_rows(named=True):
        ranges.setdefault((row["model_no"], row["fuel"]), []).append(row)
    pairs: dict[str, list[dict[str, Any]]] = {}
    for row in frames["pairs"].sort("fuel", "o2_pct").iter_rows(named=True):
        pairs.setdefault(row["fuel"], []).append(row)
    by_name = lambda row: (theme.by_name(row["model"]), row["model_no"], row["fuel"] or "")
    sheets = [
        _sheet(n, row, ranges.get((row["model_no"], row["fuel"]), []), pairs.get(row["fuel"], []))
        for n, row in enumerate(sorted(frames["sheets"].iter_rows(named=True), key=by_name), start=1)
    ]
    general = sum(s["general"] for s in sheets)
    headlines = (
        [f"{theme.plural(len(sheets), 'sheet')}, one per appliance model and fuel in the field."]
        if sheets
        else ["No install is on record yet."]
    )
    if general:
        who = "All of them" if 1 < general == len(sheets) else theme.plural(general, "sheet")
        verb = ("rests", "rest") if all(s["only_general"] for s in sheets if s["general"]) else ("leans", "lean")
        how = "" if verb[1] == "rest" else "in part "
        headlines.append(
            f"{who} {verb[general > 1]} {how}on general ranges, not the maker's: enter those in limits.csv."
        )
    parts = [sheets[k : k + SHEETS_A_PAGE] for k in range(0, len(sheets), SHEETS_A_PAGE)]
    inline = len(parts) <= 1
    links = [
        {
            "href": (
                f"#sheet-{s['no']}"
                if inline
                else f"limits/part-{(s['no'] - 1) // SHEETS_A_PAGE + 1:02}.html#sheet-{s['no']}"
            ),
            "model": s["model"],
            "fuel": s["fuel"],
            "installs": s["installs"],
        }
        for s in sheets
    ]
    common: dict[str, Any] = {"published": PUBLISHED, "headlines": headlines}
    site.write("limits.html", "limits.html.j2", links=links, sheets=sheets if inline else [], part="", **common)
    if not inline:
        for k, some in enumerate(parts, start=1):
            site.write(
                f"limits/part-{k:02}.html",
                "limits.html.j2",
                links=[],
                sheets=some,
                part=f", part {k} of {len(parts)}",
                **common,
            )


def _sheet(no: int, row: dict[str, Any], ranges: list[dict[str, Any]], pairs: list[dict[str, Any]]) -> dict[str, Any]:
    def allowed(r: dict[str, Any]) -> str:
        if r["differs"]:
            return "differs from install to install: see its card"
        return theme.limits_text(r["limit_low"], r["limit_high"], r["unit"])

    def source(r: dict[str, Any]) -> Any:
        text = tables.bdi(r["limit_source"])
        return text if not r["general"] else "general range, not the maker's: " + text

    table = tables.build(
        "Allowed ranges",
        pl.DataFrame(ranges, infer_schema_length=None) if ranges else pl.DataFrame(),
        [
            tables.Column("Reading", tables.words("label")),
            tables.Column("Allowed", allowed),
            tables.Column("Read from", source),
        ],
    )
    table.stack = True
    pair_table, pairs_say = _pairs({(r["indicator"], r["firing"]): r for r in ranges}, pairs)
    return {
        "no": no,
        "model": row["model"],
        "model_id": row["model_id"],
        "fuel": (row["fuel"] or "fuel not given").replace("_", " "),
        "installs": row["installs"],
        "design": row["exchanger_design"],
        "material": (row["exchanger_material"] or theme.NOT_KNOWN).replace("_", " "),
        "condensing": {True: "condensing", False: "not condensing"}.get(row["condensing"], theme.NOT_KNOWN),
        "rated": theme.quantity(row["rated_input"], row["rated_unit"]),
        "interval": theme.quantity(row["service_interval_months"], "months", 0),
        "table": table,
        "pairs": pair_table,
        "pairs_say": pairs_say,
        "general": any(r["general"] for r in ranges),
        "only_general": all(r["general"] for r in ranges),
    }


def _pairs(ranges: Mapping[tuple[str, str], dict[str, Any]], pairs: list[dict[str, Any]]) -> tuple[tables.Table, str]:
    """What belongs together in the flue gas of a fuel about the allowed O2, and the note below it.

    ranges: by indicator and firing. pairs: rows of the fuel; no CO2 stands in those of one without carbon.
    """
    end = lambda indicator, firing, name: (ranges.get((indicator, firing)) or {}).get(name)
    o2 = {firing: [end("o2_pct", firing, name) for name in ("limit_low", "limit_high")] for firing in FIRINGS}
    bounds = [x for ends in o2.values() for x in ends if x is not None]
    some = [p for p in pairs if bounds and min(bounds) - 1.01 <= p["o2_pct"] <= max(bounds) + 1.01]
    bound = some[0]["co2_bound_pct"] if some else None
    co = {firing: end("co_air_free_ppm", firing, "limit_high") for firing in FIRINGS}
    read = {"": co["high"]} if co["high"] == co["low"] else {f" at {f} fire": x for f, x in co.items() if x is not None}

    def fits(firing: str) -> tables.Column:
        low, high = o2[firing]

        def cell(p: dict[str, Any]) -> str:
            if low is None and high is None:
                return theme.DASH
            inside = (low is None or p["o2_pct"] >= low - 1e-9) and (high is None or p["o2_pct"] <= high + 1e-9)
            return f"●{theme.NBSP}allowed" if inside else f"▲{theme.NBSP}out"

        return tables.Column(f"{firing.capitalize()} fire", cell)

    def as_read(at: str, limit: float | None) -> tables.Column:
        shown = lambda p: theme.number(None if limit is None else limit * p["co_at_limit_factor"])
        return tables.Column(f"CO that reaches the limit{at}, as read [ppm]", shown, True)

    table = tables.build(
        "O2 and excess air of this fuel" if bound is None else "O2 and CO2 that belong together for this fuel",
        pl.DataFrame(some) if some else pl.DataFrame(),
        [
            tables.Column("O2 [%]", tables.figures("o2_pct", 1), True),
            *([] if bound is None else [tables.Column("CO2 [%]", tables.figures("co2_pct", 1), True)]),
            tables.Column("Excess air [%]", tables.figures("excess_air_pct"), True),
            *(as_read(*one) for one in read.items()),
            *(fits(firing) for firing in FIRINGS),
        ],
        40,
    )
    if bound is None:
        return table, f"{COMPOSITION} It has no carbon: CO2 in its flue gas means another fuel, or a drifted cell."
    return table, (
        f"{COMPOSITION} A test whose CO2 lies more than {bound:.2f}{theme.NBSP}% CO2 from this table beside its O2 "
        "wants a second look: wrong fuel set, drifted cell or typing error. Air in the probe does not show here."
    )
