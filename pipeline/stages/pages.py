"""Pages: from the store's views to the published site, in the units the reader works in."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import polars as pl
from altair.utils.schemapi import debug_mode

from models.mapper import here
from pipeline import fuels
from pipeline.kept import vega_script_file
from pipeline.schema import SERIES, Series
from pipeline.settings import Settings
from pipeline.stages.page_bands import fans, model_curves
from pipeline.stages.page_gas import gas_pairs
from pipeline.stages.side_by_side import helpers, side_by_side
from pipeline.store import Store
from pipeline.units import masses_shown, shown_unit, to_shown
from reports.cards import PICTURES
from reports.pages import front, limits, models, quality, staffing, tags, visits
from reports.site import Fleet, Site, clean, shown
from reports.told import told

VIEWS = (
    "80_page_basics.sql",
    "81_page_index.sql",
    "82_page_staffing.sql",
    "83_page_models.sql",
    "84_page_visits.sql",
    "85_page_limits.sql",
    "86_page_tags.sql",
    "87_page_quality.sql",
    "88_page_trust.sql",
)
WEEKS_AHEAD = 8
CARDS_OF_ALL = 16_000  # over the whole fleet; the plan itself is in exports/visit_plan.csv
CARDS_AN_AREA = 1_000
CARDS_ALONE = 1_000  # up to so many are made here, while helpers draw charts
SAMPLED = 400  # installs of a model and fuel from which pictures and the check of limits are made
TAG_WEEKS = 4
TAGS_AN_AREA = 300
FIRING = {"high": ", high fire", "low": ", low fire", "any": ""}

# Listed visits are picked before the values of their tests are worked out; a join would come after.
TAG_TESTS = """
    select t.install_no, r.firing, r.o2_pct, coalesce(r.co2_pct, d.co2_dry_pct) as co2_pct, r.co_ppm, d.co_air_free_ppm,
        d.co_co2_ratio, r.flue_temp_c, r.return_temp_c, d.flue_over_return_k, d.efficiency_gross_pct,
        r.flame_current_ua, d.excess_air_ratio
    from page_tags t join current_readings r using (visit_no)
    left join (from derived where visit_no in ({visits})) d
        on d.visit_no = r.visit_no and d.stage = r.stage and d.firing = r.firing
    where r.stage = 'as_left'
"""


def pages(store: Store, settings: Settings, site: Path, meanwhile: Callable[[], None] = lambda: None) -> list[str]:
    """Write the site into the folder `site`; returns the names of its files. meanwhile: what is done while helpers draw
    charts, once the pages have asked all they want of the store."""
    made = prepare(store, settings, site)
    with debug_mode(False):  # Altair checks charts as wholes only: tests check them piece by piece
        staffing_of(store, made, settings)  # first: soon made, so that a helper has charts to draw meanwhile
        models_of(store, made)
        visits_of(store, made)
        front_of(store, made)
        limits_of(store, made, settings)
        tags_of(store, made, settings)
        quality_of(store, made)
    meanwhile()
    return made.finish()


def prepare(store: Store, settings: Settings, site: Path) -> Site:
    """Make the views and small tables that the pages read; returns the site, still empty."""
    areas = store.scalar("select count(*) from current_areas") or 1
    store.write(
        "page_options",
        pl.DataFrame(
            {
                "weeks_ahead": [WEEKS_AHEAD],
                "cards_per_area": [max(20, min(CARDS_AN_AREA, CARDS_OF_ALL // areas))],
                "models_drawn": [3],
                "points_drawn": [150],
                "pictures_per_card": [PICTURES],
                "installs_sampled": [SAMPLED],
                "travel_minutes": [settings.plan.travel_minutes],
                "tag_weeks": [TAG_WEEKS],
                "tags_per_area": [max(10, min(TAGS_AN_AREA, CARDS_OF_ALL // areas))],
            }
        ),
    )
    store.write("page_series", series_shown(settings.units))
    for name in VIEWS:
        store.run_file(name)
    as_of = date.fromisoformat(store.fact("as_of") or date.today().isoformat())
    return Site(
        site,
        Fleet(
            clean(settings.title),
            as_of,
            settings.units,
            settings.risk_tolerance,
            store.scalar("select count(*) from current_installs"),
        ),
        helpers(),
        vega_script_file(),
    )


def forget_page_tables(store: Store) -> None:
    """Drop the page_* tables, views and macros: the pages are written, and nothing else reads these."""
    made = store.rows(
        r"""
        select 'view', view_name from duckdb_views() where view_name like 'page\_%' escape '\'
        union all select 'table', table_name from duckdb_tables() where table_name like 'page\_%' escape '\'
        union all select distinct 'macro', function_name from duckdb_functions()
            where function_type = 'macro' and function_name like 'page\_%' escape '\'
        """
    )
    for kind, name in made:
        store.run(f"drop {kind} {name}")


def get(store: Store, query: str) -> pl.DataFrame:
    """A query's rows, cleaned for pages and charts."""
    return shown(store.frame(query))


def series_shown(units: str) -> pl.DataFrame:
    """One row per series: its label, and how its values become those shown (value x factor + shift)."""
    rows = []
    for s in SERIES:
        unit = shown_unit(s.unit, units)
        rows.append(
            {
                "series_no": s.series_no,
                "indicator": s.indicator,
                "firing": s.firing,
                "label": label_of(s),
                "short_label": s.title,
                "unit": unit.name.removesuffix(" difference"),
                "unit_inside": s.unit,
                "factor": unit.factor,
                "shift": unit.offset,
                "transform": s.transform,
            }
        )
    return pl.DataFrame(rows, schema_overrides={"series_no": pl.Int32})


