"""The reference tables that were taken: current_areas, current_models, current_limits, current_installs,
current_capacity."""

from __future__ import annotations

from pipeline import fuels
from pipeline.errors import FleetError, shown_value
from pipeline.intake import aside, repeats
from pipeline.intake.seen import make_seen
from pipeline.schema import MONTHS, SERIES
from pipeline.settings import Settings
from pipeline.store import AS_BYTES, Store, literal

LOADS = [f"load_{month}" for month in MONTHS]
MOST_OFF = 0.05
ROUNDING = 0.002

# What is not given: a model is its own exchanger design, condenses, and is served once a year.
MODELS = """
select model_id, (row_number() over (order by model_id) - 1)::integer as model_no, coalesce(name, model_id) as name,
    coalesce(exchanger_design, model_id) as exchanger_design,
    (dense_rank() over (order by coalesce(exchanger_design, model_id)) - 1)::integer as design_no,
    coalesce(exchanger_material::varchar, 'unknown') as exchanger_material, coalesce(condensing, true) as condensing,
    rated_input_kw, coalesce(service_interval_months, 12.0) as service_interval_months,
    exchanger_cleaning_minutes, trap_cleaning_minutes, base_visit_minutes
from {taken} order by model_id
"""
# Numbered in the order in which they are written: to sort once more for the numbers takes a quarter of the statement.
INSTALLS = f"""(
    install_id varchar{AS_BYTES}, install_no integer, model_id varchar, model_no integer, design_no integer,
    area_id varchar, area_no integer, site_label varchar{AS_BYTES}, fuel varchar, installed_on date,
    altitude_m double, air_intake varchar, water_hardness_mg_l double, media_kg double, burner_hours_per_year double
);
insert into current_installs
select install_id, row_number() over () - 1, * exclude (install_id)
from (
    select i.install_id, i.model_id, m.model_no, m.design_no, i.area_id, a.area_no, i.site_label,
        case when i.fuel in (select fuel from known_fuels) then i.fuel end, i.installed_on, coalesce(i.altitude_m, 0.0),
        coalesce(i.air_intake::varchar, 'unknown'), i.water_hardness_mg_l, i.media_kg, i.burner_hours_per_year
    from {{taken}} i join current_models m using (model_id) join current_areas a using (area_id)
    order by i.install_id
)
"""
LIMITS = """
select model_id, fuel, firing::varchar as firing, indicator::varchar as indicator, low, high,
    coalesce(source, '') as source
from {taken} where low is not null or high is not null order by all
"""
CAPACITY = "select area_id, week, hours_available from {taken} order by area_id, week"


def take_reference(store: Store, settings: Settings, warnings: list[str]) -> None:
    """Check and write the five reference tables, in the order in which they refer to each other.

    Raises FleetError where a table leaves nothing to work with, or an area's load shares cannot be shares of a year.
    """
    names = sorted({*fuels.load(settings.fuels)})
    store.run("create or replace temp table known_fuels (fuel varchar)")
    store.db.executemany("insert into known_fuels values (?)", [[name] for name in names])
    store.run("create or replace temp table known_series (indicator varchar, firing varchar, above_nought boolean)")
    store.db.executemany(
        "insert into known_series values (?, ?, ?)", [[s.indicator, s.firing, s.transform == "log"] for s in SERIES]
    )
    _take(store, "areas")
    _write_areas(store, warnings)
    for kind, table, query in (
        ("appliance_models", "current_models", f"as {MODELS}"),
        ("limits", "current_limits", f"as {LIMITS}"),
        ("installs", "current_installs", INSTALLS),
        ("capacity", "current_capacity", f"as {CAPACITY}"),
    ):
        _take(store, kind)
        store.run(f"create or replace table {table} {query.format(taken=_taken(kind))}")
        if kind in ("appliance_models", "installs") and not store.scalar(f"select count(*) from {table}"):
            raise FleetError(_nothing_left(store, kind))
    installs, fuelled = store.rows(f"select count(*), count(fuel) from {_taken('installs')}")[0]
    if fuelled < installs:
        warnings.append(
            f"installs: {installs - fuelled:,} of {installs:,} give no fuel; what needs it (excess air, CO2, dew "
            "point, losses, efficiency) is not computed for them. Write it into the column fuel."
        )
    for column, told in (
        ("condensing", "does not say whether the appliance condenses; taken as condensing"),
        ("service_interval_months", "gives no service interval; taken as 12 months"),
    ):
        models = [
            m
            for (m,) in store.rows(
                f"select model_id from {_taken('appliance_models')} where {column} is null order by 1"
            )
        ]
        if models:
            warnings.append(f"appliance_models: {', '.join(models[:5])}{' …' if len(models) > 5 else ''} {told}.")


