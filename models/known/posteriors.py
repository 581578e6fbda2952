"""What is known of the level and rate of some cycles under a fit, and of those of the same install read otherwise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.drift.cycle_sums import PARTS, Forest, clock, positions, rate_scale
from models.drift.fitted import SeriesFit
from models.drift.states import (
    State,
    blind_starts,
    evaluate,
    fixed_of,
    from_own,
    install_frame,
    seen_cycles,
    unread_cycles,
)
from models.mixed import smallblocks as sb
from models.mixed.upper_levels import Above

BASES = ("install", "model", "design", "fleet")


def posterior(fit: SeriesFit, cycles: pl.DataFrame, above: Above | None = None) -> pl.DataFrame:
    """Level and rate of each cycle asked for, seen or not.

    cycles: install_no, cycle_no, opened_by, value_before (own unit, may be null); opened_day optional.
    Returns install_no, cycle_no, m0, m1, v00, v01, v11, gamma, basis, readings, hours_shift: on the transformed
    scale, the rate per ((hours since the cycle began - hours_shift) / 1000) ** gamma, uncertainty of the fixed
    effects included, sorted by install_no, cycle_no. above: the appliance models and designs, where this is part of
    a fleet. hours_shift is 0 but where work was done and not recorded.
    """
    return Open.of(fit, cycles, above).told(fit)


@dataclass(frozen=True)
class Asked:
    """Cycles asked for: after unrecorded work the part that is open speaks for the cycle. unread: those without
    readings, in the columns of `states.seen_cycles`."""

    install_no: np.ndarray
    cycle_no: np.ndarray
    unread: pl.DataFrame

    @classmethod
    def of(cls, fit: SeriesFit, cycles: pl.DataFrame) -> Asked:
        """cycles: as `posterior`."""
        number, cycle = (cycles[name].to_numpy().astype(np.int64) for name in ("install_no", "cycle_no"))
        cycle *= PARTS
        first = np.unique(Forest.key(number, cycle), return_index=True)[1]
        if len(first) < len(number):
            first.sort()
            cycles, number, cycle = cycles[first], number[first], cycle[first]
        part = fit.readings.latest_part(number, cycle)
        return cls(number, np.where(part < 0, cycle, part), unread_cycles(cycles.filter(pl.Series(part < 0))))


@dataclass
class Open:
    """Some cycles under the fit of their series; all arrays by cycle, the last axis.

    mean (2, n), cov packed (3, n): level and rate, levels not yet settled. Given its install's effect a cycle depends
    on its own readings only: expected (2, n) is what its covariates add to that, ws packed (3, n) and score (2, n) are
    what its readings say, cov_own packed (3, n) is what they leave of its own effect. read (3, n): weight of the
    readings, mean tau and mean z where the level was freed, else weight 0. more (2, n): added to the level and to its
    variance. basis: place in BASES.
    """

    install_no: np.ndarray
    cycle_no: np.ndarray
    gamma: np.ndarray
    shift: np.ndarray
    readings: np.ndarray
    basis: np.ndarray
    mean: np.ndarray
    cov: np.ndarray
    expected: np.ndarray
    ws: np.ndarray
    score: np.ndarray
    cov_own: np.ndarray
    read: np.ndarray
    more: np.ndarray

    @classmethod
    def of(cls, fit: SeriesFit, cycles: pl.DataFrame, above: Above | None = None) -> Open:
        """cycles, above: as `posterior`."""
        asked = Asked.of(fit, cycles)
        forest = Forest.of(pl.concat([seen_cycles(fit.inputs, fit.readings), asked.unread]), install_frame(fit.inputs))
        return cls.among(fit, forest, asked, above)

    @classmethod
    def among(cls, fit: SeriesFit, forest: Forest, asked: Asked, above: Above | None) -> Open:
        """The cycles asked for, which are in the forest."""
        wanted = np.zeros(forest.size, dtype=bool)
        place = forest.place(asked.install_no, asked.cycle_no)
        wanted[place[place >= 0]] = True
        at = None if above is None else above.of(forest.models, forest.designs)
        return cls.at(fit, forest, evaluate(fit, forest, at=at, wanted=wanted), np.flatnonzero(wanted))

    @classmethod
    def at(cls, fit: SeriesFit, forest: Forest, state: State, here: np.ndarray) -> Open:
        """The cycles `here` of a forest whose state is known."""
        sums, leaf, s2 = state.sums, state.tree.leaf, fit.sigma**2
        ws, u, big_k, _ = sb.integrate(
            leaf.s.take(here, axis=1) / s2, np.linalg.cholesky(fit.psi[0] + 1e-14 * np.eye(2)), logdet=False
        )
        by = leaf.by.take(here, axis=1) / s2
        run = forest.runs(fit.readings)[here]
        w = np.where(state.freed, sums.w, 0.0)[here]
        of_weight = lambda x: x[here] / np.where(w > 0, w, 1.0)
        return cls(
            forest.installs[forest.parents[0][here]],
            forest.rows["cycle_no"].to_numpy()[here],
            fit.cycle_gammas(forest)[here],
            np.where(run >= 0, np.r_[fit.readings.shift, 0.0][run], 0.0),
            sums.n[here].astype(np.int32),
            basis_of(forest, state, here),
            state.nodes[0].mean.take(here, axis=1),
            state.nodes[0].cov.take(here, axis=1),
            fixed_of(fit, forest).take(here, axis=1),  # as taken off for a joint fit
            ws,
            sb.subtract_transposed(by, big_k, sb.times(u, by)),
            sb.gram(u),
            np.stack([w, of_weight(sums.t), of_weight(sums.z)]),
            np.stack(blind_starts(fit, forest, state)).take(here, axis=1),
        )

    def told(self, fit: SeriesFit) -> pl.DataFrame:
        """As `posterior`; with what all indicators say of an install, where the fit has it.

        Its newest cycle is known jointly. Any other is taken to depend, given its install, on its own readings only; so
        its posterior is that line of the way down the tree, with that of the install put in.
        """
        mean, cov = self.mean.copy(), self.cov.copy()
        if fit.install is not None:
            k = positions(fit.install.install_no, self.install_no)
            here = k >= 0
            expected, d = self.expected + fit.install.mean.take(k, axis=1), fit.psi[0]
            keep = np.eye(2)[:, :, None] - np.einsum("ik,kjn->ijn", d, self.ws[sb.slots(2)])
            score = self.score - sb.symmetric_times(self.ws, expected)
            mean[:, here] = (expected + sb.constant_times(d, score))[:, here]
            cov[:, here] = (self.cov_own + sb.sandwich(keep, fit.install.cov.take(k, axis=1)))[:, here]
            newest = here & (fit.install.cycle_no[k] == self.cycle_no)
            mean[:, newest] = self.expected[:, newest] + fit.install.own_mean[:, k[newest]]
            cov[:, newest] = fit.install.own_cov[:, k[newest]]
        own = np.flatnonzero(self.read[0] > 0)
        from_own(mean, cov, own, self.read[:, own], fit.sigma)
        mean[0] += self.more[0]
        mean[0] += fit.centre
        cov[0] += self.more[1]
        shift, cycle_no = own_clock(mean, cov, self.gamma, self.shift), self.cycle_no // PARTS
        order = np.lexsort((cycle_no, self.install_no))
        return pl.DataFrame(
            {
                "install_no": self.install_no[order],
                "cycle_no": cycle_no[order],
                "m0": mean[0, order],
                "m1": mean[1, order],
                "v00": cov[0, order],
                "v01": cov[1, order],
                "v11": cov[2, order],
                "gamma": self.gamma[order],
                "basis": pl.Series(BASES)[self.basis[order]],
                "readings": self.readings[order],
                "hours_shift": shift[order],
            }
        )


def own_clock(mean: np.ndarray, cov: np.ndarray, gamma: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """From the fit's inner clock to the caller's, put into mean (2, n) and cov (3, n); a start after unrecorded work is
    moved back to the recorded one.

    With exponent 1 moving the start only moves the level; otherwise what is returned tells how many hours after the
    recorded start the clock of the drift began.
    """
    (m0, m1), (v00, v01, v11) = mean, cov
    back = np.where(gamma == 1.0, clock(shift, 1.0), 0.0)
    m0 -= m1 * back
    v00 += back**2 * v11 - 2 * back * v01
    v01 -= back * v11
    scale = rate_scale(gamma)
    m1 *= scale
    v01 *= scale
    v11 *= scale**2
    return np.where(gamma == 1.0, 0.0, shift)


def basis_of(forest: Forest, state: State, here: np.ndarray) -> np.ndarray:
    """What the rates of the cycles `here` lean on most, as a place in BASES: the largest weight of the shrinkage chain.

    With r the share of a level's own rate variance that its data resolved, the install's own readings carry weight r_i,
    the model's r_m (1 - r_i), the design's r_d (1 - r_m) (1 - r_i), the fleet the rest.
    """
    install = np.clip(state.nodes[0].resolved[here], 0, 1)
    to_install, to_model, to_design = forest.parents
    model = to_model[to_install[here]]
    r_m = np.clip(state.nodes[2].resolved, 0, 1)[model]
    r_d = np.clip(state.nodes[3].resolved, 0, 1)[to_design[model]]
    weights = np.stack(
        [install, (1 - install) * r_m, (1 - install) * (1 - r_m) * r_d, (1 - install) * (1 - r_m) * (1 - r_d)]
    )
    return weights.argmax(axis=0).astype(np.uint8)
