"""The workers of a Dask cluster, for the pieces of work that stages hand out.

The store stays where the flow runs; only pieces travel, and their results come back in order. A piece is pure, so one
whose worker died is done again by another, and what no worker is left for is done here, with the same result.
"""

from __future__ import annotations

import importlib.util
import logging
import pickle
import platform
import socket
import time
import urllib.request
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any, TypeVar
from urllib.parse import urlsplit

from threadpoolctl import threadpool_limits

from pipeline.errors import FleetError
from pipeline.settings import cluster_address
from pipeline.stages.side_by_side import side_by_side

T = TypeVar("T")
R = TypeVar("R")
log = logging.getLogger("foulcast")

CONNECT_S = 5
FIRST_WORKER_S = 15  # a cluster that grows with its work may begin with none
NO_WORKER_S = 30  # after so long without any, pieces are done here
LOOK_S = 2.0
NEEDED = ("dask", "distributed", "prefect_dask")
INSTALL = "pip install 'foulcast[cluster]'"


def check_cluster(address: str) -> str:
    """The address in full where a cluster can be asked at all; quick, and imports nothing heavy.

    Raises FleetError where the packages are missing, the address is none, or nobody listens there.
    """
    address = cluster_address(address)
    if any(importlib.util.find_spec(name) is None for name in NEEDED):
        raise FleetError(f"--dask needs packages that are not installed. Install them: {INSTALL}; or run without it.")
    parts = urlsplit(address)
    try:
        socket.create_connection((str(parts.hostname), int(parts.port or 0)), CONNECT_S).close()
    except OSError as problem:
        raise _unreached(address, problem.strerror or str(problem)) from problem
    return address


def _unreached(address: str, why: str) -> FleetError:
    return FleetError(
        f"{address}: no Dask scheduler could be reached ({why}). Start one (dask scheduler), or give the address that "
        "it prints, or leave --dask out to run on this machine."
    )


@dataclass(frozen=True)
class Met:
    """What a worker says of itself. reaches_api: whether it can tell Prefect of what it does."""

    foulcast: str
    python: str
    reaches_api: bool


def introduce(api_url: str) -> Met:
    """Runs on a worker."""
    try:
        with urllib.request.urlopen(f"{api_url}/health", timeout=3):
            reaches = True
    except (OSError, ValueError):
        reaches = False
    return Met(version("foulcast"), ".".join(platform.python_version_tuple()[:2]), reaches)


def do_piece(what: str, work: bytes) -> bytes:
    """One piece, on a worker. Packed both ways, so that nobody on the way looks into its arrays.

    what: its name in the record of runs.
    """
    function, piece = pickle.loads(work)
    with threadpool_limits(1):
        return pickle.dumps(function(piece))


