"""Visit cards: what a technician needs to know of one install, put together from the frames of the store."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import polars as pl
from markupsafe import Markup

from reports import theme
from reports.charts.history import History, history_svg

LONG, LONGER = 1500, 1900  # characters on a card from which it is printed smaller
PICTURES = 3  # on one card; more do not fit half a sheet of paper
DONE = (
    ("trap_cleaned", "trap cleaned"),
    ("media_renewed", "media renewed"),
    ("electrodes_cleaned", "electrodes cleaned"),
    ("burner_adjusted", "burner adjusted"),
)
BASIS = {
    "install": "itself",
    "model": "its model",
    "design": "its design",
    "fleet": "the whole fleet",
}
MAKE_SAFE = (
    "Out of range now: if the first test confirms it, stop the appliance and make it safe as the local code and the "
    "maker's instructions say. Licensed people only."
)
CO_HIGH = (
    "CO was out of range: watch your personal CO alarm on entering, air the room, test with the case closed. If it is "
    "confirmed, stop the appliance, make it safe as the local code says and tell the user."
)


def words(text: str | None) -> list[str]:
    """A semicolon-separated list as words for people."""
    return [w.strip().replace("_", " ") for w in (text or "").split(";") if w.strip()]


def cautions(head: Mapping[str, Any], series: list[dict[str, Any]]) -> list[str]:
    """The cautions of the trade that this visit calls for (common practice, no source; the maker's instructions come
    first).
    """
    out = [s for s in series if s["state"] == "out_of_range"]
    tasks = " ".join(words(head["tasks"])).lower()
    said = []
    if any(s["indicator"] == "co_air_free_ppm" for s in out):
        said.append(CO_HIGH)
    elif out:
        said.append(MAKE_SAFE)
    if any(w in tasks for w in ("exchanger", "brush", "rinse", "chemical")):
        if head["exchanger_material"] in ("stainless", "aluminium") and "metal brush" not in tasks:
            said.append(f"{head['exchanger_material'].capitalize()} exchanger: never a metal brush.")
        if "refractory" not in tasks:
            said.append("Keep refractory and insulation dry and unscratched; vacuum before rinsing.")
    if head["condensing"] and "discharge" not in tasks:
        said.append("Trap primed and proven to discharge before firing.")
    if "test port" not in tasks:
        said.append("Final analysis with the case closed; seal the flue test port afterwards.")
    said.append("Local code and the maker's instructions come first; this card replaces no required inspection.")
    return said


def why_now(head: Mapping[str, Any], series: list[dict[str, Any]], as_of: date) -> list[str]:
    """Sentences that say why this install is due: what is out, what will be, with the chances."""
    said = []
    soon = as_of + timedelta(days=548)
    pressing = [
        s
        for s in series
        if s["state"] == "out_of_range"
        or (s["p_out_now"] or 0) >= 0.02
        or (s["out_p50_on"] and s["out_p50_on"] <= soon)
    ] or [s for s in series if s["out_p50_on"]][:1]
    for s in pressing[: PICTURES if head["visits"] else 1]:
        limits = theme.limits_text(s["limit_low"], s["limit_high"], s["unit"])
        if s["last_value"] is None:
            read = f"{s['label']}: never read; {limits} allowed"
        else:
            left = {"as_left": ", as left", "as_found": ", as found"}.get(s["last_stage"] or "", "")
            read = (
                f"{s['label']}: {theme.quantity(s['last_value'], s['unit'])} on {theme.day(s['last_on'])}{left}; "
                f"{limits} allowed"
            )
        if s["state"] == "out_of_range":
            said.append(f"{read}. Out of range at the last reading.")
            continue
        if s["p_out_now"] is not None:
            read += f"; {theme.chance(s['p_out_now'])} chance of being out by now"
        if s["out_p50_on"] and s["out_p50_on"] > as_of:
            read += f", 50{theme.NBSP}% by {theme.day(s['out_p50_on'])}"
        said.append(read + ".")
    if head["p_out_at_planned"] is not None:
        said.append(
            f"Chance of being out in the planned week {theme.chance(head['p_out_at_planned'])}; "
            f"had it been left to the present interval {theme.chance(head['p_out_at_interval'])}."
        )
    if not said:
        said.append("Due by the present interval; nothing else calls for it.")
    return said


def last_done(last: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """What was done at the last visit, in words; 'not recorded' where the record is silent."""
    if last is None:
        return None
    kind = last["exchanger_cleaning"]
    work = [
        "exchanger cleaning not recorded"
        if kind is None
        else "exchanger not cleaned"
        if kind == "none"
        else f"exchanger cleaned: {kind}"
    ]
    work += [text for key, text in DONE if last[key]]
    return {
        "on": theme.day(last["visited_on"]),
        "purpose": last["purpose"],
        "by": last["technician_id"],
        "work": work,
        "notes": (last["notes"] or "")[:400],
    }


def sisters_say(
    design: str | None, series: list[dict[str, Any]], sisters: Mapping[tuple[str | None, int], dict[str, Any]]
) -> list[str]:
    """What appliances of the same exchanger design do, for an install that has no history of its own."""
    said = []
    for s in series:
        kin = sisters.get((design, s["series_no"]))
        if not kin or not kin["installs"] or kin["rate"] is None:
            continue
        text = f"{s['label']}: {theme.rate(kin['rate'], s['unit'])}{theme.NBSP}{s['unit']} per 1,000 burner hours"
        if kin["share_out"] is not None:
            text += f"; {theme.chance(kin['share_out'])} chance of being out at the present interval"
        said.append(text + ".")
    return said[:3]


def build_cards(
    heads: pl.DataFrame,
    series: pl.DataFrame,
    points: pl.DataFrame,
    fans: pl.DataFrame,
    last: pl.DataFrame,
    sisters: pl.DataFrame,
    as_of: date,
) -> dict[int, list[dict[str, Any]]]:
    """Cards by area number, soonest first.

    heads: one row per card. series: state and forecast per card and series. points: readings. fans: forecast by month
    (install_no, series_no, on, low, middle, high). last: last visit. sisters: per design and series.
    All values are in the units shown; `as_of` is the day on which the forecasts stand.
    """
    by_install: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for row in series.iter_rows(named=True):
        by_install[row["install_no"]].append(row)
    read = _by_picture(points.with_columns(left=pl.col("stage") == "as_left"), "visited_on", "value", "left")
    fan = _by_picture(fans, "on", "low", "middle", "high")
    lasts = {row["install_no"]: row for row in last.iter_rows(named=True)}
    kin = {(row["exchanger_design"], row["series_no"]): row for row in sisters.iter_rows(named=True)}
    cards: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for head in heads.sort("area_no", "card_no").iter_rows(named=True):
        no = head["install_no"]
        own = sorted(by_install[no], key=_pressing)
        shown = [s for s in own if read.get((no, s["series_no"])) or fan.get((no, s["series_no"]))][:PICTURES]
        # The one that leads the plan is always drawn, and first.
        pictures = [
            {
                "label": s["label"],
                "unit": s["unit"],
                "limits": theme.limits_text(s["limit_low"], s["limit_high"], s["unit"]),
                "svg": history_svg(
                    History(
                        s["label"],
                        s["unit"],
                        read.get((no, s["series_no"]), []),
                        fan.get((no, s["series_no"]), []),
                        s["limit_low"],
                        s["limit_high"],
                        as_of,
                    )
                ),
            }
            for s in shown
        ]
        first_time = head["visits"] == 0
        card = {
            **{k: head[k] for k in ("card_no", "install_id", "site_label", "model", "area", "state", "planned_week")},
            "fuel": (head["fuel"] or "fuel not given").replace("_", " "),
            "week": theme.day(head["planned_week"]),
            "week_end": theme.day(head["planned_week"] + timedelta(days=4)),
            "minutes": theme.quantity(head["expected_minutes"], "min", 0),
            "why": why_now(head, own, as_of),
            "pictures": pictures,
            "find": " ".join(str(head[k] or "") for k in ("install_id", "site_label", "model")).lower(),
            "rows": [_series_row(s) for s in own],
            "last": last_done(lasts.get(no)),
            "todo": words(head["tasks"]),
            "bring": words(head["take_along"]),
            "cautions": cautions(head, own),
            "first_time": first_time,
            "sisters": sisters_say(head["exchanger_design"], own, kin) if first_time else [],
            "design": head["exchanger_design"],
            "installed": theme.month(head["installed_on"]),
        }
        cards[head["area_no"]].append(card | {"length": _length(card)})
    return dict(cards)


def _by_picture(frame: pl.DataFrame, *columns: str) -> dict[tuple[int, int], list[tuple[Any, ...]]]:
    """The rows of each install_no and series_no, in their order, as tuples of some columns."""
    rows: dict[tuple[int, int], list[tuple[Any, ...]]] = defaultdict(list)
    keys = zip(frame["install_no"].to_list(), frame["series_no"].to_list(), strict=True)
    for key, row in zip(keys, zip(*(frame[name].to_list() for name in columns), strict=True), strict=True):
        rows[key].append(row)
    return rows


def _length(card: dict[str, Any]) -> str:
    """How small the card must be set to fit half a sheet of paper, by how much there is to say."""
    last = card["last"]
    said = [*card["why"], *card["todo"], *card["bring"], *card["cautions"], *card["sisters"]]
    size = sum(len(text) + 12 for text in said) + (len(last["notes"]) + 60 if last else 0)
    return "longer" if size > LONGER else "long" if size > LONG else ""


def _pressing(s: dict[str, Any]) -> tuple[Any, ...]:
    return (s["state"] != "out_of_range", -(s["p_out_now"] or 0), s["due_on"] or date.max, s["series_no"])


def _series_row(s: dict[str, Any]) -> dict[str, Any]:
    sign, word, _, _ = theme.STATES[s["state"]]
    return {
        "label": s["label"],
        "value": theme.quantity(s["last_value"], s["unit"]),
        "on": theme.day(s["last_on"]),
        "limits": theme.limits_short(s["limit_low"], s["limit_high"], s["unit"]),
        "mark": Markup(f'<span class="state {s["state"]}"><span aria-hidden="true">{sign}</span> {word}</span>'),
        "p": theme.chance(s["p_out_now"]),
        "due": theme.day(s["due_on"]),
        "basis": BASIS.get(s["basis"] or "", s["basis"] or theme.DASH),
    }