def _take(store: Store, kind: str) -> None:
    make_seen(store, kind)
    aside.set_aside(store, kind)
    repeats.settle(store, kind, repeats.repeats_by_key(store, kind))
    aside.find(store, kind)


def _taken(kind: str) -> str:
    return f"(select * from seen_{kind} where row not in (select row from set_aside_rows where kind = {literal(kind)}))"


def _write_areas(store: Store, warnings: list[str]) -> None:
    """current_areas, with twelve load shares that sum to 1: flat where none is given, else scaled by at most 5 %."""
    shares = ", ".join(f"coalesce({c}, 0)" for c in LOADS)
    summed = " + ".join(f"coalesce({c}, 0)" for c in LOADS)
    given = " or ".join(f"{c} is not null" for c in LOADS)
    unread = "list_filter(odd, lambda o: starts_with(o.cell, 'load_'))[1]"
    found = store.rows(
        f"select area_id, ({summed}), ({given}), {unread}.cell, {unread}.written from {_taken('areas')} order by 1"
    )
    if not found:
        raise FleetError(_nothing_left(store, "areas"))
    for area, total, has_shares, cell, written in found:
        if has_shares and abs(total - 1) > MOST_OFF:
            why = f" {cell} {shown_value(written)} was not read as a share." if cell else ""
            why += " They look like percent: divide them by 100." if abs(total / 100 - 1) <= MOST_OFF else ""
            raise FleetError(
                f"areas: the load shares of {shown_value(area)} sum to {total:.4g}; twelve shares of a year sum to 1 "
                f"(up to 5 % off is scaled).{why} Mend load_jan … load_dec, or leave all twelve empty for a flat load."
            )
    rows = [row[:3] for row in found]
    off = [area for area, total, has_shares in rows if has_shares and abs(total - 1) > ROUNDING]
    if off:
        warnings.append(
            f"areas: the load shares of {', '.join(off[:5])}{' …' if len(off) > 5 else ''} do not sum to 1 "
            f"and were scaled."
        )
    flat = [area for area, _, has_shares in rows if not has_shares]
    if flat:
        warnings.append(
            f"areas: no load shares of {', '.join(flat[:5])}{' …' if len(flat) > 5 else ''}; a flat load is used."
        )
    store.run(
        f"""
        create or replace table current_areas as
        select area_id, (row_number() over (order by area_id) - 1)::integer as area_no, coalesce(name, area_id) as name,
            (case when {given} then list_transform([{shares}], lambda x: x / ({summed}))
             else list_transform(range(12), lambda x: 1.0 / 12) end)::double[12] as load
        from {_taken("areas")} order by area_id
        """
    )


def _nothing_left(store: Store, kind: str) -> str:
    reasons = store.rows(
        "select rule, cell, min(written), min(told), count(*), sum(count(*)) over () from set_aside_rows "
        "where kind = ? group by rule, cell order by 5 desc, 1, 2 limit 1",
        [kind],
    )
    if not reasons:
        return f"{kind}: the table has no rows. Add at least one."
    rule, cell, written, told, count, total = reasons[0]
    value = f" {shown_value(written)}" if written else ""
    return (
        f"{kind}: no row could be taken; {count:,} of {total:,} for this reason: {rule}, column {cell}{value}: {told}. "
        "Mend the table and run again."
    )
