"""The real service on a fresh data folder, and where to find each of its processes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import psutil
import psycopg

from deploy.embedded import postgres
from deploy.embedded.folder import CHECKOUT, DataFolder
from deploy.embedded.process import end_processes, processes_in, processes_with_environment, wait_until
from tests.deploy.conftest import CHILDREN, EXTERNAL_VARIABLES, started_before
from tests.ports import free_port

START_PATIENCE_S: Final = 240.0
WORKSHOPS_AT_ONCE: Final = 4
SERVING: Final = "levelbook: serving http"
SEEDED_SETTINGS: Final = "tests.campaigns.faults.seeded_settings"

Kind = str
"""What a kill hits: see `TARGETS`."""


@dataclass
class RunningService:
    """`deploy/start` on one data folder; it may be killed and started again on the same port."""

    data: DataFolder
    port: int
    environment: Mapping[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None
    unused_workshops: list[dict[str, str]] = field(default_factory=list)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def log(self) -> Path:
        return self.data.root.parent / "supervisor.log"

    def variables(self) -> dict[str, str]:
        """The environment of everything that belongs to this service."""
        inherited = {name: value for name, value in os.environ.items() if name not in EXTERNAL_VARIABLES}
        own = {"PYTHONPATH": str(CHECKOUT), "LEVELBOOK_DATA": str(self.data.root), "OPENBLAS_NUM_THREADS": "1"}
        return {**inherited, **own, **self.environment}

    def start(self) -> None:
        """Start and wait until it serves."""
        command = [sys.executable, "-P", "-m", "deploy.embedded.launch", "--no-demo", "--port", str(self.port)]
        said = self._times_serving()
        with self.log.open("ab") as output:
            self.process = subprocess.Popen(command, stdout=output, stderr=output, env=self.variables(), cwd="/")
        process = self.process
        wait_until(lambda: self._times_serving() > said or process.poll() is not None, START_PATIENCE_S)
        if self._times_serving() == said:
            raise RuntimeError(f"the service did not start:\n{self.log.read_text()[-4000:]}")

    def stop(self) -> None:
        """Press Ctrl-C; then end by pid whatever should have gone and did not."""
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            with suppress(subprocess.TimeoutExpired):
                self.process.wait(START_PATIENCE_S)
        end_processes(self.left_over, patience=5.0)

    def left_over(self) -> set[int]:
        marked = processes_with_environment("LEVELBOOK_SUPERVISED_DATA", str(self.data.root))
        return marked | processes_in(self.data.postgres) | processes_in(self.data.valkey)

    def pids(self, kind: Kind) -> list[int]:
        """Who a kill of this kind may hit at this moment."""
        with suppress(psutil.NoSuchProcess):
            return TARGETS[kind](self)
        return []

    def child(self, name: str) -> psutil.Process | None:
        """The supervisor's own child of this name, where it runs."""
        assert self.process is not None
        with suppress(psutil.NoSuchProcess):
            children = psutil.Process(self.process.pid).children()
            return next((each for each in children if CHILDREN[name] in " ".join(each.cmdline())), None)
        return None

    def new_workshop(self) -> dict[str, str]:
        """Id and manager's token of a workshop that nobody has used."""
        if not self.unused_workshops:
            made = self.python("-m", "tests.campaigns.faults.founding", str(WORKSHOPS_AT_ONCE))
            self.unused_workshops = json.loads(made)
        return self.unused_workshops.pop()

    def python(self, *arguments: str, given: str = "") -> str:
        """What a Python process of this service's environment writes; its complaint is raised."""
        done = subprocess.run(
            [sys.executable, *arguments],
            cwd=CHECKOUT,
            env=self.variables(),
            input=given,
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        if done.returncode != 0:
            raise RuntimeError(f"{arguments}: exit code {done.returncode}\n{done.stderr[-4000:]}")
        return done.stdout

    def connect(self, role: str) -> psycopg.Connection:
        """A database session of one of the roles, outside the service."""
        return psycopg.connect(
            host=str(self.data.sockets),
            user=role,
            password=self.data.secret(role),
            dbname=postgres.DATABASE,
            autocommit=True,
        )

    def _times_serving(self) -> int:
        return self.log.read_text().count(SERVING) if self.log.exists() else 0


@contextmanager
def running_service(*, seeded: bool = False) -> Iterator[RunningService]:
    """A service on a folder of its own; `seeded` lets the faults of `seeded.py` be switched on in it."""
    environment = {"DJANGO_SETTINGS_MODULE": SEEDED_SETTINGS if seeded else "deploy.settings"}
    with started_before() as data:
        service = RunningService(data, free_port(), environment)
        try:
            service.start()
            yield service
        finally:
            service.stop()


def _named(name: str) -> Callable[[RunningService], list[int]]:
    def find(service: RunningService) -> list[int]:
        child = service.child(name)
        return [child.pid] if child else []

    return find


def _children_of(name: str, words: str = "") -> Callable[[RunningService], list[int]]:
    def find(service: RunningService) -> list[int]:
        parent = service.child(name)
        return [each.pid for each in parent.children() if words in " ".join(each.cmdline())] if parent else []

    return find


def _supervisor(service: RunningService) -> list[int]:
    return [service.process.pid] if service.process and service.process.poll() is None else []


TARGETS: Final[dict[Kind, Callable[[RunningService], list[int]]]] = {
    "web server": _named("web"),
    "web process": _children_of("web"),
    "worker": _named("worker"),
    "worker process": _children_of("worker"),
    "beat": _named("beat"),
    "broker": _named("broker"),
    "database server": _named("database"),
    "database backend": _children_of("database", postgres.APP),
    "database helper": _children_of("database", "writer"),
    "supervisor": _supervisor,
}
