"""Seconds and memory from sums to the optimum, beside statsmodels' MixedLM where that can: python
tests/bench/bench_fit.py

Installs in appliance models in exchanger designs, level and rate correlated at each, 8 readings per install. The sums
are made beforehand and their time is not in it; memory is what the fit takes beyond them.
"""

from __future__ import annotations

import argparse
import os
import resource
import time

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

from models.mixed.lower_levels import LeafSums
from models.mixed.start import guess
from models.mixed.tree import Tree

READINGS = 8


def made(
    installs: int, seed: int = 1, keep_rows: bool = False
) -> tuple[LeafSums, list[np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Sums of a fleet of known truth, the parents, and, where they are kept, the readings (install, tau, z)."""
    rng = np.random.default_rng(seed)
    models = min(200, max(installs // 20, 3))
    model = np.unique(np.sort(rng.integers(0, models, installs)), return_inverse=True)[1]
    design = np.unique(np.sort(rng.integers(0, 12, model.max() + 1)), return_inverse=True)[1]

    def effects(sd: tuple[float, float], correlation: float, n: int) -> np.ndarray:
        off = correlation * sd[0] * sd[1]
        return rng.normal(size=(n, 2)) @ np.linalg.cholesky([[sd[0] ** 2, off], [off, sd[1] ** 2]]).T

    theta = np.array([-0.4, 0.08]) + effects((0.2, 0.03), 0.2, installs)
    theta += effects((0.1, 0.02), 0.0, model.max() + 1)[model]
    theta += effects((0.1, 0.02), 0.0, design.max() + 1)[design[model]]
    s, by, yy = np.zeros((3, installs)), np.zeros((2, installs)), 0.0
    kept = []
    for visit in range(READINGS):
        tau = 1.2 * visit + rng.uniform(0, 0.5, installs)
        z = theta[:, 0] + theta[:, 1] * tau + rng.normal(0, 0.1, installs)
        s += np.stack([np.ones(installs), tau, tau * tau])
        by += np.stack([z, tau * z])
        yy += float(z @ z)
        if keep_rows:
            kept.append((np.arange(installs), tau, z))
    rows = tuple(np.concatenate(x) for x in zip(*kept, strict=True)) if kept else (np.zeros(0),) * 3
    leaf = LeafSums(s, by, yy, float(READINGS * installs), ((0, None), (1, None)))
    return leaf, [model, design], rows


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def statsmodels_seconds(
    parents: list[np.ndarray], rows: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> tuple[float, float]:
    """Seconds and criterion of MixedLM on the same rows, installs as groups, models and designs left out (it has no
    nested slopes): a smaller model, and so a floor of its time."""
    import pandas as pd
    import statsmodels.formula.api as smf

    frame = pd.DataFrame({"install": rows[0], "tau": rows[1], "z": rows[2]})
    start = time.perf_counter()
    fitted = smf.mixedlm("z ~ tau", frame, groups="install", re_formula="~tau").fit(reml=True)
    return time.perf_counter() - start, -2 * fitted.llf


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--installs", type=int, nargs="+", default=[1_000, 10_000, 100_000, 1_000_000])
    parser.add_argument("--peer-up-to", type=int, default=1_000, help="largest fleet given to statsmodels")
    parser.add_argument("--rounds", type=int, default=3, help="the best of so many is told")
    arguments = parser.parse_args()
    print("installs   seconds  passes  MB more   criterion         statsmodels: s, ours on its model, criteria")
    for installs in arguments.installs:
        leaf, parents, rows = made(installs, keep_rows=installs <= arguments.peer_up_to)
        before = peak_mb()
        best = np.inf
        for _ in range(arguments.rounds):
            tree = Tree(leaf, parents)
            start = time.perf_counter()
            found = tree.fit(guess(leaf, parents))
            best = min(best, time.perf_counter() - start)
        line = f"{installs:>9,} {best:>8.2f} {found.passes:>7} {peak_mb() - before:>8.0f}   {found.at.criterion:<16.4f}"
        if installs <= arguments.peer_up_to:
            seconds, criterion = statsmodels_seconds(parents, rows)
            start = time.perf_counter()
            same = Tree(leaf).fit(guess(leaf, []))
            line += f"  {seconds:.2f}, {time.perf_counter() - start:.3f}, {same.at.criterion:.4f}/{criterion:.4f}"
        print(line, flush=True)


if __name__ == "__main__":
    main()
