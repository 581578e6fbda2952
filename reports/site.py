"""Writes the pages: one copy of the scripts, every text escaped, a content security policy on each page."""

from __future__ import annotations

import base64
import hashlib
import re
from concurrent.futures import Executor
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import altair as alt
import jinja2
import polars as pl
from markupsafe import Markup

from reports import theme
from reports.charts.shapes import Filled
from reports.drawing import Later, drawn_svg, script_later

# Characters that XML does not have: one of them in a drawn string makes vl-convert end the Python process.
NOT_XML = r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]"
CSP_SITE = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src data:; "
    "base-uri 'none'; form-action 'none'"
)
STILL_WIDTH = 640
FEW = 30  # stills that a helper draws before this process, which starts the converter first, has helped it much
Chart = alt.TopLevelMixin | Filled
NAV = (
    ("index.html", "Today"),
    ("staffing.html", "Staffing"),
    ("appliance-models.html", "Appliance models"),
    ("visits.html", "Visits"),
    ("limits.html", "Limits"),
    ("tags.html", "Result tags"),
    ("data-quality.html", "Data quality"),
)


@dataclass(frozen=True)
class Fleet:
    """What every page says of the run.

    units: 'si' or 'us'; risk_tolerance: accepted chance of being out at the visit.
    """

    title: str
    as_of: date
    units: str
    risk_tolerance: float
    installs: int


def shown(frame: pl.DataFrame) -> pl.DataFrame:
    """A frame as charts and pages may have it: no control characters, no NaN, six figures, no decimals of DuckDB's."""
    number = pl.col(pl.Float32, pl.Float64).cast(pl.Float64)
    return frame.with_columns(pl.col(pl.Decimal).cast(pl.Float64)).with_columns(
        pl.col(pl.String).str.replace_all(NOT_XML, "\ufffd"),
        pl.when(number.is_finite()).then(number.round_sig_figs(6)),
    )


def clean(text: str) -> str:
    return re.sub(NOT_XML, "\ufffd", text)


def whole(chart: Chart) -> dict[str, Any]:
    """A chart as its specification with its data.

    Checked against the schema by the tests of charts, not at each run.
    """
    with alt.data_transformers.disable_max_rows():
        spec = chart.to_dict(validate=False)
    return spec | {"config": theme.CONFIG}


def split(spec: dict[str, Any]) -> tuple[dict[str, Any], dict[str, dict[str, list[Any]]]]:
    """A specification without its data, and the data by column: half the bytes of rows.

    Data sets are named by their content, so that equal frames are stored once on a page.
    """
    bare = {k: v for k, v in spec.items() if k != "datasets"}
    return bare, {
        name: {c: [r[c] for r in rows] for c in rows[0]} if rows else {}
        for name, rows in spec.get("datasets", {}).items()
    }


def still(svg: str, name: str) -> Markup:
    """A drawn chart for paper and for readers without scripts; its ids are made unique, the same bytes each run."""
    for k, old in enumerate(dict.fromkeys(re.findall(r'\bid="([^"]+)"', svg))):
        svg = svg.replace(f'id="{old}"', f'id="{name}-{k}"').replace(f"url(#{old})", f"url(#{name}-{k})")
    return Markup(svg)


@cache
def asset(name: str) -> str:
    return files("reports").joinpath("assets", name).read_text(encoding="utf-8")


def script(name: str) -> str:
    """A page's own script with what both of them search by."""
    return asset("fold.js") + asset(name)


@cache
def templates() -> jinja2.Environment:
    env = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=jinja2.FunctionLoader(
            lambda name: files("reports").joinpath("templates", name).read_text(encoding="utf-8")
        ),
    )
    env.policies["json.dumps_kwargs"] = {"separators": (",", ":"), "allow_nan": False}
    env.globals.update(
        number=theme.number,
        quantity=theme.quantity,
        chance=theme.chance,
        day=theme.day,
        month=theme.month,
        plural=theme.plural,
        rate=theme.rate,
        limits_text=theme.limits_text,
        STATES=theme.STATES,
        DASH=theme.DASH,
        NBSP=theme.NBSP,
    )
    return env