def label_of(s: Series) -> str:
    return s.title + FIRING[s.firing]


def _counts(store: Store) -> pl.DataFrame:
    return get(
        store,
        """
        select (select count(*) from current_visits) as visits, (select count(*) from current_readings) as tests,
               (select min(visited_on) from current_visits) as first_on,
               (select max(visited_on) from current_visits) as last_on,
               (select count(*) from (select distinct file, line from rejected_rows
                where reason not like 'file_stopped%')) as set_aside,
               (select count(*) from all_findings) as findings""",
    )


def front_of(store: Store, made: Site) -> None:
    heads = get(store, "select install_no, area_no, card_no from page_cards")
    front.front_page(
        made,
        {
            "due_counts": get(store, "select * from page_due_counts"),
            "area_states": get(store, "select * from page_area_states"),
            "first": get(store, "select * from page_first order by place"),
            "quality_counts": _counts(store),
        },
        visits.card_pages(heads),
    )


def quality_of(store: Store, made: Site) -> None:
    quality.quality_page(
        made,
        {
            **{
                name: get(store, f"select * from page_{name}")
                for name in ("rejected", "doubtful", "doubtful_by", "completeness", "test_completeness")
            },
            "quality_counts": _counts(store),
            "input_files": get(store, "select name, kind, rows, status, message from input_files order by file_id"),
        },
    )


def staffing_of(store: Store, made: Site, settings: Settings) -> None:
    mass = shown_unit("kg", settings.units)
    forward = get(
        store,
        """
        select a.area_no, coalesce(a.area, f.area_id) as area, f.interval_week, f.visits, f.hours
        from page_brought_forward f left join page_area_names a using (area_id) order by area_no, interval_week""",
    )
    media = get(store, "select area_no, area, month, media_kg from page_media order by area_no, month").with_columns(
        (pl.col("media_kg") * mass.factor).alias("media")
    )
    staffing.staffing_page(
        made,
        {
            "weeks": get(store, "select * from page_weeks order by area_no, week"),
            "interval_weeks": get(store, "select * from page_interval_weeks order by week"),
            "forward": forward,
            "media": media,
            "overdue": get(store, "select * from page_overdue"),
            "minutes": get(store, "select * from plan_minutes") if store.has("plan_minutes") else pl.DataFrame(),
            "scenarios": get(store, "select * from plan_scenarios"),
            "comparisons": get(store, "select * from plan_comparisons"),
        },
        mass.name,
    )


def models_of(store: Store, made: Site) -> None:
    views = ("models", "model_limits", "cleaning", "analysers", "pace", "scores", "bins")
    models.models_page(
        made,
        {
            **{name: get(store, f"select * from page_{name}") for name in views},
            "series": get(store, "select series_no, label, unit, transform from page_series where series_no < 8"),
            "model_points": get(
                store, "select * from page_model_points order by series_no, model_no, visit_no, stage, value"
            ),
            "model_curves": shown(model_curves(store)),
            "odd_limits": get(
                store, "select o.*, l.model from page_odd_limits o join page_model_names l using (model_no)"
            ),
        },
    )


def limits_of(store: Store, made: Site, settings: Settings) -> None:
    power = shown_unit("kW", settings.units)
    sheets = get(store, "select * from page_sheets").with_columns(
        to_shown(pl.col("rated_input_kw"), "kW", settings.units).alias("rated_input"),
        pl.lit(power.name).alias("rated_unit"),
    )
    limits.limits_pages(
        made,
        {
            "sheets": sheets,
            "ranges": get(store, "select * from page_limits"),
            "pairs": shown(
                gas_pairs(fuels.load(settings.fuels), sheets["fuel"].drop_nulls().unique().sort().to_list())
            ),
        },
    )


def tags_of(store: Store, made: Site, settings: Settings) -> None:
    units = settings.units
    heads = get(store, "select * from page_tags").with_columns(
        to_shown(pl.col("system_pressure_kpa"), "kPa", units).alias("system_pressure")
    )
    visits = ", ".join(map(str, heads["visit_no"])) or "null"
    tests = get(store, TAG_TESTS.format(visits=visits)).with_columns(
        to_shown(pl.col("flue_temp_c"), "°C", units).alias("flue_temp"),
        to_shown(pl.col("flue_over_return_k"), "K", units).alias("flue_over_return"),
    )
    tags.tags_pages(
        made,
        {"tags": heads, "tag_tests": tests, "tag_limits": get(store, "select * from page_tag_limits")},
        {u: shown_unit(u, units).name.removesuffix(" difference") for u in ("°C", "K", "kPa")},
        TAG_WEEKS,
    )


def visits_of(store: Store, made: Site) -> None:
    heads = get(store, "select * from page_card_heads")
    bring = told(lambda text: text and masses_shown(text, made.fleet.units), heads["take_along"])
    heads = heads.with_columns(take_along=bring)
    visits.visits_pages(
        made,
        {
            "area_visits": get(store, "select * from page_area_visits"),
            "card_heads": heads,
            "card_series": get(store, "select * from page_card_series order by install_no, pressing"),
            "card_points": get(
                store, "select * from page_card_points order by install_no, series_no, visited_on, stage_order"
            ),
            "card_fans": shown(fans(store, made.fleet.as_of)),
            "card_last": get(store, "select * from page_card_last"),
            "sisters": get(store, "select * from page_sisters"),
            "find": get(store, "select * from page_find"),
            "area_names": get(store, "select area_no, area from page_area_names"),
        },
        side_by_side if heads.height > CARDS_ALONE else here,
    )
