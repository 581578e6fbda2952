"""A Prefect API to run against: the one PREFECT_API_URL names, else a private one for the length of a run.

Imports nothing heavy: the server is started first and comes up while the rest of the program is imported.
"""

from __future__ import annotations

import ctypes
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import FleetError
from pipeline.kept import kept

START_UP_S = 120
QUIET = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_LOGGING_TO_API_ENABLED": "false",
    "PREFECT_SERVER_UI_ENABLED": "false",
    "PREFECT_API_BLOCKS_REGISTER_ON_START": "false",
    "PREFECT_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_CLI_PROMPT": "false",
}


ONE_RUN = {  # a single run needs nothing of what a server does by itself for deployments and for runs left alone
    f"PREFECT_SERVER_SERVICES_{service}_ENABLED": "false"
    for service in (
        *("CANCELLATION_CLEANUP", "CLEANUP_RECONCILER", "FOREMAN", "LATE_RUNS", "PAUSE_EXPIRATIONS"),
        *("REPOSSESSOR", "SCHEDULER", "TRIGGERS"),
    )
}


@contextmanager
def prefect_api(home: Path, schedules: bool = False) -> Iterator[PrivateServer | None]:
    """Yield once the environment names an API; call `wait()` on what is yielded before the first flow run.

    home: folder that keeps the private server's database of runs from one run to the next. schedules: whether that
    server is to serve deployments, not one run.
    """
    for key, value in (QUIET if schedules else QUIET | ONE_RUN).items():
        os.environ.setdefault(key, value)
    if os.environ.get("PREFECT_API_URL"):
        yield None
        return
    home.mkdir(parents=True, exist_ok=True)
    os.environ["PREFECT_HOME"] = str(home)
    server = PrivateServer(home, Template(kept("prefect.db", "prefect")))
    os.environ["PREFECT_API_URL"] = server.url
    try:
        yield server
    finally:
        del os.environ["PREFECT_API_URL"]
        server.stop()


def _end_with_parent() -> None:
    """Ask the kernel to end this process when its parent dies, however it dies: prctl(2), PR_SET_PDEATHSIG."""
    pr_set_pdeathsig = 1
    ctypes.CDLL(None).prctl(pr_set_pdeathsig, signal.SIGTERM)


@dataclass(frozen=True)
class Template:
    """A database with Prefect's tables and no runs, kept for new homes: making the tables takes seconds.

    Whether it can be had, or kept, matters to nothing but those seconds: Prefect makes what tables are missing.
    """

    path: Path

    def copy_to(self, database: Path) -> None:
        """Put a copy where no database is yet; nothing where the template is none, or has been damaged."""
        if self.path.exists() and not database.exists():
            _copied(self.path, database)

    def keep(self, database: Path) -> None:
        """Keep what a server has just made, before anything runs; unless there is one, or the server uses another."""
        if database.exists() and not self.path.exists():
            with suppress(OSError):
                self.path.parent.mkdir(parents=True, exist_ok=True)
            _copied(database, self.path)


def _copied(source: Path, target: Path) -> None:
    """One SQLite database as it is at this moment, put in place whole; only where it is sound and holds no runs."""
    beside = target.with_suffix(f".{os.getpid()}")
    with suppress(OSError, sqlite3.Error):
        with (
            closing(sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True, timeout=1)) as made,
            closing(sqlite3.connect(beside)) as copy,
        ):
            made.backup(copy)
            copy.execute("pragma journal_mode = delete")  # one file, readable without another beside it
            sound = copy.execute("pragma integrity_check").fetchone() == ("ok",)
            runs = copy.execute("select count(*) from flow_run").fetchone()
        if sound and runs == (0,):
            beside.replace(target)
    with suppress(OSError):
        beside.unlink(missing_ok=True)


class PrivateServer:
    """A Prefect server of this run's own, on a free port of the loopback interface.

    template: where a new home gets its database from; one that is made anew is kept there.
    """

    def __init__(self, home: Path, template: Template) -> None:
        self.database, self.template = home / "prefect.db", template
        template.copy_to(self.database)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{port}/api"
        self.log_file = home / "server.log"
        start = ["server", "start", "--host", "127.0.0.1", "--port", str(port)]
        command = [sys.executable, "-m", "pipeline.prefect_server", *start]
        with self.log_file.open("wb") as log:
            self.process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                env=os.environ.copy(),
                start_new_session=True,  # Ctrl-C is for us: the server outlives it by the last word of a run
                preexec_fn=_end_with_parent if sys.platform == "linux" else None,  # nothing is threaded yet
            )

    def wait(self) -> None:
        """Block until the server answers. Raises FleetError when it does not come up."""
        deadline = time.monotonic() + START_UP_S
        while time.monotonic() < deadline and self.process.poll() is None:
            try:
                with urllib.request.urlopen(f"{self.url}/health", timeout=2):
                    self.template.keep(self.database)
                    return
            except (urllib.error.URLError, OSError):
                time.sleep(0.03)
        raise FleetError(
            f"Prefect's own server did not come up; {self.log_file} says why. "
            "Set PREFECT_API_URL to a running server, or use --direct to run without Prefect."
        )

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