@dataclass
class Figure:
    """A chart on its way to a page: the drawn one, its still, and the sentence read aloud and printed above it."""

    name: str
    chart: Chart
    finding: str
    note: str = ""
    height_px: int = 300
    still: Markup = field(default_factory=Markup)


@dataclass
class Waiting:
    """A page whose charts are being drawn."""

    name: str
    template: str
    figures: list[Figure]
    specs: dict[str, Any]
    data: dict[str, Any]
    drawn: list[Later]
    context: dict[str, Any]


class Site:
    """The folder being written. `write` makes a page; `write_single` makes one that needs no file beside it.

    helper: draws charts while pages are made; without one they are drawn here. Pages with charts are written by
    `finish`. kept: where the charts' script is taken from, and left for the next run.
    """

    def __init__(self, folder: Path, fleet: Fleet, helper: Executor | None = None, kept: Path | None = None) -> None:
        self.folder = folder
        self.fleet = fleet
        self.pages: list[str] = []
        self._helper = helper
        self._waiting: list[Waiting] = []
        self._script = script_later(helper, kept)
        folder.mkdir(parents=True, exist_ok=True)

    def write(self, name: str, template: str, figures: list[Figure] | None = None, **context: Any) -> None:
        """Write a page of the site; figures are drawn live by the page's script and stand in it as stills."""
        page = Waiting(name, template, figures or [], {}, {}, [], context)
        for figure in page.figures:
            spec = whole(figure.chart) | {"description": clean(figure.finding)}  # read aloud as the chart's label
            page.specs[figure.name], rows = split(spec)
            page.data.update(rows)
            page.drawn.append(Later(self._helper, drawn_svg, {**spec, "width": STILL_WIDTH}, theme.LIGHT))
        if page.figures:
            self._waiting.append(page)
        else:
            self._render(page)

    def finish(self) -> list[str]:
        """Write the pages whose charts were waited for, the scripts and the style sheet; returns all pages."""
        drawn = [later for page in self._waiting for later in page.drawn]
        if sum(later.waits for later in drawn) > FEW:
            for later in reversed(drawn):
                later.take_back()
        for page in self._waiting:
            prefix = re.sub(r"[^a-z0-9]", "", page.name.removesuffix(".html"))
            for figure, later in zip(page.figures, page.drawn, strict=True):
                figure.still = still(later.text(), f"{prefix}-{figure.name}")
            self._render(page)
        self._waiting.clear()
        target = self.folder / "assets"
        target.mkdir(exist_ok=True)
        (target / "vega.js").write_text(self._script.text(), encoding="utf-8")
        for name in ("page.js", "phone.js"):
            (target / name).write_text(script(name), encoding="utf-8")
        (target / "page.css").write_text(asset("page.css"), encoding="utf-8")
        return self.pages

    def _render(self, page: Waiting) -> None:
        html = (
            templates()
            .get_template(page.template)
            .render(
                fleet=self.fleet,
                nav=NAV,
                here=page.name,
                root="../" * page.name.count("/"),
                csp=CSP_SITE,
                specs=page.specs,
                data=page.data,
                fig={figure.name: figure for figure in page.figures},
                **page.context,
            )
        )
        self._put(page.name, html)

    @staticmethod
    def part(template: str, **context: Any) -> Markup:
        """A part that stands on several pages, made once."""
        return Markup(templates().get_template(template).render(context))

    def write_single(self, name: str, template: str, **context: Any) -> None:
        """Write a page that carries its own style and script, for a phone that is handed one file."""
        own = script("phone.js")
        csp = (
            f"default-src 'none'; script-src 'sha256-{_sha(own)}'; style-src 'unsafe-inline'; img-src data:; "
            "base-uri 'none'; form-action 'none'"
        )
        html = (
            templates()
            .get_template(template)
            .render(fleet=self.fleet, csp=csp, script=Markup(own), style=Markup(asset("page.css")), **context)
        )
        self._put(name, html)

    def write_index(self, name: str, area_no: int, rows: str) -> None:
        """A shard of the install search: a script, since a page opened from disk may fetch nothing else.

        rows: as JSON in which no < is left.
        """
        self._put(name, f"foulcastFind({area_no},{rows});\n")

    def _put(self, name: str, text: str) -> None:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        self.pages.append(name)


def _sha(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
