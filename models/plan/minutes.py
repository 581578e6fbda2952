"""Expected minutes of a visit: a regression on past visits, beside the standard times.

Standard times: the appliance model's own where given, else the defaults below (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import sparse
from scipy.sparse.linalg import LinearOperator, cg

BASE_MINUTES, EXCHANGER_MINUTES, TRAP_MINUTES = 40.0, 30.0, 10.0
MEDIA_MINUTES, ELECTRODES_MINUTES, BURNER_MINUTES = 10.0, 10.0, 15.0
CLEANINGS = ("brush", "rinse", "chemical")
FEWEST_VISITS = 60
FEWEST_OF_A_KIND = 30
MOST_VISITS = 200_000  # more past visits than these tell nothing new about a few hundred coefficients
SHORTEST, LONGEST = 5.0, 600.0
RIDGE = 5.0
FOLDS = 5


def standard_minutes(visits: pl.DataFrame) -> np.ndarray:
    """Minutes of each visit from standard times alone, (n,) [min].

    visits: exchanger_cleaning (text or null), trap_cleaned, media_renewed, electrodes_cleaned, burner_adjusted (bool),
    base_visit_minutes, exchanger_cleaning_minutes, trap_cleaning_minutes (number or null).
    """
    cleaned = pl.col("exchanger_cleaning").fill_null("none") != "none"

    def when(done: pl.Expr, minutes: pl.Expr) -> pl.Expr:
        return pl.when(done.fill_null(False)).then(minutes).otherwise(0.0)

    total = (
        pl.col("base_visit_minutes").fill_null(BASE_MINUTES)
        + when(cleaned, pl.col("exchanger_cleaning_minutes").fill_null(EXCHANGER_MINUTES))
        + when(pl.col("trap_cleaned"), pl.col("trap_cleaning_minutes").fill_null(TRAP_MINUTES))
        + when(pl.col("media_renewed"), pl.lit(MEDIA_MINUTES))
        + when(pl.col("electrodes_cleaned"), pl.lit(ELECTRODES_MINUTES))
        + when(pl.col("burner_adjusted"), pl.lit(BURNER_MINUTES))
    )
    return visits.select(total.cast(pl.Float64)).to_series().to_numpy()


@dataclass(frozen=True)
class Ridge:
    """A linear regression whose weights, the intercept left out, are drawn to 0 (Hoerl and Kennard 1970)."""

    weights: np.ndarray
    intercept: float

    @classmethod
    def fit(cls, x: sparse.csr_matrix, y: np.ndarray) -> Ridge:
        """x (n, k), y (n,). By conjugate gradients: a fleet may have any number of appliance models."""
        mean, middle = np.asarray(x.mean(axis=0)).ravel(), float(y.mean())
        centred = lambda w: x @ w - w @ mean  # x itself stays sparse
        back = lambda r: x.T @ r - mean * r.sum()
        gram = LinearOperator((len(mean), len(mean)), lambda w: back(centred(w)) + RIDGE * w, dtype=float)
        weights, _ = cg(gram, back(y - middle), rtol=1e-8)
        return cls(weights, middle - float(mean @ weights))

    def predict(self, x: sparse.csr_matrix) -> np.ndarray:
        return x @ self.weights + self.intercept


@dataclass(frozen=True)
class VisitMinutes:
    """Expected minutes by tasks, purpose and appliance model.

    mae: mean absolute error of the regression on visits it was not fitted to; mae_standard: of the standard times
    on the
    same visits [min]; both nan without enough past visits. bias: mean of expected minus recorded, out of sample. [min]
    used: "regression" or "standard times", whichever erred less. cleanings: past visits with each kind of cleaning.
    """

    used: str
    visits: int
    mae: float
    mae_standard: float
    bias: float
    models: int
    cleanings: dict[str, int]
    regression: Ridge | None

    def predict(self, visits: pl.DataFrame) -> np.ndarray:
        """Minutes of each visit, (n,) [min]; columns as for `standard_minutes`, with purpose and model_no (0 …)."""
        if self.regression is None:
            return np.clip(standard_minutes(visits), SHORTEST, LONGEST)
        return np.clip(self.regression.predict(_features(visits, self.models)), SHORTEST, LONGEST)

    def of_cleaning(self, visits: pl.DataFrame) -> dict[str, float]:
        """What each kind of exchanger cleaning adds to a visit; no less than standard where seldom seen. [min]

        visits: as for `predict`; at least one.
        """
        plain = visits.with_columns(exchanger_cleaning=pl.lit("none"))
        added: dict[str, float] = {}
        for kind in CLEANINGS:
            done = visits.with_columns(exchanger_cleaning=pl.lit(kind))
            standard = float((standard_minutes(done) - standard_minutes(plain)).mean())
            fitted = float((self.predict(done) - self.predict(plain)).mean())
            added[kind] = max(fitted, 1.0) if self.cleanings.get(kind, 0) >= FEWEST_OF_A_KIND else max(fitted, standard)
        return added


def fit_minutes(visits: pl.DataFrame) -> VisitMinutes:
    """Fit on past visits; the error is out of sample, by five folds.

    visits: the columns of `VisitMinutes.predict` and minutes_on_site (number or null), in a settled order.
    """
    known = visits.filter(pl.col("minutes_on_site").is_between(SHORTEST, LONGEST))
    if known.height > MOST_VISITS:
        known = known.gather_every(-(-known.height // MOST_VISITS))
    models = int(visits["model_no"].cast(pl.Int64).to_numpy().max(initial=0)) + 1
    counted = known["exchanger_cleaning"].fill_null("none").value_counts().sort("exchanger_cleaning")
    cleanings = {str(kind): int(count) for kind, count in counted.iter_rows()}
    if known.height < FEWEST_VISITS:
        nan = float("nan")
        return VisitMinutes("standard times", known.height, nan, nan, nan, models, cleanings, None)
    seen = known["minutes_on_site"].to_numpy().astype(float)
    x = _features(known, models)
    error = np.zeros(len(seen))
    for held in np.array_split(np.random.RandomState(0).permutation(len(seen)), FOLDS):
        train = np.setdiff1d(np.arange(len(seen)), held)
        error[held] = np.clip(Ridge.fit(x[train], seen[train]).predict(x[held]), SHORTEST, LONGEST) - seen[held]
    standard = np.abs(standard_minutes(known) - seen).mean()
    mae = float(np.abs(error).mean())
    better = mae < standard
    return VisitMinutes(
        "regression" if better else "standard times",
        known.height,
        mae,
        float(standard),
        float(error.mean()),
        models,
        cleanings,
        Ridge.fit(x, seen) if better else None,
    )


def _features(visits: pl.DataFrame, models: int) -> sparse.csr_matrix:
    """Standard minutes (carries over to models without past visits), tasks, purpose, and the appliance model."""
    cleaning = pl.col("exchanger_cleaning").fill_null("none")
    dense = visits.select(
        pl.Series("standard", standard_minutes(visits)) / 10.0,
        *[(cleaning == kind).cast(pl.Float64).alias(kind) for kind in CLEANINGS],
        *[
            pl.col(task).fill_null(False).cast(pl.Float64)
            for task in ("trap_cleaned", "media_renewed", "electrodes_cleaned", "burner_adjusted")
        ],
        *[
            (pl.col("purpose") == purpose).fill_null(False).cast(pl.Float64).alias(f"purpose_{purpose}")
            for purpose in ("breakdown", "commissioning", "recheck")
        ],
    ).to_numpy()
    number = visits["model_no"].fill_null(-1).to_numpy()
    row = np.flatnonzero((number >= 0) & (number < models))
    one_hot = sparse.csr_matrix((np.ones(len(row)), (row, number[row])), shape=(len(number), models))
    return sparse.hstack([sparse.csr_matrix(dense), one_hot], format="csr")
