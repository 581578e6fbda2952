"""Levels after starts that nobody recorded, where they are known."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
from drift_fleet import FIRST_DAY, fleet

from models.drift.fit import fit_series
from models.drift.series import FitOptions
from models.known.posteriors import posterior

OPTIONS = FitOptions(gammas=(1.0,), breaks=False, pace=False, analysers=False)


def test_an_unrecorded_installation_is_no_start_with_a_history():
    """Of 1,200 installs half ran before the records; of the others some have no commissioning record, and some of
    these were never read. The first may lie far from clean, the others do not, and are told so."""
    made = fleet(installs=1200, seed=91, years=3, unknown=0.5)
    first = made.inputs.cycles.filter(pl.col("cycle_no") == 0)
    new = first.filter(pl.col("opened_by") == "new")["install_no"]
    unsaid = pl.col("install_no").is_in(new.filter(new % 2 == 0).implode())
    cycles = made.inputs.cycles.with_columns(
        opened_by=pl.when(unsaid & (pl.col("cycle_no") == 0)).then(pl.lit("unknown")).otherwise("opened_by"),
        opened_day=pl.when(pl.col("cycle_no") == 0).then(pl.lit(FIRST_DAY, pl.Int32)).otherwise("opened_day"),
    )
    # the others were put in long before the records
    installed = pl.when(pl.col("install_no").is_in(new.implode())).then(pl.lit(FIRST_DAY)).otherwise(FIRST_DAY - 2_000)
    installs = made.inputs.installs.with_columns(installed_day=installed.cast(pl.Int32))
    open_now = made.open_cycles.filter(pl.col("cycle_no") == 0).with_columns(
        opened_by=pl.when(unsaid).then(pl.lit("unknown")).otherwise("opened_by"),
        opened_day=pl.lit(FIRST_DAY, pl.Int32),
    )
    never = open_now.filter((pl.col("opened_by") == "unknown") & (pl.col("install_no") % 4 == 0))
    readings = made.inputs.readings.join(never.select("install_no"), on="install_no", how="anti", maintain_order="left")
    fit = fit_series(replace(made.inputs, readings=readings, cycles=cycles, installs=installs), OPTIONS)
    told = posterior(fit, never).join(made.truth, on=["install_no", "cycle_no"])
    fresh = told["install_no"].is_in(new.implode())
    assert 40 < fresh.sum() < told.height - 40
    off = ((told["level"] - told["m0"]) / told["v00"].sqrt()).to_numpy()
    for here in (fresh.to_numpy(), ~fresh.to_numpy()):
        assert abs(off[here].mean()) < 0.35
        assert 0.6 < off[here].std() < 1.2
    sd = told["v00"].sqrt()
    assert sd.filter(fresh).mean() < 0.8 * sd.filter(~fresh).mean()
