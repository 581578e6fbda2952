"""The same rows fitted by lme4's lmer and by the tree, in processor seconds: python tests/bench/bench_peer.py

Needs R and lme4 (Debian: r-base-core, r-cran-lme4). lmer runs with its check of derivatives off, its quickest setting.
Ours is timed from the sums to the optimum and the posteriors of all installs; the time to make the sums stands beside
it. Criteria are restricted, -2 log likelihood; "above" is ours over lmer's, relative: negative where ours is better.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import polars as pl
from bench_fit import made

from models.mixed.lower_levels import LeafSums
from models.mixed.start import guess
from models.mixed.tree import Tree
from models.mixed.whole_posteriors import leaf_posteriors

IN_R = r"""
suppressMessages(library(lme4))
rows <- read.csv(commandArgs(TRUE)[1])
began <- proc.time()
fit <- suppressWarnings(suppressMessages(lmer(
    z ~ tau + (tau | design) + (tau | model) + (tau | install), rows, REML = TRUE,
    control = lmerControl(calc.derivs = FALSE, check.conv.singular = "ignore"))))
took <- (proc.time() - began)[["user.self"]]
cat(sprintf("%.3f %.6f\n", took, -2 * as.numeric(logLik(fit))))
"""


def of_lmer(parents: list[np.ndarray], rows: tuple[np.ndarray, np.ndarray, np.ndarray]) -> tuple[float, float]:
    """Processor seconds and criterion of lmer."""
    install, tau, z = rows
    model = parents[0][install]
    with tempfile.TemporaryDirectory() as folder:
        data, script = Path(folder) / "rows.csv", Path(folder) / "fit.R"
        pl.DataFrame({"install": install, "model": model, "design": parents[1][model], "tau": tau, "z": z}).write_csv(
            data
        )
        script.write_text(IN_R)
        told = subprocess.run(["Rscript", script, data], capture_output=True, text=True, check=True).stdout
    seconds, criterion = told.split()
    return float(seconds), float(criterion)


def sums_of(rows: tuple[np.ndarray, np.ndarray, np.ndarray], installs: int) -> LeafSums:
    install, tau, z = rows
    total = lambda x: np.bincount(install, x, installs)
    s = np.stack([total(np.ones_like(z)), total(tau), total(tau * tau)])
    return LeafSums(s, np.stack([total(z), total(tau * z)]), float(z @ z), float(len(z)), ((0, None), (1, None)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--installs", type=int, nargs="+", default=[1_000, 10_000])
    arguments = parser.parse_args()
    if shutil.which("Rscript") is None:
        sys.exit("Rscript is not there: install R and lme4 (Debian: r-base-core, r-cran-lme4)")
    print("installs   lmer s    ours s   sums s   passes  times faster  criterion ours       above lmer's")
    for installs in arguments.installs:
        _, parents, rows = made(installs, keep_rows=True)
        began = time.process_time()
        leaf = sums_of(rows, installs)
        summed = time.process_time() - began
        took = []
        for _ in range(3):
            tree = Tree(leaf, parents)
            began = time.process_time()
            found = tree.fit(guess(leaf, parents))
            leaf_posteriors(tree, found.roots, found.at)
            took.append(time.process_time() - began)
        seconds, criterion = of_lmer(parents, rows)
        above = (found.at.criterion - criterion) / abs(criterion)
        print(
            f"{installs:>9,} {seconds:>8.1f} {min(took):>8.3f} {summed:>8.3f} {found.passes:>7} "
            f"{seconds / min(took):>10,.0f}     {found.at.criterion:<18.4f} {above:+.1e}",
            flush=True,
        )


if __name__ == "__main__":
    main()
