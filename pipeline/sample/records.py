"""What technicians wrote down: frames of installs, visits and readings in the fleet folder's columns, gaps included."""

import numpy as np
import polars as pl

from pipeline import combustion, fuels
from pipeline.sample.draws import Draws
from pipeline.sample.scenario import DESIGNS, FUELS, SITE_BIOGAS, STREETS
from pipeline.sample.simulate import BREAKDOWN, CLEANINGS, COMMISSIONING, NONE, PURPOSES, Fleet, Visits, own_unit
from pipeline.sample.truth import Truth

_NOTES = (
    "",
    "access by the yard",
    "customer not at home, key at the office",
    "fan noisy",
    "filling loop dripping",
    "siphon refilled",
    "advised on water treatment",
    "door seal replaced",
    "outside sensor loose",
)


def names(prefix: str, number: np.ndarray, width: int) -> pl.Series:
    """Keys such as K0000012 from whole numbers."""
    return pl.select(prefix + pl.Series(number).cast(pl.String).str.zfill(width)).to_series()


def _pick(values: tuple[str, ...], index: np.ndarray) -> pl.Series:
    return pl.Series(values)[pl.Series(index)]


def _blank(values: np.ndarray, keep: np.ndarray) -> pl.Series:
    """The values as a column, null where not kept or not a number."""
    return pl.select(pl.when(pl.Series(keep)).then(pl.Series(values)).fill_nan(None)).to_series()


def _blank_whole(values: np.ndarray, keep: np.ndarray) -> pl.Series:
    return pl.select(pl.when(pl.Series(keep)).then(pl.Series(values).cast(pl.Int64))).to_series()


def install_frame(truth: Truth, draws: Draws, areas: tuple[str, ...]) -> pl.DataFrame:
    """installs.csv: one row per install of the block."""
    number = truth.number
    estimate = np.round(truth.hours_per_year * np.exp(0.18 * draws.normal("estimate", number)), -1)
    hardness_known = draws.uniform("hardness known", number) < 0.8
    return pl.DataFrame(
        {
            "install_id": names("K", number, 7),
            "model_id": names("M", truth.model + 1, 2),
            "area_id": names("A", truth.area + 1, 2),
            "site_label": pl.select(pl.format("{} {}, {}", *_address(number, truth.area, areas))).to_series(),
            "fuel": _pick(FUELS, truth.fuel),
            "installed_on": pl.Series(truth.installed_day.astype(np.int32)).cast(pl.Date),
            "altitude_m": truth.altitude_m.astype(np.int64),
            "air_intake": _blank_text(
                _pick(("outdoor", "room"), truth.room_air.astype(int)), draws.uniform("air intake known", number) > 0.03
            ),
            "water_hardness_mg_l": _blank_whole(np.round(truth.hardness_mg_l, -1), hardness_known),
            "media_kg": _blank(truth.media_kg, ~np.isnan(truth.media_kg)),
            "burner_hours_per_year": _blank_whole(estimate, draws.uniform("estimated", number) < 0.7),
        }
    )


def _address(number: np.ndarray, area: np.ndarray, areas: tuple[str, ...]) -> tuple[pl.Series, pl.Series, pl.Series]:
    return 1 + pl.Series(number) % 97, _pick(STREETS, number % len(STREETS)), _pick(areas, area)


def _blank_text(values: pl.Series, keep: np.ndarray) -> pl.Series:
    return pl.select(pl.when(pl.Series(keep)).then(values)).to_series()


