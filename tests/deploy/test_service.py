"""The whole service as one process tree: it starts, survives kills, and leaves nothing behind."""

import base64
import hashlib
import http.client
import json
import socket
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import httpx
import psutil
import psycopg
import pytest
from celery import Celery

from deploy.embedded import postgres
from deploy.embedded.folder import DataFolder
from deploy.embedded.process import processes_in, processes_with_environment, wait_until
from deploy.threaded import THREADS
from fleet.static_files import slim
from tests.deploy.conftest import CHILDREN, PATIENCE, Service, Starter
from tests.plain_http import TRUSTING_NOBODY

HALF_SENT = 40
"""More than all threads of both web processes."""
HEAD = (
    b"POST /api/v1/tokens/ HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 500\r\n\r\n"
)
HALF = HEAD + b'{"email": '
ANSWER_PATIENCE_S = 30.0
COUNTER = "django_http_requests_before_middlewares_total"


def answers(service: Service) -> bool:
    connection = http.client.HTTPConnection("127.0.0.1", service.port, timeout=5)
    try:
        connection.request("GET", "/healthz")
        return connection.getresponse().status < 500
    except OSError:
        return False
    finally:
        connection.close()


def remember(data: DataFolder, value: str) -> None:
    with connect(data) as connection:
        connection.execute("CREATE TABLE remembered (value text)")
        connection.execute("INSERT INTO remembered VALUES (%s)", [value])


def remembered(data: DataFolder) -> str:
    with connect(data) as connection:
        return str(connection.execute("SELECT value FROM remembered").fetchall()[0][0])


def connect(data: DataFolder) -> psycopg.Connection:
    owner = postgres.OWNER
    return psycopg.connect(host=str(data.sockets), user=owner, password=data.secret(owner), dbname=postgres.DATABASE)


def left_over(data: DataFolder) -> set[int]:
    marked = processes_with_environment("LEVELBOOK_SUPERVISED_DATA", str(data.root))
    return marked | processes_in(data.postgres) | processes_in(data.valkey)


@pytest.mark.parametrize("name", CHILDREN)
def test_a_killed_child_comes_back_by_itself(name: str, running: Service, shared: Starter) -> None:
    killed = running.child(CHILDREN[name])
    family = killed.children(recursive=True)
    killed.kill()
    assert wait_until(lambda: running.has_said(f"{name} restarted"), PATIENCE), running.log.read_text()
    assert running.child(CHILDREN[name]).pid != killed.pid
    assert wait_until(lambda: answers(running) and postgres.is_ready(shared.data), PATIENCE)
    assert wait_until(lambda: not any(is_alive(process) for process in family), PATIENCE)


def test_a_second_supervisor_on_the_same_folder_is_refused(running: Service, shared: Starter) -> None:
    second = shared()
    assert second.process.wait(PATIENCE) == 1
    assert second.has_said("already runs on")
    assert answers(running)


def test_a_port_in_use_is_refused_before_anything_starts(running: Service, shared: Starter) -> None:
    other_folder = shared.data.root.parent / "other"
    other = shared(port=running.port, data=other_folder)
    assert other.process.wait(PATIENCE) == 1
    assert other.has_said("choose another --port")
    assert not (other_folder / "postgres").exists()


def test_the_running_service_takes_tasks_from_its_broker(running: Service, shared: Starter) -> None:
    client = Celery("client", broker=f"redis+socket://{shared.data.sockets}/valkey.sock")
    assert wait_until(lambda: bool(client.control.ping(timeout=1)), PATIENCE)


def test_the_service_s_own_processes_hold_no_owner_or_superuser_password(running: Service, shared: Starter) -> None:
    parents = [running.child(CHILDREN[name]) for name in ("web", "worker", "beat")]
    found: set[str] = set()
    for process in (process for parent in parents for process in (parent, *parent.children())):
        found |= roles_whose_password_is_in_memory(process.pid, shared.data)
    # That the application's own password is found shows that the search works.
    assert found == {postgres.APP}


def test_the_web_processes_share_what_their_parent_had_loaded(running: Service) -> None:
    """What a figure is calculated with stands for all that the views bring along."""
    parent = running.child(CHILDREN["web"])
    loaded, *inherited = [scipy_libraries(process) for process in (parent, *parent.children())]
    assert loaded
    assert inherited == [loaded] * 2


def test_the_bench_app_s_files_are_those_that_its_worker_expects(running: Service) -> None:
    """As collected, scripts without their comments; a browser refuses a file whose hash is another."""
    with httpx.Client(base_url=f"http://127.0.0.1:{running.port}", verify=TRUSTING_NOBODY) as client:
        kept = json.loads(client.get("/bench/service-worker.js").text.removeprefix("self.KEPT = ").split(";\n")[0])
        assets = {each["url"]: each["integrity"] for each in kept["assets"]}
        files = {url: client.get(url).content for url in assets}
        parcel = client.get(kept["parcel"]["url"]).content
        alone = b"".join(client.get(each["url"]).content for each in kept["parcel"]["files"])
        rest = client.get(kept["parcel"]["rest"]).content
    assert {url: integrity_of(content) for url, content in files.items()} == assets
    assert parcel == alone + rest
    assert integrity_of(alone) == kept["parcel"]["integrity"]
    assert not [url for url, content in files.items() if url.endswith(".js") and content != slim(content)]


