"""Do the chances come true? Intervals and chances of whole runs beside the truth of made fleets.

Not a test. From the project's folder:

    python tests/bench/bench_truth.py --installs 2000 --seeds 100000 110000 120000 --folder /tmp/truth

Fleets are made once and kept in the folder, read to the cycles. Prints, series by series and over all seeds: the share
of 80 % intervals that hold the truth (present value, rate of an install, rate of a model), the slope of a logistic
regression of having left the range on the chance told, with its standard error, and the Brier skill of the tried
forecasts over every baseline. Installs of one model share its error, so the standard errors of coverages, taken between
the fleets' models and seeds, are wider than a binomial one.
"""

from __future__ import annotations

import argparse
import shutil
import time
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
from scipy.special import expit, logit

from models.chances.forecast import value_ahead
from models.clock.hours import first_of_months
from models.tails import Z80
from pipeline.sample.scenario import DESIGNS, build_scenario
from pipeline.sample.truth import _effects, build_truth
from pipeline.sample.write import DEFAULT_UNTIL, write_sample
from pipeline.schema import SERIES
from pipeline.settings import load_settings
from pipeline.stages.check import check
from pipeline.stages.cycles import as_of_day, cycles
from pipeline.stages.derive import derive
from pipeline.stages.fit import fit
from pipeline.stages.forecast import forecast, outlook_of
from pipeline.stages.read import read
from pipeline.store import Store

HORIZONS = (0, 6, 12)  # months


def ready(folder: Path, installs: int, seed: int, years: float) -> tuple[Path, Path]:
    """The fleet and its store up to the cycles, made where they are not yet there."""
    fleet, store_file = folder / f"fleet-{installs}-{seed}", folder / f"cycles-{installs}-{seed}.duckdb"
    if not (fleet / "truth.csv").exists():
        write_sample(fleet, installs=installs, years=years, seed=seed)
    if not store_file.exists():
        settings = load_settings(fleet)
        with Store.open(store_file, memory_gb=2) as store:
            read(store, fleet, settings)
            check(store, settings, None, date(2026, 11, 25))
            derive(store, settings)
            cycles(store, settings)
    return fleet, store_file


def run(folder: Path, installs: int, seed: int, years: float, stages: Sequence[str]) -> tuple[Path, Path]:
    """A store of the whole run; stages left out are taken from the run before."""
    fleet, before = ready(folder, installs, seed, years)
    done = folder / f"done-{installs}-{seed}.duckdb"
    if "fit" in stages or not done.exists():
        shutil.copy(before, done)
    settings = load_settings(fleet)
    used = time.process_time()
    with Store.open(done, memory_gb=2) as store:
        if "fit" in stages:
            fit(store, settings)
        if "forecast" in stages:
            forecast(store, settings)
    print(f"{installs} installs, seed {seed}: {time.process_time() - used:.1f} processor s", flush=True)
    return fleet, done


def of_installs(fleet: Path, store: Store) -> pl.DataFrame:
    """One row per install and series: whether the intervals hold, the chances told and what is to come."""
    truth = pl.read_csv(fleet / "truth.csv", try_parse_dates=True)
    as_of = as_of_day(store)
    parts = []
    curve = store.frame("select install_no, series_no, p_out from curve_values")
    for series in SERIES:
        frame, outlook = outlook_of(store, series, as_of)
        if series.reset_class == "none" or not len(outlook):
            continue
        mean, variance = value_ahead(outlook, np.zeros(len(outlook)))
        told = frame.select("install_no", "basis", "model_no", "readings").with_columns(
            series_no=pl.lit(series.series_no, pl.Int32), mean=pl.Series(mean), sd=pl.Series(np.sqrt(variance))
        )
        true = truth.filter((pl.col("indicator") == series.indicator) & (pl.col("firing") == series.firing))
        value = true["value"].to_numpy()
        true = true.with_columns(z=pl.Series(np.log(value) if series.transform == "log" else value))
        parts.append(
            told.join(store.frame("select install_no, install_id from current_installs"), on="install_no")
            .join(true, on="install_id")
            .join(
                store.frame(
                    "select install_no, p_out_now, rate_per_1000h told_rate, rate_low_per_1000h low, "
                    "rate_high_per_1000h high from forecasts where series_no = ?",
                    [series.series_no],
                ),
                on="install_no",
            )
            .join(curve.filter(pl.col("series_no") == series.series_no).drop("series_no"), on="install_no", how="left")
        )
    rows = pl.concat(parts)
    days = first_of_months(as_of, 36)
    # the truth stands at the end of the records, which may be some days after the newest visit
    now = max(as_of, rows["as_of"].cast(pl.Int32).max())
    out_on = rows["out_on"].cast(pl.Int32).fill_null(10**6).to_numpy()
    return rows.with_columns(
        off=(pl.col("z") - pl.col("mean")) / pl.col("sd"),
        rate_in=pl.col("rate_per_1000h").is_between("low", "high"),
        **{f"p{m}": pl.col("p_out").arr.get(m) if m else pl.col("p_out_now") for m in HORIZONS},
        **{f"out{m}": pl.Series(out_on <= (days[m] if m else now)) for m in HORIZONS},
    ).drop("p_out", "p_out_now")


