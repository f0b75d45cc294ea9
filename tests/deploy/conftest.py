"""A data folder that the unprivileged database user can reach, and the whole service on it."""

import fcntl
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil
import pytest

from deploy.embedded.folder import CHECKOUT, DataFolder, data_folder
from deploy.embedded.prepared import code_state
from deploy.embedded.process import wait_until
from tests.ports import free_port

PATIENCE = 240.0
START_PATIENCE = 240.0
"""A first start makes every table, which takes its time on a machine that is busy otherwise."""
CHILDREN = {
    "database": "bin/postgres",
    "broker": "valkey-server",
    "web": "-m deploy.web",
    "worker": "deploy.celery --quiet worker",
    "beat": "-m deploy.beat",
}
"""Words of the command line by which each of the supervisor's children is known."""
# What the tests start runs with its own database, whatever this test run itself was given.
EXTERNAL_VARIABLES = (
    "DATABASE_URL",
    "DATABASE_OWNER_URL",
    "DATABASE_ADMIN_URL",
    "BROKER_URL",
    "FILES_URL",
    "LEVELBOOK_DATABASE_ROLE",
)


@pytest.fixture
def data(monkeypatch: pytest.MonkeyPatch) -> Iterator[DataFolder]:
    """Return an empty data folder, also named by LEVELBOOK_DATA."""
    with empty_data_folder() as folder:
        for name in EXTERNAL_VARIABLES:
            monkeypatch.delenv(name, raising=False)
        monkeypatch.setenv("LEVELBOOK_DATA", str(folder.root))
        yield folder


@contextmanager
def empty_data_folder() -> Iterator[DataFolder]:
    """Make a folder that the database's user can reach, unlike pytest's own temporary folders."""
    base = Path(tempfile.mkdtemp(prefix="lb-", dir="/tmp"))
    base.chmod(0o755)
    try:
        yield DataFolder(base / "data")
    finally:
        shutil.rmtree(base)


@contextmanager
def started_before() -> Iterator[DataFolder]:
    """Make a folder on which the service was started and stopped once: a copy, since a first start takes long."""
    root = data_folder().root
    root.mkdir(parents=True, exist_ok=True)
    with empty_data_folder() as folder:
        with (root / "first-start.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            _copy(_first_start(root), folder.root)
        yield folder


def _first_start(root: Path) -> Path:
    """Of all test processes the first one makes the folder; it is kept until the code changes."""
    kept = root / f"first-start-{code_state()}"
    if not kept.exists():
        for outdated in root.glob("first-start-*"):
            shutil.rmtree(outdated)
        with empty_data_folder() as folder:
            starter = Starter(folder)
            try:
                service = starter()
                assert service.has_said("serving http"), service.log.read_text()
            finally:
                starter.stop_all()
            _copy(folder.root, kept)
    return kept


def _copy(folder: Path, to: Path) -> None:
    """With owners and modes, and under its name only once it is whole."""
    unfinished = to.with_name(f"{to.name}.unfinished")
    subprocess.run(["cp", "--archive", "--no-target-directory", folder, unfinished], check=True)  # noqa: S607
    unfinished.rename(to)


@dataclass
class Service:
    """A running `deploy/start`."""

    process: subprocess.Popen[bytes]
    port: int
    log: Path

    def child(self, words: str) -> psutil.Process:
        """Return the supervisor's own child whose command line holds these words."""
        children = psutil.Process(self.process.pid).children()
        return next(child for child in children if words in command_line(child))

    def names(self) -> set[str]:
        """Return which of the services run as the supervisor's own children."""
        found = [command_line(child) for child in psutil.Process(self.process.pid).children()]
        return {name for name, words in CHILDREN.items() if any(words in line for line in found)}

    def has_said(self, words: str, times: int = 1) -> bool:
        return self.log.read_text().count(words) >= times

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()

    def interrupt(self) -> int:
        """Press Ctrl-C and return the exit code."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(PATIENCE)


def command_line(process: psutil.Process) -> str:
    """Nothing for one that has ended since it was found."""
    try:
        return " ".join(process.cmdline())
    except psutil.NoSuchProcess:
        return ""


class Starter:
    """Starts services on one data folder and stops those still running at the end."""

    def __init__(self, data: DataFolder, environment: Mapping[str, str] | None = None) -> None:
        self.data = data
        self.environment = dict(environment or {})
        self._started: list[Service] = []

    def __call__(
        self,
        *,
        port: int | None = None,
        data: Path | None = None,
        changes: Mapping[str, str] | None = None,
        without: Sequence[str] = (),
        arguments: Sequence[str] = (),
    ) -> Service:
        """Start the service and wait until it serves or has given up."""
        port = port or free_port()
        log = self.data.root.parent / f"log-{len(self._started)}"
        command = [sys.executable, "-P", "-m", "deploy.embedded.launch", "--no-demo"]
        command += ["--data", str(data or self.data.root), "--port", str(port), *arguments]
        given = {name: value for name, value in self.environment.items() if name not in without}
        inherited = {name: value for name, value in os.environ.items() if name not in EXTERNAL_VARIABLES}
        environment = inherited | {"PYTHONPATH": str(CHECKOUT)} | given | dict(changes or {})
        with log.open("w") as output:
            process = subprocess.Popen(command, stdout=output, stderr=output, env=environment, cwd="/")
        service = Service(process, port, log)
        self._started.append(service)
        wait_until(lambda: service.has_said("serving http") or process.poll() is not None, START_PATIENCE)
        return service

    def stop_all(self) -> None:
        for service in self._started:
            if service.process.poll() is None:
                service.interrupt()


@pytest.fixture(scope="module")
def shared() -> Iterator[Starter]:
    """Return a starter whose first service the tests of a module share."""
    with started_before() as folder:
        starter = Starter(folder)
        yield starter
        starter.stop_all()


@pytest.fixture(scope="module")
def running(shared: Starter) -> Service:
    """Return a service that tests may disturb but not end."""
    service = shared()
    assert service.has_said("serving http"), service.log.read_text()
    return service