def integrity_of(content: bytes) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(content).digest()).decode()}"


def scipy_libraries(process: psutil.Process) -> set[str]:
    return {area.path for area in process.memory_maps() if "/scipy/" in area.path}


@pytest.fixture
def half_sent(running: Service) -> Iterator[list[socket.socket]]:
    """Connections whose requests stop in the middle of the body."""
    with ExitStack() as stack:
        connections = [
            stack.enter_context(socket.create_connection(("127.0.0.1", running.port), ANSWER_PATIENCE_S))
            for _number in range(HALF_SENT)
        ]
        for connection in connections:
            connection.sendall(HALF)
        yield connections


def test_half_sent_bodies_hold_no_thread(running: Service, half_sent: list[socket.socket]) -> None:
    assert len(half_sent) > 2 * THREADS
    asked = [ask(running) for _number in range(4 * THREADS)]
    assert asked == [401] * len(asked)


def test_a_body_whose_rest_comes_late_is_answered(running: Service, half_sent: list[socket.socket]) -> None:
    assert ask(running) == 401
    late = half_sent[0]
    late.sendall(b'"a@b"}'.ljust(500 - len(HALF) + len(HEAD)))
    answer = http.client.HTTPResponse(late)
    answer.begin()
    assert answer.status == 422
    assert json.loads(answer.read())["type"] == "invalid"


def test_the_figures_are_those_of_all_processes(running: Service) -> None:
    """Each scrape is answered by one of them."""
    asked = 40
    before = requests_counted(running)
    for _number in range(asked):
        ask(running)
    assert min(requests_counted(running) for _scrape in range(10)) - before >= asked


def test_kills_lose_no_committed_row_and_ctrl_c_leaves_no_process(running: Service, shared: Starter) -> None:
    """The last of these tests: it ends the service that the others share."""
    data = shared.data
    remember(data, "before")
    noted = data.prepared.stat()
    running.kill()
    assert wait_until(lambda: not left_over(data), PATIENCE), "something outlived a killed supervisor"
    second = shared(port=running.port)
    assert second.has_said("serving http"), second.log.read_text()
    assert remembered(data) == "before"
    assert data.prepared.stat() == noted, "it brought into place what was there"
    lost = spoil(data)
    grandchildren = kill_supervisor_and_children(second)
    third = shared(port=running.port)
    assert third.has_said("serving http"), third.log.read_text()
    assert answers(third)
    assert remembered(data) == "before"
    assert lost.exists(), "it did not notice that the database is another one"
    assert not any(is_alive(process) for process in grandchildren)
    assert third.interrupt() == 0
    stopped = [line.split()[1] for line in third.log.read_text().splitlines() if line.endswith(" stopped")]
    assert stopped == ["beat", "worker", "web", "broker", "database"]
    assert left_over(data) == set()


def spoil(data: DataFolder) -> Path:
    """Make the database one of other migrations, and remove a static file, which is returned."""
    with connect(data) as connection:
        connection.execute("INSERT INTO django_migrations (app, name, applied) VALUES ('later', '0001_more', now())")
    lost = next(data.static.rglob("*.css"))
    lost.unlink()
    return lost


def kill_supervisor_and_children(service: Service) -> list[psutil.Process]:
    """Kill everything that could tell the rest to end; return that rest."""
    parents = [service.child(words) for words in CHILDREN.values()]
    grandchildren = [child for parent in parents for child in parent.children()]
    service.kill()
    for parent in parents:
        parent.kill()
    return grandchildren


def roles_whose_password_is_in_memory(pid: int, data: DataFolder) -> set[str]:
    """Search the heap and other writable memory of a process of ours."""
    passwords = {role: data.secret(role).encode() for role in (postgres.APP, postgres.OWNER, postgres.ADMIN)}
    found = set()
    folder = Path(f"/proc/{pid}")
    with (folder / "maps").open() as maps, (folder / "mem").open("rb", buffering=0) as memory:
        for area, mode, *_ in map(str.split, maps):
            if mode.startswith("rw"):
                begin, end = (int(part, 16) for part in area.split("-"))
                content = b""
                with suppress(OSError):  # given back since the list was read
                    memory.seek(begin)
                    content = memory.read(end - begin)
                found |= {role for role, password in passwords.items() if password in content}
    return found


def is_alive(process: psutil.Process) -> bool:
    try:
        return bool(process.is_running() and process.status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False


def requests_counted(service: Service) -> float:
    connection = http.client.HTTPConnection("127.0.0.1", service.port, timeout=ANSWER_PATIENCE_S)
    try:
        connection.request("GET", "/metrics")
        lines = connection.getresponse().read().decode().splitlines()
    finally:
        connection.close()
    return next(float(line.split()[1]) for line in lines if line.startswith(f"{COUNTER} "))


def ask(service: Service) -> int:
    """The status of the answer to a body that arrives."""
    connection = http.client.HTTPConnection("127.0.0.1", service.port, timeout=ANSWER_PATIENCE_S)
    try:
        connection.request("POST", "/api/v1/jobs/", b"{}", {"Content-Type": "application/json"})
        return connection.getresponse().status
    finally:
        connection.close()