def visit_frame(fleet: Fleet, visits: Visits) -> pl.DataFrame:
    """visits/*.csv: one row per visit, with the gaps that records have; as `visits` ordered by install, then time."""
    draws, truth = fleet.scenario.draws, fleet.truth
    who, turn, at = truth.number[visits.install], visits.turn, visits.install

    def chance(what: str, p: float) -> np.ndarray:
        return draws.uniform(what, who, turn) < p

    has_counter = draws.uniform("counter", who) < 0.78
    counter = np.floor(visits.clock_h - visits.counter_from_h)
    starts = np.floor(counter * (1.5 + 5 * draws.uniform("starts", who)))
    trap, ph = own_unit(visits.seen_found)[:, 6], np.clip(visits.seen_found[:, 7], 2.4, 9.8)
    trap_left, ph_left = own_unit(visits.seen_left)[:, 6], np.clip(visits.seen_left[:, 7], 2.4, 9.8)
    found, condensing, media = visits.has_found, truth.applies[at, 6], truth.applies[at, 7]
    new = visits.purpose == COMMISSIONING
    pressure = np.clip(np.round(130 + 18 * draws.normal("pressure", who, turn)), 20, 250)
    pressed = chance("pressure read", 0.7)
    note = np.where(chance("note", 0.12), draws.choice("which note", who, np.ones(len(_NOTES)), turn), 0)
    return pl.DataFrame(
        {
            "visit_id": visit_ids(who, turn),
            "install_id": names("K", who, 7),
            "visited_on": pl.Series(visits.day.astype(np.int32)).cast(pl.Date),
            "technician_id": names("T", visits.technician + 1, 4),
            "purpose": _pick(PURPOSES, visits.purpose),
            "minutes_on_site": _blank_whole(visits.minutes, chance("minutes noted", 0.92)),
            "burner_hours": _blank_whole(counter, has_counter & chance("counter read", 0.78)),
            "ignitions": _blank_whole(starts, has_counter & chance("starts read", 0.4)),
            "exchanger_cleaning": _blank_text(_pick(CLEANINGS, visits.cleaning), chance("cleaning noted", 0.985)),
            "trap_cleaned": _blank_text(_flags(visits.trap_cleaned), chance("trap noted", 0.97) & condensing),
            "media_renewed": _blank_text(_flags(visits.media_renewed), chance("media noted", 0.97) & media),
            "electrodes_cleaned": _blank_text(_flags(visits.electrodes_cleaned), chance("electrodes noted", 0.96)),
            "burner_adjusted": _blank_text(_flags(visits.burner_adjusted), chance("burner noted", 0.97)),
            "trap_drain_found_s": _blank(np.round(trap, 1), found & condensing & chance("trap timed", 0.72)),
            "trap_drain_left_s": _blank(
                np.round(trap_left, 1), condensing & (visits.trap_cleaned | new) & chance("trap timed after", 0.8)
            ),
            "condensate_ph_found": _blank(np.round(ph, 1), found & media & chance("ph read", 0.75)),
            "condensate_ph_left": _blank(
                np.round(ph_left, 1), media & (visits.media_renewed | new) & chance("ph read after", 0.75)
            ),
            "system_pressure_kpa": _blank_whole(pressure, pressed),
            "notes": _blank_text(_pick(_NOTES, note), note > 0),
        }
    )


def _flags(done: np.ndarray) -> pl.Series:
    return _pick(("false", "true"), done.astype(int))


def visit_ids(number: np.ndarray, turn: np.ndarray) -> pl.Series:
    """Keys such as V0000012-03: the install and its visits counted from 1."""
    head, tail = pl.Series(number).cast(pl.String).str.zfill(7), pl.Series(turn + 1).cast(pl.String).str.zfill(2)
    return pl.select("V" + head + "-" + tail).to_series()


def co2_max_pct() -> np.ndarray:
    """CO2 in dry flue gas without excess air of the sample's fuels, in the order of `FUELS`. [%]"""
    table = fuels.load({"site_biogas": SITE_BIOGAS})
    return np.array([table[name].co2_max_pct for name in FUELS])


def reading_frame(fleet: Fleet, visits: Visits) -> pl.DataFrame:
    """readings/*.csv: one row per test, by visit, as found before as left, high fire before low.

    O2 and CO2 lie on the fuel's line, CO is the air-free value diluted to that O2, flue temperature is return
    temperature plus the exchanger's gap; each with a test's scatter and the analyser's bias. `day`, `key` and
    `co_air_free_ppm` are extra columns for the writer.
    """
    draws, truth = fleet.scenario.draws, fleet.truth
    who, turn = truth.number[visits.install], visits.turn
    worked = (visits.cleaning != NONE) | visits.burner_adjusted
    new, broken = visits.purpose == COMMISSIONING, visits.purpose == BREAKDOWN
    tested = draws.uniform("tested", who, turn) > np.where(broken, 0.25, 0.03)
    found = tested & visits.has_found & (draws.uniform("as found", who, turn) > 0.04)
    left = tested & (draws.uniform("as left", who, turn) < np.where(worked, 0.93, np.where(new, 0.98, 0.25)))
    left |= tested & visits.has_found & ~found
    parts = []
    for stage, seen, made in (("as_found", visits.seen_found, found), ("as_left", visits.seen_left, left)):
        for firing, missed in (("high", 0.0), ("low", 0.2)):
            here = np.flatnonzero(made & (draws.uniform(f"{stage} {firing}", who, turn) >= missed))
            parts.append(_tests(fleet, visits, here, seen[here], stage, firing))
    frame = pl.concat(parts)
    return frame.sort("key").with_columns(pl.col("day").cast(pl.Int32))


