"""Visit cards: what a technician needs to know of one install, put together from the frames of the store."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from markupsafe import Markup, escape

from reports import theme
from reports.charts.history import history_svgs
from reports.told import formatted, joined, last_values, listed, told

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


KEY = ["install_no", "series_no"]
MARKS = {
    state: f'<span class="state {state}"><span aria-hidden="true">{sign}</span> {word}</span>'
    for state, (sign, word, _, _) in theme.STATES.items()
}
TEST_AGAIN = "test again before all else"
LEFT_OR_FOUND = {"as_left": ", as left", "as_found": ", as found"}
# One of each per series of a card: the template takes them as they are, since to fill them in there took twice as long.
ROW = (
    '<tr><th scope="row">{}</th><td class="n">{}</td><td>{}</td><td>{}</td><td>{}</td><td class="n">{}</td><td>{}</td>'
    "<td>{}</td></tr>"
)
FIGURE = '<figure><figcaption>{} [{}]<span class="allowed">, {}</span></figcaption>{}</figure>\n'
FROM_HEAD = ("card_no", "install_id", "site_label", "model", "area", "state", "planned_week")


class LastVisit(NamedTuple):
    """The last visit in words."""

    on: str
    purpose: str | None
    by: str | None
    work: list[str]
    notes: str


@dataclass(frozen=True, slots=True)
class Card:
    """All that a card shows, in words. presses: the reading that presses most, if one does. pictures, rows: as elements
    of the page. length: how small it must be set."""

    card_no: int
    install_id: str
    site_label: str | None
    model: str
    area: str
    state: str
    planned_week: date
    fuel: str
    week: str
    minutes: str
    presses: str
    why: Sequence[str]
    pictures: Markup
    find: str
    rows: Markup
    last: LastVisit | None
    todo: Sequence[str]
    bring: Sequence[str]
    cautions: Sequence[str]
    first_time: bool
    sisters: Sequence[str]
    design: str | None
    installed: str
    length: str


@lru_cache(10_000)
def words(text: str | None) -> tuple[str, ...]:
    """A semicolon-separated list as words for people."""
    return tuple(w.strip().replace("_", " ") for w in (text or "").split(";") if w.strip())


@lru_cache(10_000)
def cautions(
    out: bool, co_out: bool, work: str | None, material: str | None, condensing: bool | None
) -> tuple[str, ...]:
    """The cautions of the trade that this visit calls for (common practice, no source; the maker's instructions come
    first). out, co_out: whether a reading, or CO, is out of range; work: the tasks as planned.
    """
    tasks = " ".join(words(work)).lower()
    said = []
    if co_out:
        said.append(CO_HIGH)
    elif out:
        said.append(MAKE_SAFE)
    if any(w in tasks for w in ("exchanger", "brush", "rinse", "chemical")):
        if material in ("stainless", "aluminium") and "metal brush" not in tasks:
            said.append(f"{material.capitalize()} exchanger: never a metal brush.")
        if "refractory" not in tasks:
            said.append("Keep refractory and insulation dry and unscratched; vacuum before rinsing.")
    if condensing and "discharge" not in tasks:
        said.append("Trap primed and proven to discharge before firing.")
    if "test port" not in tasks:
        said.append("Final analysis with the case closed; seal the flue test port afterwards.")
    said.append("Local code and the maker's instructions come first; this card replaces no required inspection.")
    return tuple(said)


def why_now(
    series: pl.DataFrame, at: np.ndarray, visited: np.ndarray, as_of: date
) -> tuple[list[list[str]], list[list[str]]]:
    """Sentences that say why each install is due: what is out, what will be, with the chances. And the label of the
    reading that presses most, where one does.

    series: as for `build_cards`; at: (m,) the card of each row. visited: (n,) whether the install ever was.
    """
    soon, out = as_of + timedelta(days=548), pl.col("state") == "out_of_range"
    limits = told(theme.limits_text, series["limit_low"], series["limit_high"], series["unit"])
    later = told(theme.day, series["out_p50_on"])
    rows = series.select(
        "label",
        at=at,
        read=pl.when(pl.col("last_value").is_null())
        .then(pl.format("{}: never read; {} allowed", "label", limits))
        .otherwise(
            pl.format(
                "{}: {} on {}{}; {} allowed",
                "label",
                last_values(series),
                told(theme.day, series["last_on"]),
                pl.when("before_work")
                .then(pl.lit(", before the last work and not read since"))
                .otherwise(pl.col("last_stage").replace_strict(LEFT_OR_FOUND, default="", return_dtype=pl.String)),
                limits,
            )
        ),
        ahead=pl.when(pl.col("p_out_now").is_null())
        .then(pl.lit(""))
        .otherwise(pl.format("; {} chance of being out by now", told(theme.chance, series["p_out_now"]))),
        half=pl.when(pl.col("out_p50_on") > as_of)
        .then(pl.format(f", 50{theme.NBSP}% by {{}}", later))
        .otherwise(pl.lit("")),
        out=out.fill_null(False),
        doubted="doubted",
        expected=pl.col("out_p50_on").is_not_null(),
        presses=(out | (pl.col("p_out_now") >= 0.02) | (pl.col("out_p50_on") <= soon)).fill_null(False),
        most=pl.when(pl.Series(visited[at])).then(PICTURES).otherwise(1),
    )
    any_presses = pl.col("presses").any().over("at")
    said = (
        rows.with_columns(
            chosen=pl.when(any_presses).then("presses").otherwise("expected"),
            most=pl.when(any_presses).then("most").otherwise(1),
        )
        .filter("chosen")
        .filter(pl.int_range(pl.len()).over("at") < pl.col("most"))
        .select(
            "at",
            most_pressing=pl.when(pl.col("presses") & (pl.int_range(pl.len()).over("at") == 0)).then("label"),
            text=pl.when(pl.col("out") & pl.col("doubted"))
            .then(pl.format("{}. Out of range at the last reading, which is in doubt: {}.", "read", pl.lit(TEST_AGAIN)))
            .when("out")
            .then(pl.format("{}. Out of range at the last reading.", "read"))
            .otherwise(pl.format("{}{}{}.", "read", "ahead", "half")),
        )
    )
    most = said.drop_nulls("most_pressing")
    return (
        listed(said["text"], said["at"].to_numpy(), len(visited)),
        listed(most["most_pressing"], most["at"].to_numpy(), len(visited)),
    )


def last_done(last: Mapping[str, Any]) -> LastVisit:
    """What was done at the last visit, in words; 'not recorded' where the record is silent."""
    kind = last["exchanger_cleaning"]
    work = [
        "exchanger cleaning not recorded"
        if kind is None
        else "exchanger not cleaned"
        if kind == "none"
        else f"exchanger cleaned: {kind}"
    ]
    work += [text for key, text in DONE if last[key]]
    return LastVisit(
        theme.day(last["visited_on"]), last["purpose"], last["technician_id"], work, (last["notes"] or "")[:400]
    )


def sisters_say(series: pl.DataFrame, at: np.ndarray, sisters: pl.DataFrame, designs: pl.Series) -> list[list[str]]:
    """What appliances of the same exchanger design do, for installs that have no history of their own.

    series, at: as for `why_now`, of such installs only. designs: of all cards.
    """
    known = sisters.filter(pl.col("installs") > 0, pl.col("rate").is_not_null())
    kin = series.select(
        "series_no", "label", "unit", pl.Series("at", at), pl.Series("exchanger_design", designs.gather(at))
    ).join(known, on=["exchanger_design", "series_no"], nulls_equal=True, maintain_order="left")
    said = [
        f"{label}: {theme.rate(rate)}{theme.NBSP}{unit} per 1,000 burner hours"
        + ("" if out is None else f"; {theme.chance(out)} chance of being out at the present interval")
        + "."
        for label, unit, rate, out in kin.select("label", "unit", "rate", "share_out").iter_rows()
    ]
    return listed(pl.Series(said, dtype=pl.String), kin["at"].to_numpy(), len(designs))


def build_cards(
    heads: pl.DataFrame,
    series: pl.DataFrame,
    points: pl.DataFrame,
    fans: pl.DataFrame,
    last: pl.DataFrame,
    sisters: pl.DataFrame,
    as_of: date,
) -> dict[int, list[Card]]:
    """Cards by area number, soonest first.

    heads: one row per card. series: state and forecast per card and series, by install, what presses most first.
    points: readings of those that are drawn. fans: their forecast by month (install_no, series_no, on, low, middle,
    high). last: last visit. sisters: per design and series. Readings and forecasts of one series are in the order of
    their days. All values are in the units shown; `as_of` is the day on which the forecasts stand.
    """
    heads = heads.sort("area_no", "card_no").with_row_index("at")
    n, first_time = heads.height, (heads["visits"] == 0).to_numpy()
    series = series.join(heads.select("install_no", "at"), on="install_no", maintain_order="left")
    at = series["at"].to_numpy()
    out = series["state"].eq_missing("out_of_range").to_numpy()
    co = (series["indicator"] == "co_air_free_ppm").to_numpy()
    is_out, co_out = (np.isin(np.arange(n), at[which]).tolist() for which in (out, out & co))
    why, presses = why_now(series, at, ~first_time, as_of)
    new = first_time[at]
    kin = sisters_say(series.filter(pl.Series(new)), at[new], sisters, heads["exchanger_design"])
    rows, pictures = joined(_rows(series), at, n), _pictures(n, series, points, fans, as_of)
    lasts = {row["install_no"]: last_done(row) for row in last.iter_rows(named=True)}
    cards: dict[int, list[Card]] = defaultdict(list)
    for k, (head, row, picture) in enumerate(zip(heads.iter_rows(named=True), rows, pictures, strict=True)):
        last_visit = lasts.get(head["install_no"])
        reasons = [*why[k], *_planned(head)] or ["Due by the present interval; nothing else calls for it."]
        todo, bring = words(head["tasks"]), words(head["take_along"])
        care = cautions(is_out[k], co_out[k], head["tasks"], head["exchanger_material"], head["condensing"])
        cards[head["area_no"]].append(
            Card(
                **{name: head[name] for name in FROM_HEAD},
                fuel=(head["fuel"] or "fuel not given").replace("_", " "),
                week=theme.day(head["planned_week"]),
                minutes=theme.quantity(head["expected_minutes"], "min", 0),
                presses="".join(presses[k]),
                why=reasons,
                pictures=Markup(picture),
                find=" ".join(
                    [*(str(head[n] or "") for n in ("install_id", "site_label", "model")), *presses[k]]
                ).lower(),
                rows=Markup(row),
                last=last_visit,
                todo=todo,
                bring=bring,
                cautions=care,
                first_time=bool(first_time[k]),
                sisters=kin[k][:3],
                design=head["exchanger_design"],
                installed=theme.month(head["installed_on"]),
                length=_length([*reasons, *todo, *bring, *care, *kin[k][:3]], last_visit),
            )
        )
    return dict(cards)


def _planned(head: Mapping[str, Any]) -> list[str]:
    if head["p_out_at_planned"] is None:
        return []
    return [
        f"Chance of being out in the planned week {theme.chance(head['p_out_at_planned'])}; "
        f"had it been left to the present interval {theme.chance(head['p_out_at_interval'])}."
    ]


def _rows(series: pl.DataFrame) -> pl.Series:
    """The row of each series in the table of readings."""
    limits = (series["limit_low"], series["limit_high"], series["unit"])
    before_work = pl.when(series["before_work"]).then(pl.lit(", before the last work")).otherwise(pl.lit(""))
    last = formatted("{}{}", last_values(series), pl.select(before_work).to_series())
    basis = series["basis"].replace_strict(BASIS, default=series["basis"]).replace({"": None}).fill_null(theme.DASH)
    return formatted(
        ROW,
        told(escape, series["label"]),
        told(escape, last),
        told(theme.day, series["last_on"]),
        told(escape, told(theme.limits_short, *limits)),
        series["state"].replace_strict(MARKS, return_dtype=pl.String),
        told(theme.chance, series["p_out_now"]),
        told(theme.day, series["due_on"]),
        told(escape, basis),
    )


def _pictures(n: int, series: pl.DataFrame, points: pl.DataFrame, fans: pl.DataFrame, as_of: date) -> pl.Series:
    """The pictures of each card, with their captions: what presses most first."""
    some = pl.concat(frame.select(KEY) for frame in (points, fans)).unique()
    drawn = series.join(some, on=KEY, how="semi", maintain_order="left").filter(
        pl.int_range(pl.len()).over("install_no") < PICTURES
    )
    place = drawn.select(*KEY, pl.int_range(pl.len(), dtype=pl.Int64).alias("at"))
    readings, ahead = (f.join(place, on=KEY).sort("at", maintain_order=True) for f in (points, fans))
    figures = formatted(
        FIGURE,
        told(escape, drawn["label"]),
        told(escape, drawn["unit"]),
        told(escape, told(theme.limits_text, drawn["limit_low"], drawn["limit_high"], drawn["unit"])),
        history_svgs(drawn, readings.with_columns(left=pl.col("stage") == "as_left"), ahead, as_of),
    )
    return joined(figures, drawn["at"].to_numpy(), n)


def _length(said: Sequence[str], last: LastVisit | None) -> str:
    """How small the card must be set to fit half a sheet of paper, by how much there is to say."""
    size = sum(map(len, said)) + 12 * len(said) + (len(last.notes) + 60 if last else 0)
    return "longer" if size > LONGER else "long" if size > LONG else ""
