"""A Prefect API to run against: the one PREFECT_API_URL names, else a private one for the length of a run.

Imports nothing heavy: the server is started first and comes up while the rest of the program is imported.
"""

from __future__ import annotations

import ctypes
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import FleetError

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


@contextmanager
def prefect_api(home: Path) -> Iterator[PrivateServer | None]:
    """Yield once the environment names an API; call `wait()` on what is yielded before the first flow run.

    home: folder that keeps the private server's database of runs from one run to the next.
    """
    for key, value in QUIET.items():
        os.environ.setdefault(key, value)
    if os.environ.get("PREFECT_API_URL"):
        yield None
        return
    home.mkdir(parents=True, exist_ok=True)
    os.environ["PREFECT_HOME"] = str(home)
    server = PrivateServer(home)
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


class PrivateServer:
    """A Prefect server of this run's own, on a free port of the loopback interface."""

    def __init__(self, home: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{port}/api"
        self.log_file = home / "server.log"
        command = [sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port)]
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
                    return
            except (urllib.error.URLError, OSError):
                time.sleep(0.1)
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
