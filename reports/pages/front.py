"""The first page: what needs doing first, the state of the fleet, what the data are."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import polars as pl
from markupsafe import Markup, escape

from reports import tables, theme
from reports.charts import staffing as charts
from reports.site import Figure, Site
from reports.told import last_values

AREAS_DRAWN = 30
OLD_DAYS = 60  # from the newest visit on which a fleet in service has had another


def front_page(site: Site, frames: Mapping[str, pl.DataFrame], card_pages: Mapping[int, str]) -> None:
    """index.html.

    frames: due_counts, first, area_states, quality_counts; card_pages: install_no -> page with its card.
    """
    due = frames["due_counts"].row(0, named=True)
    tolerance = theme.percent(site.fleet.risk_tolerance)
    out = due["out_now"]
    tiles = [
        {"count": f"{out:,}", "words": "▲ out of range at the last reading", "state": "out_of_range"},
        {
            "count": f"{due['due_30']:,}",
            "words": f"◆ due within 30 days (chance of being out passes {tolerance})",
            "state": "due",
        },
        {"count": f"{due['due_60']:,}", "words": "◆ due within 60 days", "state": "due"},
        {"count": f"{due['due_90']:,}", "words": "◆ due within 90 days", "state": "due"},
        {"count": f"{due['unknown']:,}", "words": "○ unknown", "state": "unknown"},
    ]
    figures, table = _area_states(frames["area_states"])
    site.write(
        "index.html",
        "index.html.j2",
        figures,
        headlines=[*headlines(due, tolerance), *_old(frames["quality_counts"]["last_on"][0], site.fleet.as_of)],
        tiles=tiles,
        first=_first(frames["first"], card_pages, out + due["due_90"]),
        areas=table,
        data_words=_data_words(frames["quality_counts"]),
    )


def _old(last_on: date | None, as_of: date) -> list[str]:
    """That the newest visit lies far back, where it does."""
    days = (as_of - last_on).days if last_on else 0
    if days <= OLD_DAYS:
        return []
    return [
        f"The newest visit is of {theme.day(last_on)}, {days:,} days before: what was done since is not known here."
    ]


def headlines(due: Mapping[str, int], tolerance: str) -> list[str]:
    """What the manager reads first. due: the row of due_counts; tolerance: the accepted chance, in words."""
    out, installs = due["out_now"], due["installs"]
    if not installs:
        return ["No install is on record yet."]
    said = [
        f"{theme.plural(out, 'install')} of {installs:,} {'was' if out == 1 else 'were'} out of range at the last "
        "reading."
        if out
        else f"None of {theme.plural(installs, 'install')} was out of range at the last reading."
        if installs > 1
        else "The one install was not out of range at its last reading."
    ]
    said += [*_pressing(due), *_late(due), _due(due, tolerance)]
    if due["unknown"]:
        said.append(
            f"{theme.plural(due['unknown'], 'install')} cannot be judged: no reading yet or none since the last work, "
            "or no limit known."
        )
    return said


def _pressing(due: Mapping[str, int]) -> list[str]:
    """How many of the installs out of range miss more than a limit in doubt or that of the water pressure; nothing
    where every one does."""
    waits = []
    if due["out_limit"]:
        waits.append(f"a limit that is in doubt ({due['out_limit']:,})")
    if due["out_pressure"]:
        waits.append(f"the range of the water pressure ({due['out_pressure']:,})")
    if not waits:
        return []
    pressing = _press(due)
    only = f"only {' or '.join(waits)}, which brings no visit forward."
    if due["out_now"] == 1:
        return [f"It is not pressing: it misses {only}"]
    if not pressing:
        return [f"None of them is pressing: they miss {only}"]
    others = "other misses" if due["out_now"] - pressing == 1 else "others miss"
    return [f"{pressing:,} of them {'is' if pressing == 1 else 'are'} pressing; the {others} {only}"]


def _press(due: Mapping[str, int]) -> int:
    return due["out_now"] - due["out_limit"] - due["out_pressure"]


def _late(due: Mapping[str, int]) -> list[str]:
    """Of the installs that press, those without a visit soon; a limit in doubt or the water pressure can wait."""
    late, pressing = due["out_late"], _press(due)
    if not late:
        return []
    of_some = " pressing ones" if pressing < due["out_now"] else ""
    if late < pressing:
        who = f"{late:,} of the {pressing:,}{of_some}"
    elif late > 1:
        who = f"{'Both' if late == 2 else f'All {late:,}'}{of_some}"
    else:
        who = "The pressing one" if of_some else "It"
    return [
        f"{who} {'has' if late == 1 else 'have'} no planned visit within four weeks: confirm and make safe first, do "
        "not wait for the plan."
    ]


def _due(due: Mapping[str, int], tolerance: str) -> str:
    """How many more pass the accepted chance, and when."""
    passed = f"the accepted chance of being out of range ({tolerance})"
    other = "other install" if due["out_now"] else "install"
    if not due["due_90"]:
        return f"No {other} passes {passed} within 90 days."
    if not due["due_30"]:
        return f"No {other} passes {passed} within 30 days; {due['due_90']:,} within 90 days."
    return (
        f"{theme.plural(due['due_30'], other)} {'has' if due['due_30'] == 1 else 'have'} passed, or will within 30 "
        f"days, {passed}; {due['due_90']:,} within 90 days."
    )


def install_link(row: Mapping[str, object], card_pages: Mapping[int, str], root: str = "") -> Markup:
    """The install's name, as a link to its card where it has one."""
    label = escape(str(row["site_label"] or row["install_id"]))
    page = card_pages.get(int(str(row["install_no"])))
    if page:
        return Markup(f'<a href="{root}{page}"><bdi>') + label + Markup("</bdi></a>")
    return Markup("<bdi>") + label + Markup("</bdi>")