def of_models(fleet: Path, store: Store, installs: int, seed: int, years: float) -> pl.DataFrame:
    """One row per model and series: what its installs typically drift by, true and told, over the first 2,000 h."""
    scenario = build_scenario(installs, years, seed, DEFAULT_UNTIL)
    truth = build_truth(scenario, 0, installs)
    own = _effects(scenario, "install", truth.number)[:, len(truth.level[0]) :]
    year = truth.installed_day.astype("datetime64[D]").astype("datetime64[Y]").astype(int) + 1970
    bad = np.array([d.bad_batch for d in DESIGNS])[truth.design] & (year >= scenario.bad_batch_year)
    own[:, :3] *= np.where(bad, 1.7, 1.0)[:, None]
    typical = np.where(truth.applies, truth.rate / 2.0 ** (1 - truth.gamma) - own, np.nan)
    drift = store.frame(
        "select m.model_id, d.* from model_drift d join current_models m on m.model_no = d.model_no order by all"
    )
    model_id = np.array([f"M{m + 1:02d}" for m in truth.model])
    parts = []
    for k in range(8):
        table = pl.DataFrame({"model_id": model_id, "true": typical[:, k]}).filter(pl.col("true").is_finite())
        parts.append(table.group_by("model_id").agg(pl.col("true").mean()).with_columns(series_no=pl.lit(k, pl.Int32)))
    return drift.join(pl.concat(parts), on=["model_id", "series_no"]).with_columns(
        off=(pl.col("true") - pl.col("rate")) / pl.col("rate_sd")
    )


def of_work(fleet: Path, store: Store) -> pl.DataFrame:
    """One row per design, series and kind of work: the share it restores, true and told."""
    true = pl.read_csv(fleet / "truth_cleaning.csv")
    told = store.frame(
        "select e.*, d.exchanger_material material from cleaning_effects e "
        "join (select distinct exchanger_design, exchanger_material from current_models) d using (exchanger_design)"
    )
    rows = told.join(true.rename({"restored_share": "true"}), on=["indicator", "kind"])
    of_all = pl.col("exchanger_material") == "any"
    rows = rows.filter(of_all | (pl.col("exchanger_material") == pl.col("material")))
    return rows.with_columns(inside=pl.col("true").is_between("low", "high"))


def slope(chance: np.ndarray, event: np.ndarray) -> tuple[float, float]:
    """Slope of logit P(event) on logit chance, with its standard error."""
    x = logit(np.clip(chance, 1e-4, 1 - 1e-4))
    if min(event.sum(), (~event).sum()) < 5:
        return np.nan, np.nan
    design, beta = np.column_stack([np.ones_like(x), x]), np.array([0.0, 1.0])
    for _ in range(60):
        p = expit(design @ beta)
        information = design.T @ (design * (p * (1 - p))[:, None])
        step = np.linalg.solve(information + 1e-9 * np.eye(2), design.T @ (event - p))
        beta += np.clip(step, -1, 1)
    return float(beta[1]), float(np.sqrt(np.linalg.inv(information + 1e-9 * np.eye(2))[1, 1]))


def share(inside: np.ndarray) -> str:
    if len(inside) == 0:
        return "-"
    p = inside.mean()
    return f"{100 * p:.1f} ({100 * np.sqrt(max(p * (1 - p), 1e-9) / len(inside)):.1f})"


