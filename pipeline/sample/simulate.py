"""A fleet in time: its true state between visits, what a visit finds, does and leaves.

`Fleet` holds the true state of a block of installs. `Fleet.visit` makes one visit to each of the installs named and
returns all that a technician could have written down; the fleet goes on from there. Nothing here decides when a visit
is made: `schedule` does for past records, `policy` for a rule that is being tried.
"""

from dataclasses import dataclass, fields

import numpy as np

from pipeline.sample.scenario import DESIGNS, LOG, MATERIALS, Scenario
from pipeline.sample.truth import NOISE_SD, K, Truth, cycle_effects, hours_calendar

ANNUAL, BREAKDOWN, COMMISSIONING, RECHECK = range(4)
PURPOSES = ("annual", "breakdown", "commissioning", "recheck")
NONE, BRUSH, RINSE, CHEMICAL = range(4)
CLEANINGS = ("none", "brush", "rinse", "chemical")
# Share of what had built up that a cleaning takes away: rows none, brush, rinse, chemical; columns the materials of
# `scenario.MATERIALS`; flue_over_return first, then CO, then O2.
RESTORED_FLUE = np.array([[0, 0, 0, 0], [0.70, 0.55, 0.75, 0.65], [0.60, 0.45, 0.40, 0.55], [0.93, 0.82, 0.85, 0.90]])
RESTORED_CO = np.array([0.0, 0.55, 0.45, 0.70])
RESTORED_O2 = np.array([0.0, 0.40, 0.35, 0.50])
RESTORED_BY_ADJUSTING = np.array([0.0, 0.65, 0.65, 0.95, 0.95])
RESTORED_ELECTRODES, RESTORED_TRAP, RESTORED_MEDIA = 0.92, 0.96, 1.0


@dataclass
class Visits:
    """One visit per row; z_* are true values on the drift model's scale, seen_* the same with one test's scatter.

    install: index within the fleet's block; turn: the install's visits counted from 0; has_found: a test before work
    was possible (not at commissioning).
    """

    install: np.ndarray
    turn: np.ndarray
    day: np.ndarray
    purpose: np.ndarray
    cleaning: np.ndarray
    trap_cleaned: np.ndarray
    media_renewed: np.ndarray
    electrodes_cleaned: np.ndarray
    burner_adjusted: np.ndarray
    minutes: np.ndarray
    technician: np.ndarray
    analyser: np.ndarray
    clock_h: np.ndarray
    counter_from_h: np.ndarray
    z_found: np.ndarray
    seen_found: np.ndarray
    z_left: np.ndarray
    seen_left: np.ndarray
    has_found: np.ndarray

    @classmethod
    def joined(cls, parts: "list[Visits]") -> "Visits":
        """All visits, by install and then in time."""
        all_of = {f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)}
        order = np.lexsort((all_of["turn"], all_of["install"]))
        return cls(**{name: values[order] for name, values in all_of.items()})

    def __len__(self) -> int:
        return len(self.install)


