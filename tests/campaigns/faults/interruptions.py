"""Interruptions one at a time: of a worker in the middle of a certificate, the broker, the database; and lost work.

    python -m tests.campaigns.faults.interruptions

runs each on the real service and prints what was measured. Every function here gives what it found wrong, in sentences;
the tests ask the same of seeded faults, where it must find something.
"""

from __future__ import annotations

import itertools
import signal
import statistics
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import Any, Final

import httpx
import psutil
import psycopg
import redis
from celery import Celery
from psycopg.types.json import Jsonb
from uuid_utils.compat import uuid7

from deploy.embedded import postgres
from deploy.embedded.process import wait_until
from tests.campaigns.faults import seeded
from tests.campaigns.faults.kills import new_shop
from tests.campaigns.faults.lookup import pages
from tests.campaigns.faults.running import RunningService, running_service
from tests.campaigns.faults.tablets import Shop
from tests.deploy.conftest import CHILDREN
from tests.plain_http import TRUSTING_NOBODY
from tests.simulator.http_api import BASE
from tests.simulator.http_workshop import vin

PATIENCE_S: Final = 180.0
ANSWER_S: Final = 60.0
MOST_ATTEMPTS: Final = 5
NUMBERS: Final = itertools.count(900_000)
WAITING_JOBS: Final = 4


@dataclass
class Bench:
    """A service, a workshop on it, and what was measured."""

    service: RunningService
    shop: Shop
    measured: dict[str, Any] = field(default_factory=dict)
    waiting_jobs: int = WAITING_JOBS
    """How many documents are asked for, and how many clients ask, during an interruption."""

    @property
    def headers(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.shop.token}"}

    def ended_job(self) -> str:
        """A job received and ended at once: its findings report is background work."""
        job = self.open_job()
        self.post(f"/jobs/{job}/end/", {"reason": "not today"})
        return job

    def open_job(self) -> str:
        vehicle = self.shop.http.vehicle(self.shop.model)
        return str(self.post("/jobs/", {"vehicle": vehicle, "reason": "routine", "odometer_km": 1000})["id"])

    def vehicle_body(self) -> dict[str, Any]:
        vehicle = self.shop.first_vehicle
        return {
            "vin": vin(next(NUMBERS)),
            "vehicle_model": self.shop.model,
            "model_year": 2024,
            "operator": vehicle["operator"],
        }

    def post(self, path: str, body: dict[str, Any]) -> Any:
        return self.shop.http.manager.post(path, body)

    def certificates(self, job: str) -> list[str]:
        """States of the documents of a job."""
        rows = self.query("SELECT state FROM reports_certificate WHERE job_id = %s", job)
        return [str(row[0]) for row in rows]

    def item_of(self, job: str) -> tuple[str, str, int]:
        """Id, state and attempts of the work of making a job's document."""
        query = "SELECT id, state, attempts FROM fleet_outboxitem WHERE kind = %s AND payload->>'job' = %s"
        (row,) = self.query(query, "calibration.job_ended", job)
        return str(row[0]), str(row[1]), int(row[2])

    def query(self, text: str, *values: object) -> list[tuple[Any, ...]]:
        with workshop_session(self.service, self.shop.workshop) as session:
            return session.execute(text, values).fetchall()

    def change(self, text: str, *values: object) -> None:
        with workshop_session(self.service, self.shop.workshop) as session:
            session.execute(text, values)

    def make_due(self, item: str) -> None:
        """As if its lease and its pause were over."""
        self.change("UPDATE fleet_outboxitem SET leased_until = NULL, due_at = now() WHERE id = %s", item)

    def hint(self, item: str) -> None:
        self.send("fleet.tasks.perform_outbox_item", self.shop.workshop, item)

    def send(self, task: str, *arguments: str) -> None:
        client = Celery("client", broker=f"redis+socket://{self.service.data.sockets}/valkey.sock")
        client.send_task(task, arguments)
        client.close()

    def append_work(self, kind: str, payload: dict[str, Any]) -> str:
        item = str(uuid7())
        self.change(
            "INSERT INTO fleet_outboxitem (id, workshop_id, kind, payload, state, created_at, due_at, attempts, error)"
            " VALUES (%s, %s, %s, %s, 'waiting', now(), now(), 0, '')",
            item,
            self.shop.workshop,
            kind,
            Jsonb(payload),
        )
        return item

    def item(self, item: str) -> tuple[str, int, str]:
        (row,) = self.query("SELECT state, attempts, error FROM fleet_outboxitem WHERE id = %s", item)
        return str(row[0]), int(row[1]), str(row[2])


@contextmanager
def workshop_session(service: RunningService, workshop: str) -> Iterator[psycopg.Connection]:
    """The application's role in one workshop's transaction."""
    with service.connect(postgres.APP) as session, session.transaction():
        session.execute("SELECT set_config('app.workshop', %s, true)", [workshop])
        yield session