def _tests(fleet: Fleet, visits: Visits, here: np.ndarray, seen: np.ndarray, stage: str, firing: str) -> pl.DataFrame:
    scenario, truth = fleet.scenario, fleet.truth
    at, turn = visits.install[here], visits.turn[here]
    who, high = truth.number[at], firing == "high"
    tag = f"{stage} {firing}"

    def normal(what: str) -> np.ndarray:
        return scenario.draws.normal(f"{what} {tag}", who, turn)

    def chance(what: str, p: float) -> np.ndarray:
        return scenario.draws.uniform(f"{what} {tag}", who, turn) < p

    values = own_unit(seen)
    bias = scenario.bias[visits.analyser[here]]
    o2 = np.clip(values[:, 3 if high else 4], 0.3, 18.0)
    shown_o2 = np.clip(o2 + bias[:, 0] + 0.04 * normal("o2"), 0.2, 18.0)
    # Some analysers measure CO2, with an error of its own; the others work it out from their O2.
    measured = scenario.draws.uniform("co2 sensor", visits.analyser[here]) < 0.35
    gas = (
        pl.DataFrame(
            {
                "o2": o2,
                "shown_o2": shown_o2,
                "line_o2": np.where(measured, o2, shown_o2),
                "air_free": values[:, 1 if high else 2] * np.exp(bias[:, 1]),
                "peak": co2_max_pct()[truth.fuel[at]],
            }
        )
        .select(
            "shown_o2",
            co=combustion.co_measured_ppm(pl.col("air_free"), pl.col("o2")),
            co2=combustion.co2_from_o2_pct(pl.col("line_o2"), pl.col("peak")),
        )
        .with_columns(air_free=combustion.co_air_free_ppm(pl.col("co"), pl.col("shown_o2")))
    )
    co, air_free = gas["co"].to_numpy(), gas["air_free"].to_numpy()
    co2 = gas["co2"].to_numpy() + np.where(measured, 0.08 * normal("co2 error"), 0.0)
    condensing = np.array([d.condensing for d in DESIGNS])[truth.design[at]]
    water = scenario.draws.normal("return water", who, turn)
    back = np.where(condensing, np.clip(44 + 7 * water, 24, 62), np.clip(58 + 5 * water, 45, 75))
    back = np.round(back + (0.8 * normal("return") if high else -2.5 + 0.8 * normal("return")), 1)
    # At low fire the same surface cools less gas: about half the gap.
    gap = values[:, 0] * (1.0 if high else 0.55 * np.exp(0.05 * normal("gap")))
    flue = np.round(back + gap + bias[:, 2] + 0.2 * normal("flue"), 1)
    supply = np.round(back + (17 if high else 6) + 1.2 * normal("supply"), 1)
    season = np.cos((visits.day[here] % 365.25 - 20) * 2 * np.pi / 365.25)
    outdoor = 10 - 8 * season + 3 * scenario.draws.normal("outdoor", who, turn)
    air = np.round(np.where(truth.room_air[at], 19 + 2 * normal("air"), outdoor + 0.5 * normal("air")), 1)
    flame = np.round(values[:, 5] * (1.0 if high else 0.86), 2)
    has_o2, has_co2 = ~chance("no o2", 0.05), ~chance("no co2", 0.22)
    co_read = ~chance("no co", 0.03)
    return pl.DataFrame(
        {
            "visit_id": visit_ids(who, turn),
            "stage": np.repeat(stage, len(here)),
            "firing": np.repeat(firing, len(here)),
            "o2_pct": _blank(np.round(shown_o2, 1), has_o2),
            "co2_pct": _blank(np.round(np.maximum(co2, 0.1), 1), has_co2 | ~has_o2),
            "co_ppm": _blank_whole(np.round(co), co_read),
            "co_air_free_ppm": _blank_whole(np.round(air_free), co_read),
            "flue_temp_c": _blank(flue, ~chance("no flue", 0.02)),
            "air_temp_c": _blank(air, ~chance("no air", 0.12)),
            "supply_temp_c": _blank(supply, ~chance("no supply", 0.1)),
            "return_temp_c": _blank(back, ~chance("no return", 0.06)),
            "flame_current_ua": _blank(flame, ~chance("no flame", 0.18)),
            "analyser_id": _blank_text(names("G", visits.analyser[here] + 1, 4), ~chance("no analyser", 0.06)),
            "day": visits.day[here],
            "key": (who * 4096 + turn * 4 + 2 * (stage == "as_left") + (firing == "low")).astype(np.int64),
        }
    )