def _first(first: pl.DataFrame, card_pages: Mapping[int, str], all_of_them: int) -> tables.Table:
    """What to see to first. all_of_them: how many installs are out of range or due, in the table or not."""
    first = first.with_columns(shown=last_values(first))

    def reading(row: dict) -> str:
        if row["label"] is None:
            return theme.DASH
        limits = theme.limits_text(row["limit_low"], row["limit_high"], row["unit"])
        if row["last_value"] is None:
            return f"{row['label']}: never read ({limits})"
        before = " before the last work, not read since" if row["before_work"] else ""
        doubt = "; limit in doubt" if row["limit_doubted"] else "; reading in doubt" if row["doubted"] else ""
        return f"{row['label']}: {row['shown']}{before} ({limits}{doubt})"

    columns = [
        tables.Column("Install", lambda r: install_link(r, card_pages)),
        tables.Column("State", lambda r: tables.state_mark(r["state"])),
        tables.Column("Area", tables.words("area")),
        tables.Column("Appliance model", tables.words("model")),
        tables.Column("Reading that presses most", reading),
        tables.Column("Chance out now", tables.chances("p_out_now"), True),
        tables.Column("Due by", tables.dates("due_on")),
        tables.Column("Planned week of", tables.dates("planned_week")),
    ]
    caption = "Out of range first, those that press before the others; then by the chance of being out now"
    table = tables.build(caption, first, columns)
    table.stack = True
    said = [f"The first {first.height:,} of {all_of_them:,}."] if all_of_them > first.height else []
    if first["limit_doubted"].any():
        said.append(
            "Limit in doubt: right after work, too, most readings of this model miss it, so it brings no visit "
            "forward; see the limits that look wrong on the page of appliance models."
        )
    if first["doubted"].any():
        said.append(
            "Reading in doubt: the forecasts leave it out, but nobody may pass it over: test again before all else."
        )
    if (first["indicator"] == "system_pressure_kpa").any():
        said.append("System pressure is topped up at the planned visit, unless it is far out.")
    table.note = " ".join(said)
    return table


def _area_states(states: pl.DataFrame) -> tuple[list[Figure], tables.Table]:
    if states.is_empty():
        return [], tables.Table("", [])
    wide = (
        states.group_by("area_no", "area")
        .agg(
            *(pl.col("installs").filter(pl.col("state") == s).sum().alias(s) for s in theme.STATE_ORDER),
            pl.col("installs").sum().alias("all"),
        )
        .with_columns(((pl.col("out_of_range") + pl.col("due")) / pl.col("all")).alias("share"))
        .sort(["share", "area_no"], descending=[True, False])
    )
    drawn = wide.head(AREAS_DRAWN)
    rank = {s: k for k, s in enumerate(theme.STATE_ORDER)}
    tall = (
        drawn.select("area", *theme.STATE_ORDER)
        .unpivot(index="area", variable_name="key", value_name="installs")
        .join(drawn.select("area").with_row_index("at"), on="area")
        .with_columns(
            pl.col("key").replace_strict({s: v[1] for s, v in theme.STATES.items()}).alias("state"),
            pl.col("key").replace_strict(rank).alias("rank"),
        )
        .sort("at", "rank")
        .select("area", "state", "rank", "installs")
    )
    worst = wide.row(0, named=True)
    finding = (
        f"{theme.named(worst['area'])} has the largest share that is out of range or due within 90 days: "
        f"{worst['out_of_range'] + worst['due']:,} of {theme.plural(worst['all'], 'install')}."
    )
    if wide.height == 1 or not worst["share"]:
        some, every = worst["out_of_range"] + worst["due"], theme.plural(int(wide["all"].sum()), "install")
        count = f"{f'{some:,}' if some else 'None'} of {every} {'are' if some > 1 else 'is'}"
        finding = f"{count} out of range or due within 90 days."
        if wide["all"].sum() == 1:
            either = ("", "or") if some else ("neither ", "nor")
            finding = f"The one install is {either[0]}out of range {either[1]} due within 90 days."
    note = (
        f"The {AREAS_DRAWN} areas with the largest share are drawn, of {wide.height:,}."
        if wide.height > AREAS_DRAWN
        else ""
    )
    columns = [
        tables.Column("Area", tables.words("area")),
        *(
            tables.Column(f"{theme.STATES[s][0]} {theme.STATES[s][1]}", tables.figures(s), True)
            for s in theme.STATE_ORDER
        ),
        tables.Column("All installs", tables.figures("all"), True),
    ]
    table = tables.build(
        "Installs by area and state", wide, columns, 60, rest=("area", "areas"), where="in exports/visit_plan.csv"
    )
    return [Figure("state", charts.fleet_state_chart(tall), finding, note, 60 + 22 * drawn.height)], table


def _data_words(counts: pl.DataFrame) -> list[str]:
    c = counts.row(0, named=True)
    said = [
        f"{theme.plural(c['visits'], 'visit')} and {theme.plural(c['tests'], 'analyser test')} from "
        f"{theme.day(c['first_on'])} "
        f"to {theme.day(c['last_on'])}."
        if c["visits"]
        else "No visit has been read yet."
    ]
    said.append(
        f"{theme.plural(c['set_aside'], 'row')} set aside, {theme.plural(c['findings'], 'doubtful value')} marked."
        if c["set_aside"] or c["findings"]
        else "No row was set aside and no value is in doubt."
    )
    return said
