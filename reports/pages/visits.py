"""The technicians' pages: by area and week, a card per install, on the desk and in one file for the phone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
from markupsafe import Markup

from reports import tables, theme
from reports.cards import Card, build_cards
from reports.site import Fleet, Site
from reports.told import json_rows, told

CARDS_A_PAGE = 160  # about 11 kB each: under 2 MB, and room for the search of a phone page
CARDS_A_PIECE = 1_000  # and no more than an area beyond
FIND_A_SHARD = 20_000
FIND_ON_PHONE = 8_000
WEEKS_SHOWN = 8
AREAS_LISTED = 3_000  # each with the links to its pages
STATE_NO = {s: k for k, s in enumerate(theme.STATE_ORDER)}


def page_of(area_no: int, card_no: int, folder: str = "visits") -> str:
    """The page on which a card stands. Numbers, never names: a name is the user's text."""
    part = (card_no - 1) // CARDS_A_PAGE
    return f"{folder}/area-{area_no:02}{f'-{part + 1}' if part else ''}.html"


def card_pages(heads: pl.DataFrame) -> dict[int, str]:
    """install_no -> address of its card, within the site."""
    return {
        no: f"{page_of(area, card)}#card-{card}"
        for no, area, card in heads.select("install_no", "area_no", "card_no").iter_rows()
    }


@dataclass(frozen=True)
class AreaPages:
    """What the pages of one area say beside its cards.

    in_window: visits of the coming weeks, with a card or without. others: the installs without a card that are due
    soonest, one row each, of `other_installs`.
    """

    area_no: int
    area: str
    in_window: int
    others: pl.DataFrame
    other_installs: int


@dataclass(frozen=True)
class SomeAreas:
    """All that the pages of some areas are made from; small enough to travel to another process.

    frames: as `build_cards` takes them, of these areas.
    """

    folder: Path
    fleet: Fleet
    areas: list[AreaPages]
    frames: dict[str, pl.DataFrame]


def visits_pages(
    site: Site,
    frames: Mapping[str, pl.DataFrame],
    mapper: Callable[[Callable[[SomeAreas], list[str]], list[SomeAreas]], list[list[str]]],
) -> None:
    """visits.html, visits/area-NN.html, phone/area-NN.html and the search index.

    frames: area_visits (area_no, area, week, visits, hours), card_heads, find (one row per install), area_names, and
    for `build_cards` card_series, card_points, card_fans, card_last and sisters.
    mapper: does some areas at a time, function of every piece, here or in processes beside.
    """
    plan, heads = frames["area_visits"], frames["card_heads"]
    names: dict[int, str] = dict(frames["area_names"].select("area_no", "area").iter_rows())
    shards = _search(site, frames["find"], heads, names)
    for written in mapper(write_areas, _pieces(site, frames, names)):
        site.pages += written
    as_of = site.fleet.as_of
    first_week = as_of + timedelta(days=-as_of.weekday() % 7)  # with which the plan begins
    site.write(
        "visits.html",
        "visits.html.j2",
        headlines=_headlines(plan, first_week, heads.height),
        shards=shards["shards"],
        find_note=shards["note"],
        areas=_by_area(plan, first_week, set(heads["area_no"])),
    )


def _headlines(plan: pl.DataFrame, first_week: date, cards: int) -> list[str]:
    """plan: visits of each area and week. cards: how many visits have one."""
    if plan.is_empty():
        return ["No visit is planned yet."]
    soon = plan.filter(pl.col("week") < first_week + timedelta(days=28))
    visits = int(soon["visits"].sum())
    said = [
        f"{theme.plural(visits, 'visit')} planned for the four weeks from {theme.day(first_week)}, "
        f"{theme.quantity(soon['hours'].sum(), 'h', 0)} on site and on the road."
        if visits
        else f"No visit is planned for the four weeks from {theme.day(first_week)}; the first in the week of "
        f"{theme.day(plan.sort('week')['week'][0])}."
    ]
    if cards:
        said.append(
            f"{theme.plural(cards, 'card')} for the visits that come first; the whole plan is in "
            "exports/visit_plan.csv."
        )
    return said


