"""A running service of its own for a campaign: database, broker, web server, worker and beat on a fresh data folder."""

from __future__ import annotations

import json
import os
import secrets
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from tests.plain_http import TRUSTING_NOBODY
from tests.ports import free_port

CHECKOUT = Path(__file__).resolve().parents[2]
START_PATIENCE_S = 120.0
STOP_PATIENCE_S = 60.0


@dataclass(frozen=True, slots=True)
class Served:
    """Where the service is, and a manager's token of a workshop of their own."""

    url: str
    token: str


@contextmanager
def served() -> Iterator[Served]:
    """Start the service as `deploy/start` does, stop it and remove its data at the end."""
    with tempfile.TemporaryDirectory(prefix="levelbook-campaign-") as folder:
        Path(folder).chmod(0o711)  # the database's own user has to reach its part
        environment = _environment(Path(folder))
        url = f"http://127.0.0.1:{free_port()}"
        port = url.rpartition(":")[2]
        command = [sys.executable, "-P", "-m", "deploy.embedded.launch", "--no-demo", "--port", port]
        log = Path(folder) / "launch.log"
        with (
            log.open("w") as output,
            subprocess.Popen(command, env=environment, stdout=output, stderr=output) as process,
        ):
            try:
                _wait_until_ready(url, process, log)
                yield Served(url, _founded(environment))
            finally:
                process.send_signal(signal.SIGINT)
                process.wait(STOP_PATIENCE_S)


def _environment(folder: Path) -> dict[str, str]:
    given = {name: value for name, value in os.environ.items() if not name.endswith("_URL")}
    return given | {"PYTHONPATH": str(CHECKOUT), "LEVELBOOK_DATA": str(folder / "data"), "OPENBLAS_NUM_THREADS": "1"}


def _wait_until_ready(url: str, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + START_PATIENCE_S
    while time.monotonic() < deadline:
        if process.poll() is not None:
            break
        try:
            if httpx.get(f"{url}/readyz", timeout=5, verify=TRUSTING_NOBODY).is_success:
                return
        except httpx.TransportError:
            pass
        time.sleep(0.5)
    raise RuntimeError(f"the service did not start:\n{log.read_text()}")


def _founded(environment: dict[str, str]) -> str:
    command = [sys.executable, str(CHECKOUT / "manage.py"), "create_workshop"]
    command += ["--name", "Campaign", "--email", f"manager-{secrets.token_hex(4)}@workshop.example"]
    made = subprocess.run(
        command,
        env=environment | {"LEVELBOOK_PASSWORD": secrets.token_urlsafe(18)},
        stdout=subprocess.PIPE,
        check=True,
    )
    return str(json.loads(made.stdout)["token"])
