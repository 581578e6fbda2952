"""A Dask cluster of worker processes on this machine, for tests; it listens on the loopback interface alone."""

from __future__ import annotations

from typing import Any

import pytest


def local_cluster(workers: int) -> Any:
    """distributed.LocalCluster, a context manager; its workers are started again when they die."""
    distributed = pytest.importorskip("distributed")
    return distributed.LocalCluster(
        n_workers=workers,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address=":0",
        silence_logs=50,
    )