def table(rows: pl.DataFrame, models: pl.DataFrame, work: pl.DataFrame, scores: pl.DataFrame) -> None:
    print("\n| series | n | value | by basis i/m/d/f | rate | sd of z value | model rate | restored |", end="")
    print("".join(f" slope {months} (se) | events/told |" for months in HORIZONS))
    print("|" + "---|" * (8 + 2 * len(HORIZONS)))
    for series in SERIES:
        own = rows.filter(pl.col("series_no") == series.series_no)
        if own.is_empty():
            continue
        off = own["off"].to_numpy()
        bases = []
        for basis in ("install", "model", "design", "fleet"):
            part = own.filter(pl.col("basis") == basis)
            bases.append(f"{100 * part['rate_in'].mean():.0f}:{part.height}" if part.height else "-")
        m = models.filter(pl.col("series_no") == series.series_no)["off"].to_numpy()
        w = work.filter((pl.col("indicator") == series.indicator) & (pl.col("firing") == series.firing))
        cells = [
            f"{series.indicator} {series.firing}",
            str(own.height),
            share(np.abs(off) < Z80),
            " ".join(bases),
            share(own["rate_in"].to_numpy()),
            f"{np.std(off):.2f}",
            share(np.abs(m) < Z80),
            share(w["inside"].to_numpy()),
        ]
        for months in HORIZONS:
            ranged = own.drop_nulls(f"p{months}")
            p, event = ranged[f"p{months}"].to_numpy().astype(float), ranged[f"out{months}"].to_numpy()
            b, se = slope(p, event)
            cells += [f"{b:.2f} ({se:.2f})", f"{event.sum()}/{p.sum():.0f}"]
        print("| " + " | ".join(cells) + " |")
    if scores.is_empty():
        return
    print("\nbacktest: skill over base rate, own line, common drift, boosted trees (fleets where positive)")
    for series in SERIES:
        for months in HORIZONS[1:]:
            part = scores.filter(
                (pl.col("indicator") == series.indicator) & (pl.col("firing") == series.firing)
                & (pl.col("horizon_months") == months)
            )  # fmt: skip
            if part.is_empty():
                continue
            ours = part.filter(pl.col("method") == "foulcast").select("seed", "n", "events", ours="brier")
            told = []
            for method in ("base_rate", "own_line", "common_drift", "boosted_trees"):
                both = part.filter(pl.col("method") == method).join(ours, on="seed", suffix="_")
                skill = 1 - (both["ours"] * both["n"]).sum() / max((both["brier"] * both["n"]).sum(), 1e-12)
                told.append(f"{skill:+.3f} ({(both['ours'] < both['brier']).sum()}/{both.height})")
            own = part.filter(pl.col("method") == "foulcast")
            cover = (own["coverage80"] * own["n"]).sum() / own["n"].sum()
            slopes = " ".join("-" if s is None else f"{s:.2f}" for s in own["calibration_slope"].to_list())
            print(f"{series.indicator} {series.firing} {months}: n {own['n'].sum()} events {own['events'].sum()} "
                  f"{' '.join(told)} coverage {cover:.3f} slopes {slopes}")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--installs", type=int, default=2000)
    parser.add_argument("--seeds", type=int, nargs="+", default=[100_000, 200_000])
    parser.add_argument("--years", type=float, default=8)
    parser.add_argument("--stages", nargs="*", default=["fit", "forecast"])
    parser.add_argument("--folder", type=Path, default=Path("/tmp/foulcast-truth"))
    chosen = parser.parse_args()
    chosen.folder.mkdir(parents=True, exist_ok=True)
    rows, models, work, scores = [], [], [], []
    for seed in chosen.seeds:
        fleet, done = run(chosen.folder, chosen.installs, seed, chosen.years, chosen.stages)
        with Store.open(done, read_only=True) as store:
            rows.append(of_installs(fleet, store).with_columns(seed=pl.lit(seed)))
            models.append(of_models(fleet, store, chosen.installs, seed, chosen.years))
            work.append(of_work(fleet, store))
            scores.append(store.frame("select * from backtest_scores").with_columns(seed=pl.lit(seed)))
    table(pl.concat(rows), pl.concat(models), pl.concat(work), pl.concat(scores))


if __name__ == "__main__":
    main()