def _pieces(site: Site, frames: Mapping[str, pl.DataFrame], names: Mapping[int, str]) -> list[SomeAreas]:
    """The areas with cards, in order, so many together that a piece has CARDS_A_PIECE cards."""
    heads, find = frames["card_heads"], frames["find"]
    if heads.is_empty():
        return []
    sizes = heads.group_by("area_no").agg(pl.len(), pl.col("in_window").first()).sort("area_no")
    sizes = sizes.with_columns(piece=(pl.col("len").cum_sum() - pl.col("len")) // CARDS_A_PIECE)
    piece_of = heads.select("install_no", "area_no").join(sizes.select("area_no", "piece"), on="area_no")
    of_cards = {
        name: _apart(
            frames[f"card_{name}"].join(piece_of.select("install_no", "piece"), on="install_no", maintain_order="left"),
            "piece",
        )
        for name in ("heads", "series", "points", "fans", "last")
    }
    others = _apart(
        find.join(piece_of, on="install_no", how="anti").sort("due_on", "install_no", nulls_last=True), "area_no"
    )
    pieces = []
    for piece, some in _apart(sizes, "piece").items():
        areas = []
        for area_no, in_window in some.select("area_no", "in_window").iter_rows():
            rest = others.get(area_no, find.clear())
            areas.append(
                AreaPages(area_no, names.get(area_no, theme.DASH), in_window, rest.head(FIND_ON_PHONE), rest.height)
            )
        given = {name: of_cards[name].get(piece, frames[f"card_{name}"].clear()) for name in of_cards}
        pieces.append(SomeAreas(site.folder, site.fleet, areas, {"sisters": frames["sisters"], **given}))
    return pieces


def _apart(frame: pl.DataFrame, by: str) -> dict[int, pl.DataFrame]:
    parts = frame.partition_by(by, as_dict=True, maintain_order=True)
    return {int(number): part for (number,), part in parts.items()}


def write_areas(piece: SomeAreas) -> list[str]:
    """The pages of the cards of some areas, for the desk and for the phone; returns their names."""
    site = Site(piece.folder, piece.fleet)
    cards = build_cards(**piece.frames, as_of=piece.fleet.as_of)
    for area in piece.areas:
        _area(site, area, cards[area.area_no])
    return site.pages


def _by_area(plan: pl.DataFrame, first_week: date, cards: set[int]) -> tables.Table:
    weeks = [first_week + timedelta(days=7 * k) for k in range(WEEKS_SHOWN)]
    wide = (
        plan.group_by("area_no", "area")
        .agg(
            *(pl.col("visits").filter(pl.col("week") == w).sum().alias(f"w{k}") for k, w in enumerate(weeks)),
            pl.col("visits").filter(pl.col("week") > weeks[-1]).sum().alias("later"),
        )
        .sort("area_no")
    )
    wide = wide[sorted(range(wide.height), key=lambda k: theme.by_name(wide["area"][k]))]

    def link(row: dict[str, Any]) -> Any:
        if row["area_no"] not in cards:
            return tables.bdi(row["area"])
        return Markup(f'<a href="{page_of(row["area_no"], 1)}">') + tables.bdi(row["area"]) + Markup("</a>")

    def phone(row: dict[str, Any]) -> Any:
        if row["area_no"] not in cards:
            return theme.DASH
        where = page_of(row["area_no"], 1, "phone")
        return Markup(f'<a href="{where}">phone page of ') + tables.bdi(row["area"]) + Markup("</a>")

    columns = [tables.Column("Area", link), tables.Column("For the phone", phone)]
    columns += [
        tables.Column(f"{w.day} {theme.MONTHS[w.month - 1]}", tables.figures(f"w{k}"), True)
        for k, w in enumerate(weeks)
    ]
    columns.append(tables.Column("Later", tables.figures("later"), True))
    return tables.build(
        "Planned visits by area and week beginning", wide, columns, AREAS_LISTED, rest=("area", "areas")
    )


def _area(site: Site, own: AreaPages, cards: list[Card]) -> None:
    area_no, area, in_window, others = own.area_no, own.area, own.in_window, own.others
    parts = [cards[k : k + CARDS_A_PAGE] for k in range(0, len(cards), CARDS_A_PAGE)]
    out = sum(c.state == "out_of_range" for c in cards)
    words = f"{theme.plural(len(cards), 'visit')} planned " + (
        f"for the week of {cards[0].week}"
        if cards[0].week == cards[-1].week
        else f"from the week of {cards[0].week} to the week of {cards[-1].week}"
    )
    headlines = [f"{words}; {theme.plural(out, 'install')} out of range at the last reading." if out else f"{words}."]
    rest = (
        f"{theme.plural(in_window - len(cards), 'more visit')} of the coming weeks "
        f"{'stands' if in_window - len(cards) == 1 else 'stand'} in exports/visit_plan.csv."
        if in_window > len(cards)
        else ""
    )
    index = others.select(
        "install_id",
        *(pl.col(name).fill_null("") for name in ("site_label", "model")),
        told(lambda state: theme.STATES[state][1], others["state"]).alias("state"),
        told(lambda on: theme.day(on) if on else "", others["planned_week"]).alias("week"),
    )
    note = (
        f"The search knows the {FIND_ON_PHONE:,} installs of this area that are due soonest, of "
        f"{own.other_installs:,} without a card."
        if own.other_installs > FIND_ON_PHONE
        else ""
    )
    desk = [
        (page_of(area_no, 1 + k * CARDS_A_PAGE), f"part {k + 1}" if len(parts) > 1 else "cards")
        for k in range(len(parts))
    ]
    for k, some in enumerate(parts):
        first = 1 + k * CARDS_A_PAGE
        part = f", part {k + 1} of {len(parts)}" if len(parts) > 1 else ""
        weeks = list(dict.fromkeys((c.planned_week.isoformat(), c.week) for c in some))
        common: dict[str, Any] = {
            "area": theme.named(area, 200),
            "part": part,
            "headlines": headlines,
            "cards": site.part("cards.html.j2", cards=some),
            "weeks": weeks,
            "rest": rest,
        }
        site.write(
            page_of(area_no, first),
            "area.html.j2",
            parts=desk if len(parts) > 1 else [],
            phone=page_of(area_no, first, "phone"),
            find_note="",
            **common,
        )
        site.write_single(
            page_of(area_no, first, "phone"),
            "phone.html.j2",
            index=Markup(json_rows(index if k == 0 else index.clear(), unsafe="<>&'")),
            find_note=note if k == 0 else "",
            **common,
        )


def _search(site: Site, find: pl.DataFrame, heads: pl.DataFrame, names: Mapping[int, str]) -> dict[str, Any]:
    """Write the index by area: [id, site, model, state number, planned week, card number, page number]."""
    cards = heads.select("install_no", "card_no").join(
        heads.select(
            "install_no",
            pl.struct("area_no", "card_no")
            .map_elements(lambda r: page_of(r["area_no"], r["card_no"]), return_dtype=pl.String)
            .alias("page"),
        ),
        on="install_no",
    )
    pages = cards["page"].unique().sort().to_list()
    number = {p: k + 1 for k, p in enumerate(pages)}
    rows = (
        find.join(cards, on="install_no", how="left")
        .sort("area_no", "install_no")
        .with_columns(
            pl.col("page").replace_strict(number, default=0, return_dtype=pl.Int32).fill_null(0),
            pl.col("state").replace_strict(STATE_NO, return_dtype=pl.Int32),
            pl.col("planned_week").dt.to_string("%-d %b %Y").fill_null(""),
            pl.col("card_no").fill_null(0),
            pl.col("site_label").fill_null(""),
            pl.col("model").fill_null(""),
        )
    )
    files = []
    keys = ["install_id", "site_label", "model", "state", "planned_week", "card_no", "page"]
    for (area_no,), part in rows.partition_by("area_no", as_dict=True, maintain_order=True).items():
        for k in range(0, part.height, FIND_A_SHARD):
            name = f"assets/find/area-{int(area_no):02}{f'-{k // FIND_A_SHARD + 1}' if k else ''}.js"
            site.write_index(name, int(area_no), json_rows(part.slice(k, FIND_A_SHARD).select(keys)))
            files.append(name)
    states = [theme.STATES[s][1] for s in theme.STATE_ORDER]
    return {
        "note": "",
        "shards": {
            "files": files,
            "names": [names.get(k, "") for k in range(max(names, default=-1) + 1)],
            "pages": pages,
            "states": states,
        },
    }
