"""The data quality page: what was set aside, what is in doubt, what is often left out."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from reports import tables, theme
from reports.charts import trust as charts
from reports.site import Figure, Site


def quality_page(site: Site, frames: Mapping[str, pl.DataFrame]) -> None:
    """data-quality.html.

    frames: rejected, doubtful, doubtful_by, completeness, test_completeness, input_files, quality_counts.
    """
    rejected = frames["rejected"].sort(["rows", "reason"], descending=[True, False], nulls_last=True)
    doubtful = frames["doubtful"].sort(["cells", "rule"], descending=[True, False], nulls_last=True)
    counts = frames["quality_counts"].row(0, named=True)
    read = counts["visits"] + counts["tests"]
    headlines = []
    if rejected.height:
        top = rejected.row(0, named=True)
        headlines.append(
            f"{theme.plural(counts['set_aside'], 'row')} set aside, beside {read:,} visits and tests taken; "
            f"most often: {_rule(top['reason'])} ({theme.plural(top['rows'], 'row')})."
        )
    else:
        headlines.append(f"No row was set aside; {read:,} visits and tests were taken.")
    if doubtful.height:
        kept = int(doubtful["kept_out"].sum())
        top = doubtful.row(0, named=True)
        headlines.append(
            f"{theme.plural(counts['findings'], 'value')} in doubt, {kept:,} kept out of the fit; most often: "
            f"{_rule(top['rule'])} ({top['cells']:,})."
        )
    figures = []
    if doubtful.height:
        bars = doubtful.head(20).select(
            pl.col("rule").fill_null("no rule named").str.replace_all("_", " ", literal=True).alias("label"),
            pl.col("cells").alias("count"),
        )
        figures.append(
            Figure(
                "doubt",
                charts.counts_chart(bars, "Values in doubt"),
                f"Most often: {_rule(top['rule'])}, {top['cells']:,} of "
                f"{theme.plural(counts['findings'], 'value')} in doubt.",
                height_px=60 + 22 * bars.height,
            )
        )
    place = lambda r: tables.bdi(f"{r['file']}, line {r['line']}" if r["line"] is not None else r["file"])
    value = lambda r: tables.bdi(f"{r['column'] or ''} {theme.DASH if r['value'] is None else r['value'][:60]}".strip())
    who = frames["doubtful_by"].sort(["findings", "kind", "who"], descending=[True, False, False])
    reasons = tables.build(
        "Reasons, most frequent first",
        rejected,
        [
            tables.Column("Reason", lambda r: tables.bdi(_rule(r["reason"]))),
            tables.Column("Rows", tables.figures("rows"), True),
            tables.Column("For example in", place),
            tables.Column("Column and value", value),
            tables.Column("In words", lambda r: tables.bdi((r["words"] or "").removeprefix(f"{r['reason']}: "))),
        ],
        40,
        rest=("reason", "reasons"),
    )
    rules = tables.build(
        "Rules, most frequent first",
        doubtful,
        [
            tables.Column("Rule", lambda r: tables.bdi(_rule(r["rule"]))),
            tables.Column("Values", tables.figures("cells"), True),
            tables.Column("Kept out of the fit", tables.figures("kept_out"), True),
            tables.Column("Installs", tables.figures("installs"), True),
            tables.Column("For example", tables.words("message")),
            tables.Column("In", place),
            tables.Column("Column and value", value),
        ],
        40,
        rest=("rule", "rules"),
    )
    reasons.stack = rules.stack = True  # sentences in them would leave a phone gaps beside the figures
    site.write(
        "data-quality.html",
        "data-quality.html.j2",
        figures,
        headlines=headlines,
        rejected=reasons,
        doubtful=rules,
        who=tables.build(
            "Analysers and technicians with most values in doubt",
            who,
            [
                tables.Column("Whose", lambda r: tables.bdi(f"{r['kind']} {r['who']}")),
                tables.Column("Values in doubt", tables.figures("findings"), True),
            ],
            15,
            rest=("of them", "of them"),
        ),
        complete=_complete(frames["completeness"]),
        tests=_test_complete(frames["test_completeness"]),
        input_files=tables.build(
            "Files, in the order taken",
            frames["input_files"],
            [
                tables.Column("File", tables.words("name")),
                tables.Column("Kind", tables.words("kind")),
                tables.Column("Rows", tables.figures("rows"), True),
                tables.Column("Status", tables.words("status")),
                tables.Column("Remark", tables.words("message")),
            ],
            200,
            rest=("file", "files"),
            where="in exports/run.json",
        ),
    )


def _rule(rule: str | None) -> str:
    return (rule or "no rule named").replace("_", " ")


def _complete(frame: pl.DataFrame) -> tables.Table:
    names = {
        "with_counter": "burner-hours counter",
        "with_cleaning": "whether the exchanger was cleaned",
        "with_trap": "trap drain time as found",
        "with_ph": "condensate pH as found",
        "with_minutes": "minutes on site",
    }
    row = frame.row(0, named=True)
    rows = pl.DataFrame(
        {"what": list(names.values()), "share": [row[k] for k in names]},
        schema={"what": pl.String, "share": pl.Float64},
    )
    return tables.build(
        f"Share of {theme.plural(row['visits'], 'visit')} that record it",
        rows.sort("share", "what", nulls_last=True),
        [tables.Column("What", tables.words("what")), tables.Column("Recorded", tables.shares("share"), True)],
    )


def _test_complete(frame: pl.DataFrame) -> tables.Table:
    names = {
        "o2": "O2",
        "co2": "CO2",
        "co": "CO",
        "flue": "Flue temp.",
        "return": "Return temp.",
        "flame": "Flame current",
        "analyser": "Analyser",
    }
    return tables.build(
        "Share of tests that record it",
        frame.sort("stage", "firing"),
        [
            tables.Column("Test", lambda r: f"{r['stage'].replace('_', ' ')}, {r['firing']} fire"),
            tables.Column("Tests", tables.figures("tests"), True),
            *(tables.Column(t, tables.shares(f"with_{k}"), True) for k, t in names.items()),
        ],
    )