@contextmanager
def unsupervised(service: RunningService) -> Iterator[None]:
    """Nothing that ends is started again for the time of the block, before which everything runs."""
    assert service.process is not None
    for name in CHILDREN:
        _child(service, name)
    service.process.send_signal(signal.SIGSTOP)
    try:
        yield
    finally:
        service.process.send_signal(signal.SIGCONT)


def kill_family(service: RunningService, name: str) -> None:
    """A child of the supervisor with all its processes, at once."""
    child = _child(service, name)
    family = [*child.children(recursive=True), child]
    for process in family:
        with suppress(psutil.NoSuchProcess):
            process.kill()
    wait_until(lambda: not any(_is_alive(process) for process in family), PATIENCE_S)


def _child(service: RunningService, name: str) -> psutil.Process:
    """What was killed just before may not have been started again yet."""
    found: list[psutil.Process | None] = []

    def is_there() -> bool:
        found.append(service.child(name))
        return found[-1] is not None

    assert wait_until(is_there, PATIENCE_S), f"no {name} runs"
    assert found[-1] is not None
    return found[-1]


def _is_alive(process: psutil.Process) -> bool:
    try:
        return bool(process.is_running() and process.status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False


# --- A worker killed in the middle of a certificate -------------------------------------------------
def worker_killed_at_work(bench: Bench) -> list[str]:
    """On a service with `slow_drawing`: its worker is killed while it draws, and the work is taken up again."""
    job = bench.ended_job()
    held = bench.service.data.root / seeded.held("drawing", job)
    assert wait_until(held.exists, PATIENCE_S), "no worker took the work"
    kill_family(bench.service, "worker")
    item, _state, _attempts = bench.item_of(job)
    unfinished = bench.certificates(job)
    bench.change("UPDATE fleet_outboxitem SET leased_until = now() WHERE id = %s AND state = 'waiting'", item)
    wait_until(lambda: bench.item_of(job)[1] != "waiting", PATIENCE_S)
    problems = [f"half a certificate was left behind: {unfinished}"] if unfinished else []
    return [*problems, *_unless_one_certificate(bench, job)]


def _unless_one_certificate(bench: Bench, job: str) -> list[str]:
    made = bench.certificates(job)
    return [] if made == ["issued"] else [f"job {job} has the certificates {made}"]


# --- A broker that forgets, is away or hangs ---------------------------------------------------------
def broker_flushed(bench: Bench, patience_s: float = PATIENCE_S) -> list[str]:
    """Work waits in the broker while no worker runs; the broker loses everything; the worker comes back."""
    with unsupervised(bench.service):
        kill_family(bench.service, "worker")
        jobs = [bench.ended_job() for _ in range(bench.waiting_jobs)]
        flush(bench.service)
    return _unmade(bench, jobs, patience_s, "work found by the sweep after a flush, s")


def flush(service: RunningService) -> None:
    with redis.Redis(unix_socket_path=str(service.data.sockets / "valkey.sock")) as broker:
        broker.flushall()


def broker_away(bench: Bench, patience_s: float = PATIENCE_S) -> list[str]:
    """Requests that ask for background work while there is no broker; then it comes back."""
    with unsupervised(bench.service):
        kill_family(bench.service, "broker")
        answers, jobs = _end_jobs(bench, "without a broker")
    problems = [f"without a broker the answers were {answers}"] if set(answers) != {200} else []
    return problems + _unmade(bench, jobs, patience_s, "work done after the broker is back, s")


def broker_hanging(bench: Bench, patience_s: float = PATIENCE_S, answer_s: float = ANSWER_S) -> list[str]:
    """The same with a broker that takes connections and never answers."""
    broker = _child(bench.service, "broker")
    broker.suspend()
    try:
        answers, jobs = _end_jobs(bench, "with a hanging broker", answer_s)
    finally:
        broker.resume()
    problems = [f"with a hanging broker the answers were {answers}"] if set(answers) != {200} else []
    return problems + _unmade(bench, jobs, patience_s, "work done after the broker answers again, s")


def with_a_broker(bench: Bench) -> None:
    """The undisturbed time of the same requests, to compare with."""
    _end_jobs(bench, "with a broker")


def _end_jobs(bench: Bench, circumstance: str, answer_s: float = ANSWER_S) -> tuple[list[int], list[str]]:
    """End some jobs, one after the other; notes how long the answers took. No answer in time is status 0."""
    answers, times, jobs = [], [], []
    for _ in range(bench.waiting_jobs):
        job = bench.open_job()
        began = time.monotonic()
        try:
            answers.append(_post_once(bench, f"/jobs/{job}/end/", {"reason": "not today"}, answer_s).status_code)
        except httpx.ReadTimeout:
            answers.append(0)
        times.append(time.monotonic() - began)
        jobs.append(job)
    bench.measured[f"request that asks for work, {circumstance}, median and longest of {bench.waiting_jobs}, ms"] = (
        round(1000 * statistics.median(times)),
        round(1000 * max(times)),
    )
    return answers, jobs


def _post_once(bench: Bench, path: str, body: dict[str, Any], answer_s: float = ANSWER_S) -> httpx.Response:
    body = {"id": str(uuid7()), **body}
    return httpx.post(
        f"{bench.service.url}{BASE}{path}", json=body, headers=bench.headers, timeout=answer_s, verify=TRUSTING_NOBODY
    )


def _unmade(bench: Bench, jobs: list[str], patience_s: float, measured: str) -> list[str]:
    """Wait for the jobs' documents; those that are not there."""

    def missing() -> list[str]:
        return [problem for job in jobs for problem in _unless_one_certificate(bench, job)]

    began = time.monotonic()
    wait_until(lambda: not missing(), patience_s)
    bench.measured[measured] = round(time.monotonic() - began, 1)
    return missing()


# --- A database that is started again -----------------------------------------------------------------
def database_away(bench: Bench) -> list[str]:
    """Requests before, while and after there is no database."""
    problems = [f"before the outage: {answer}" for answer in _answers(bench) if answer != "201"]
    with unsupervised(bench.service):
        kill_family(bench.service, "database")
        began = time.monotonic()
        during = _answers(bench)
        bench.measured["refusal while the database is away, s"] = round(time.monotonic() - began, 1)
        problems += [f"while the database was away: {answer}" for answer in during if answer != "503 with Retry-After"]
    began = time.monotonic()
    after: Counter[str] = Counter()
    while time.monotonic() < began + PATIENCE_S and (answers := _answers(bench)) != ["201"] * bench.waiting_jobs:
        after.update(answers)
    bench.measured["served again after the database is started, s"] = round(time.monotonic() - began, 1)
    problems += [f"after the outage: {answer}" for answer in after if answer not in ("201", "503 with Retry-After")]
    return problems + [f"not served again: {answer}" for answer in _answers(bench) if answer != "201"]


def _answers(bench: Bench) -> list[str]:
    """What several clients are told who add a vehicle at the same time."""
    bodies = [bench.vehicle_body() for _ in range(bench.waiting_jobs)]
    with ThreadPoolExecutor(bench.waiting_jobs) as pool:
        return list(pool.map(lambda body: _told(_post_once(bench, "/vehicles/", body)), bodies))


def _told(response: httpx.Response) -> str:
    hint = " with Retry-After" if "Retry-After" in response.headers else ""
    return f"{response.status_code}{hint}"


# --- Work that cannot succeed --------------------------------------------------------------------------
def poison(bench: Bench) -> list[str]:
    """An item that fails in every attempt is parked after the fifth, shown with its error, and nobody tries again."""
    item = bench.append_work("reports.certificate_issue", {"certificate": "no id at all"})
    for attempt in range(1, MOST_ATTEMPTS + 1):
        bench.make_due(item)
        bench.hint(item)
        wait_until(lambda: _failed(bench, item, attempt), PATIENCE_S)  # noqa: B023  (called at once)
        if bench.item(item)[0] != "waiting":
            break
    state, attempts, error = bench.item(item)
    shown = [each["id"] for each in pages(bench.shop.http.manager, "/parked-work/")]
    bench.change("UPDATE fleet_outboxitem SET state = 'done' WHERE id = %s", item)  # out of the others' way
    found = (state, attempts, "ValueError" in error, item in shown)
    return [] if found == ("parked", MOST_ATTEMPTS, True, True) else [f"state, attempts, error kept, shown: {found}"]


def _failed(bench: Bench, item: str, attempt: int) -> bool:
    state, attempts, _error = bench.item(item)
    leased = bench.query("SELECT leased_until IS NOT NULL FROM fleet_outboxitem WHERE id = %s", item) == [(True,)]
    return state != "waiting" or (attempts >= attempt and not leased)


def main() -> int:
    """Run each on a service of its own kind; print what was measured."""
    problems: list[str] = []
    with running_service() as service:
        bench = Bench(service, new_shop(service))
        with_a_broker(bench)
        for interruption in (broker_flushed, broker_away, broker_hanging, database_away, poison):
            sys.stderr.write(f"{time.strftime('%H:%M:%S')} {interruption.__name__}\n")
            problems += interruption(bench)
    with running_service(seeded=True) as service, seeded.switch_on(service.data.root, "slow_drawing"):
        problems += worker_killed_at_work(Bench(service, new_shop(service)))
    lines = [*(f"{name}: {value}" for name, value in bench.measured.items()), f"{len(problems)} problems", *problems]
    sys.stdout.write("\n".join(lines) + "\n")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