class Fleet:
    """The true state of a block of installs, moved on by visits.

    level, rate, opened_h: (n, 8) of the open cycles; turn: visits made so far; counter_from_h: clock at which the
    control's counter last stood at zero; last_day: day of the last visit, or of the start.
    """

    def __init__(self, scenario: Scenario, truth: Truth) -> None:
        self.scenario, self.truth = scenario, truth
        self.calendar = hours_calendar(scenario)
        self._installed_load = self.calendar.load_years(truth.area, truth.installed_day)
        n = len(truth)
        level, rate = cycle_effects(scenario, truth.number, 10_000)
        self.level, self.rate = truth.level + level, truth.rate + rate
        self.opened_h = np.zeros((n, K))
        self.turn = np.zeros(n, dtype=np.int64)
        self.counter_from_h = np.zeros(n)
        self.last_day = truth.installed_day.copy()
        self._start_old_installs()

    def _start_old_installs(self) -> None:
        # Before the records begin an install has been cleaned now and then: each cycle began up to two years before.
        draws, truth = self.scenario.draws, self.truth
        old = truth.installed_day < self.scenario.from_day
        clock = self.clock(np.arange(len(truth)), np.full(len(truth), self.scenario.from_day))
        for classes in ((0,), (1, 2, 3, 4), (5,), (6,), (7,)):
            back = 2.0 * truth.hours_per_year * draws.uniform(f"age of cycle {classes[0]}", truth.number)
            residue = 0.6 * draws.uniform(f"residue {classes[0]}", truth.number)
            for k in classes:
                self.opened_h[old, k] = np.maximum(0.0, clock - back)[old]
                had_run = np.where(old & (clock > back), residue, 0.0)
                self.level[:, k] += had_run * truth.rate[:, k]
        self.last_day = np.maximum(self.last_day, self.scenario.from_day)
        swapped = old & (draws.uniform("counter was swapped", truth.number) < 0.12)
        self.counter_from_h = np.where(swapped, clock * draws.uniform("swapped when", truth.number), 0.0)

    def clock(self, install: np.ndarray, day: np.ndarray) -> np.ndarray:
        """Burner hours from installation to the start of that day, shape of `install`."""
        load = self.calendar.load_years(self.truth.area[install], day) - self._installed_load[install]
        return self.truth.hours_per_year[install] * np.maximum(0.0, load)

    def latent(self, install: np.ndarray, day: np.ndarray) -> np.ndarray:
        """True values on the drift model's scale if nobody visits until then, shape (len(install), 8)."""
        hours = np.maximum(0.0, self.clock(install, day)[:, None] - self.opened_h[install]) / 1000
        return self.level[install] + self.rate[install] * hours ** self.truth.gamma[install]

    def outside(self, install: np.ndarray, z: np.ndarray) -> np.ndarray:
        """Whether each value is outside its limits (never where the series does not apply), shape of `z`."""
        low, high = self.truth.low[install], self.truth.high[install]
        return ((z < low) | (z > high)) & self.truth.applies[install]

    def in_range(self, install: np.ndarray, since: np.ndarray, until: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """When, from `since` to `until`, each series is in range if nobody visits: first and last moment, in days.

        Each of shape (n, 8). A path is monotone within a cycle, so the time in range is one interval; it is empty where
        the last moment is not after the first. A series without limits here is always in range.
        """
        truth, start = self.truth, since.astype(float)
        enter = np.repeat(start[:, None], K, axis=1)
        leave = np.repeat(np.asarray(until, dtype=float)[:, None], K, axis=1)
        z_start = self.latent(install, since)
        for k in range(K):
            level, rate, gamma = self.level[install, k], self.rate[install, k], truth.gamma[install, k]
            for limit, side in ((truth.high[install, k], 1.0), (truth.low[install, k], -1.0)):
                gap, speed = side * (limit - level), side * rate  # in range while speed * tau <= gap
                with np.errstate(divide="ignore", invalid="ignore"):
                    hours = 1000 * np.maximum(gap / speed, 0.0) ** (1 / gamma)
                hours = np.where(np.isfinite(hours), hours, np.inf)
                crossing = self._day_at(install, self.opened_h[install, k] + hours)
                out_now = side * (z_start[:, k] - limit) > 0
                leaves = np.where(out_now, np.where(speed < 0, np.inf, -np.inf), np.where(speed > 0, crossing, np.inf))
                enters = np.where(out_now & (speed < 0), crossing, start)
                known = ~np.isnan(limit) & truth.applies[install, k]
                leave[:, k] = np.where(known, np.minimum(leave[:, k], leaves), leave[:, k])
                enter[:, k] = np.where(known, np.maximum(enter[:, k], enters), enter[:, k])
        return enter, leave

    def out_days(self, install: np.ndarray, day: np.ndarray) -> np.ndarray:
        """Day (with its fraction) on which each series leaves its range if nobody visits, shape (n, 8).

        The day asked for where it is out already; inf where it never leaves within the calendar.
        """
        z = self.latent(install, day)
        _, leave = self.in_range(install, day, np.full(len(install), np.inf))
        return np.where(self.outside(install, z), np.asarray(day, dtype=float)[:, None], leave)

    def _day_at(self, install: np.ndarray, clock_h: np.ndarray) -> np.ndarray:
        load = self._installed_load[install] + clock_h / self.truth.hours_per_year[install]
        return self.calendar.day_of(self.truth.area[install], load)

    def visit(self, install: np.ndarray, day: np.ndarray, purpose: np.ndarray) -> Visits:
        """Visit each install named (each once) on its day; the fleet's state goes on from what the visit leaves."""
        truth, draws = self.truth, self.scenario.draws
        number, turn = truth.number[install], self.turn[install]
        commissioning = purpose == COMMISSIONING
        clock = self.clock(install, day)
        z_found = self.latent(install, day)
        seen_found = z_found + NOISE_SD * draws.normals("found", number, K, turn)
        work = self._work(install, seen_found, purpose, turn)
        z_left, reopened = self._after_work(install, z_found, work, turn)
        self.level[install] = np.where(reopened, z_left, self.level[install])
        _, rate_effect = cycle_effects(self.scenario, number, turn)
        self.rate[install] = np.where(reopened, truth.rate[install] + rate_effect, self.rate[install])
        self.opened_h[install] = np.where(reopened, clock[:, None], self.opened_h[install])
        seen_left = z_left + NOISE_SD * draws.normals("left", number, K, turn)
        swap = (purpose == BREAKDOWN) & (draws.uniform("control swap", number, turn) < 0.07)
        counter_from = self.counter_from_h[install]
        self.counter_from_h[install] = np.where(swap, clock, counter_from)
        technician, analyser = self._who(install, turn)
        self.turn[install] += 1
        self.last_day[install] = day
        return Visits(
            install,
            turn,
            day,
            purpose,
            work["cleaning"],
            work["trap"],
            work["media"],
            work["electrodes"],
            work["burner"],
            self._minutes(install, purpose, work, technician, turn),
            technician,
            analyser,
            clock,
            self.counter_from_h[install],
            z_found,
            seen_found,
            z_left,
            seen_left,
            ~commissioning,
        )

    def _who(self, install: np.ndarray, turn: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        draws, number, area = self.scenario.draws, self.truth.number[install], self.truth.area[install]
        first = self.scenario.first_technician
        size = first[area + 1] - first[area]
        technician = first[area] + (draws.uniform("technician", number, turn) * size).astype(int)
        other = first[area] + (draws.uniform("other analyser", number, turn) * size).astype(int)
        return technician, np.where(draws.uniform("borrowed", number, turn) < 0.12, other, technician)

    def _work(
        self, install: np.ndarray, seen: np.ndarray, purpose: np.ndarray, turn: np.ndarray
    ) -> dict[str, np.ndarray]:
        """What is done: more is done where the reading before work stands near or beyond its limit."""
        truth, draws, number = self.truth, self.scenario.draws, self.truth.number[install]
        typical = truth.level[install]
        with np.errstate(invalid="ignore"):
            up = (seen - typical) / (truth.high[install] - typical)
            down = (typical - seen) / (typical - truth.low[install])
        near = np.nan_to_num(np.maximum(np.nan_to_num(up, nan=0), np.nan_to_num(down, nan=0)), nan=0)
        near = np.where(truth.applies[install], near, 0.0)
        annual = purpose == ANNUAL
        never = purpose == COMMISSIONING

        def does(name: str, usual: float, need: np.ndarray) -> np.ndarray:
            chance = np.where(need > 0.7, 0.9, np.where(annual, usual, 0.06))
            return (draws.uniform(name, number, turn) < chance) & ~never

        clean = does("clean exchanger", 0.45, np.maximum(near[:, 0], 0.9 * near[:, 1]))
        kind = 1 + draws.choice("cleaning kind", number, np.array([0.36, 0.44, 0.20]), turn)
        kind = np.where(clean & (near[:, 0] > 0.9) & (draws.uniform("harsher", number, turn) < 0.5), CHEMICAL, kind)
        return {
            "cleaning": np.where(clean, kind, NONE),
            "burner": does("adjust burner", 0.18, (near[:, 1:5] * [0.95, 0.95, 1.0, 1.0]).max(axis=1)),
            "electrodes": does("clean electrodes", 0.40, near[:, 5]),
            "trap": does("clean trap", 0.55, near[:, 6]) & truth.applies[install, 6],
            "media": does("renew media", 0.16, near[:, 7]) & truth.applies[install, 7],
        }

    def _after_work(
        self, install: np.ndarray, z_found: np.ndarray, work: dict[str, np.ndarray], turn: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """True values after work and which series begin a new cycle, each (n, 8)."""
        truth = self.truth
        material = np.array([MATERIALS.index(d.material) for d in DESIGNS])[truth.design[install]]
        kind, burner = work["cleaning"], work["burner"][:, None]
        share = np.zeros(z_found.shape)
        share[:, 0] = RESTORED_FLUE[kind, material]
        by_cleaning = np.column_stack([RESTORED_CO[kind]] * 2 + [RESTORED_O2[kind]] * 2)
        share[:, 1:5] = 1 - (1 - by_cleaning) * (1 - burner * RESTORED_BY_ADJUSTING[1:])
        share[:, 5] = RESTORED_ELECTRODES * work["electrodes"]
        share[:, 6] = RESTORED_TRAP * work["trap"]
        share[:, 7] = RESTORED_MEDIA * work["media"]
        level_effect, _ = cycle_effects(self.scenario, truth.number[install], turn)
        built_up = z_found - truth.level[install]
        after = truth.level[install] + (1 - share) * built_up + level_effect
        return np.where(share > 0, after, z_found), share > 0

    def _minutes(
        self,
        install: np.ndarray,
        purpose: np.ndarray,
        work: dict[str, np.ndarray],
        technician: np.ndarray,
        turn: np.ndarray,
    ) -> np.ndarray:
        draws, number = self.scenario.draws, self.truth.number[install]
        large = np.array([m.rated_input_kw for m in self.scenario.models])[self.truth.model[install]] > 60
        minutes = np.array([42.0, 62.0, 105.0, 24.0])[purpose] + np.array([0.0, 24.0, 18.0, 46.0])[work["cleaning"]]
        minutes = minutes * np.where(large, 1.45, 1.0)
        minutes += 9 * work["trap"] + 15 * work["media"] + 7 * work["electrodes"] + 13 * work["burner"]
        pace = np.exp(0.10 * draws.normal("pace", technician) + 0.13 * draws.normal("minutes", number, turn))
        return np.maximum(5, 5 * np.round(minutes * pace / 5))


def own_unit(z: np.ndarray) -> np.ndarray:
    """Values of all eight series in their own units, from the drift model's scale; shape (..., 8)."""
    return np.where(LOG, np.exp(np.where(LOG, z, 0.0)), z)