class DaskWorkers:
    """A mapper over the workers of a Dask client; see stages.side_by_side.Mapper.

    A piece with a `key` is sent to who had the last one of that key and remembers what it is about: another would load
    its shard and repeat its steps. Where that worker has fallen behind or is gone, Dask gives it to another. Such
    pieces are many and short, and a record of each in Prefect would take longer than the piece: `work`, which may be
    one that is recorded, is for the others.
    """

    def __init__(self, client: Any, work: Callable[[str, bytes], bytes]) -> None:
        self.client = client
        self.work = work
        self.gone = False
        self.homes: dict[Any, str] = {}

    def __reduce__(self) -> tuple[Any, ...]:
        return _here, ()  # a client does not travel; a piece that hands out pieces does them where it is

    @classmethod
    def of(cls, client: Any, recorded: Any, api_url: str) -> DaskWorkers:
        """Workers that were met. recorded: do_piece as a Prefect task, used where all of them reach Prefect's API.

        Raises FleetError where there is no worker, or one without this version of foulcast.
        """
        from distributed import TimeoutError as NoneCame

        address = client.scheduler.address
        try:
            client.wait_for_workers(1, timeout=FIRST_WORKER_S)
        except NoneCame:
            raise FleetError(
                f"{address}: this Dask scheduler has no workers. Start some (dask worker {address} --nworkers -1 "
                "--nthreads 1) where foulcast[cluster] is installed, and run again."
            ) from None
        met = client.run(introduce, api_url, on_error="return")
        own = Met(version("foulcast"), ".".join(platform.python_version_tuple()[:2]), True)
        for worker, one in sorted(met.items()):
            if not isinstance(one, Met):
                raise FleetError(
                    f"{worker}: this worker cannot run foulcast ({one}). There: {INSTALL}, and start anew."
                )
            if (one.foulcast, one.python) != (own.foulcast, own.python):
                raise FleetError(
                    f"{worker}: this worker has foulcast {one.foulcast} on Python {one.python}; here it is "
                    f"{own.foulcast} on {own.python}. Results agree only between equals: install the same there."
                )
        if all(one.reaches_api for one in met.values()):
            return cls(client, recorded)
        log.warning("the workers cannot reach Prefect's API at %s, so it records stages but not their pieces", api_url)
        return cls(client, do_piece)

    def __call__(self, function: Callable[[T], R], pieces: Sequence[T]) -> list[R]:
        """function of every piece, in their order."""
        import dask

        if not self._reached():
            return side_by_side(function, pieces)
        name = getattr(function, "__name__", None) or getattr(getattr(function, "func", None), "__name__", "work")
        results: list[R] = []
        out: deque[tuple[T, Any]] = deque()
        places = self._places()
        most_out = sum(places.values()) * 2 + 2  # so that few pieces wait in the scheduler's memory
        self.homes = housed([getattr(piece, "key", None) for piece in pieces], self.homes, places)
        try:
            with dask.config.set({"distributed.admin.large-graph-warning-threshold": "1GB"}):  # few are out at once
                for k, piece in enumerate(pieces):
                    out.append((piece, self._sent(f"{name} {k + 1} of {len(pieces)}", function, piece)))
                    if len(out) >= most_out:
                        results.append(self._taken(function, *out.popleft()))
                while out:
                    results.append(self._taken(function, *out.popleft()))
        finally:
            if out and self._reached():
                self.client.cancel([future for _, future in out if future is not None], force=True)
        return results

    def _reached(self) -> bool:
        """Whether the scheduler can be asked; it is given up for good once it is lost."""
        if not self.gone and self.client.status != "running":
            self.gone = True
            log.warning("the Dask scheduler is lost; the rest is done on this machine")
            logging.getLogger("distributed.client").setLevel(logging.CRITICAL)  # it tries on, and tells of it
        return not self.gone

    def _places(self) -> dict[str, int]:
        """Threads of each worker that is there, by its address."""
        if self.client.status != "running":  # it would tell of those that it knew
            return {}
        workers = self.client.scheduler_info(n_workers=-1).get("workers", {})
        return {address: worker["nthreads"] for address, worker in sorted(workers.items())}

    def _sent(self, what: str, function: Callable[[T], R], piece: T) -> Any | None:
        if not self._reached():
            return None
        packed, home = pickle.dumps((function, piece)), self.homes.get(getattr(piece, "key", None))
        try:
            return self.client.submit(
                self.work if home is None else do_piece,
                what,
                packed,
                pure=False,
                key=f"{what} {id(piece):x} {time.time_ns():x}",
                workers=None if home is None else [home],
                allow_other_workers=home is not None,
            )
        except Exception:
            if self._reached():
                raise
            return None

    def _taken(self, function: Callable[[T], R], piece: T, future: Any | None) -> R:
        if future is not None and not self.gone:
            packed = self._awaited(future)
            if packed is not None:
                return pickle.loads(packed)
        return side_by_side(function, [piece])[0]

    def _awaited(self, future: Any) -> bytes | None:
        """The result; None where no worker could bring it. An error of the piece itself is raised as it is."""
        from distributed import KilledWorker

        alone_since: float | None = None
        while not future.done():
            try:
                return future.result(timeout=LOOK_S)
            except TimeoutError:
                pass
            except Exception:
                break
            if self._places():
                alone_since = None
            elif alone_since is None:
                alone_since = time.monotonic()
            elif time.monotonic() - alone_since > NO_WORKER_S:
                self.gone = True
                log.warning("no Dask worker is left; the rest is done on this machine")
                return None
        if future.status == "finished":
            return future.result()
        if future.status == "error":
            problem = future.exception()
            if isinstance(problem, FileNotFoundError):
                raise FleetError(
                    f"a worker does not find what this machine wrote ({problem}). Name a folder that this machine and "
                    "all workers see under the same path: shared_folder under [cluster] in fleet.toml."
                ) from problem
            if not isinstance(problem, KilledWorker):
                raise problem
            log.warning("several Dask workers ended over one piece of work; it is done on this machine")
            return None
        if self._reached():
            log.warning("the Dask cluster lost a piece of work; it is done on this machine")
        return None


def housed(keys: Sequence[Any], homes: Mapping[Any, str], places: Mapping[str, int]) -> dict[Any, str]:
    """The worker of each key: the one it had, else that with the fewest keys for its threads. places: threads of each
    worker that is there. Keys that are not asked for are forgotten."""
    kept = {key: homes[key] for key in keys if key is not None and homes.get(key) in places}
    held = Counter(kept.values())
    for key in keys:
        if key is not None and key not in kept and places:
            kept[key] = min(places, key=lambda address: held[address] / places[address])
            held[kept[key]] += 1
    return kept


def _here() -> Any:
    return side_by_side
