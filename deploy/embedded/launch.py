"""`deploy/start`: the whole service on one machine, with what is not given from outside embedded."""

import argparse
import http.client
import os
import shutil
import signal
import socket
import ssl
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from deploy.embedded import postgres, valkey
from deploy.embedded.folder import CHECKOUT, DataFolder, EmbeddedServiceError, data_folder
from deploy.embedded.process import end_processes, processes_with_environment, spawn, wait_until
from deploy.embedded.service import Service
from deploy.embedded.supervisor import Supervisor, run, say
from deploy.embedded.usage import supervised_database, supervisor_of
from deploy.external import require_external_services

MARKER = "LEVELBOOK_SUPERVISED_DATA"
# The service itself never needs these; only the commands run before it do.
PRIVILEGED_VARIABLES = ("DATABASE_OWNER_URL", "DATABASE_ADMIN_URL")
# Nothing here shows the pages of these packages, or maps for debugging them.
UNUSED_FILES = ("redoc", "rest_framework", "*.js.map")
COLLECTING = ("--noinput", "--verbosity=0", *(f"--ignore={pattern}" for pattern in UNUSED_FILES))
LEFTOVER_PATIENCE = 5.0
PORT_PATIENCE = 3.0
LOOPBACK = ("127.0.0.1", "localhost", "::1")


@dataclass(frozen=True)
class Options:
    """The command line of `deploy/start`."""

    host: str
    port: int
    demo: bool
    tls_cert: Path | None
    tls_key: Path | None

    @property
    def address(self) -> str:
        host = "127.0.0.1" if self.host == "0.0.0.0" else self.host  # noqa: S104 (compared, not bound)
        shown = f"[{host}]" if ":" in host else host
        return f"{'https' if self.tls_cert else 'http'}://{shown}:{self.port}"


def main(arguments: Sequence[str]) -> int:
    """Run until stopped; return the exit code."""
    options = parse(arguments)
    data = data_folder()
    os.environ["LEVELBOOK_DATA"] = str(data.root)
    try:
        with supervisor_of(data):
            run(partial(_start_everything, options=options, data=data))
    except EmbeddedServiceError as error:
        sys.stderr.write(f"levelbook: {error}\n")
        return 1
    return 0


def parse(arguments: Sequence[str]) -> Options:
    """Read the command line; `--data` becomes LEVELBOOK_DATA."""
    parser = argparse.ArgumentParser(prog="deploy/start", description="Run Levelbook on this machine.")
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: %(default)s)")
    parser.add_argument("--port", type=int, default=8000, help="port to listen on (default: %(default)s)")
    parser.add_argument("--data", type=Path, help="data folder (default: LEVELBOOK_DATA, else var in the checkout)")
    parser.add_argument("--no-demo", action="store_true", help="do not load the demo workshop on the first run")
    parser.add_argument("--tls-cert", type=Path, help="certificate chain (PEM): serve HTTPS")
    parser.add_argument("--tls-key", type=Path, help="private key of the certificate (PEM, PKCS#8)")
    given = parser.parse_args(arguments)
    if (given.tls_cert is None) != (given.tls_key is None):
        parser.error("--tls-cert and --tls-key are given together or not at all")
    for file in filter(None, (given.tls_cert, given.tls_key)):
        if not file.is_file():
            parser.error(f"there is no file {file}")
    if not 1 <= given.port <= 65535:
        parser.error("--port is a number from 1 to 65535")
    if given.data:
        os.environ["LEVELBOOK_DATA"] = str(given.data.absolute())
    return Options(given.host, given.port, not given.no_demo, _absolute(given.tls_cert), _absolute(given.tls_key))


def _start_everything(supervisor: Supervisor, *, options: Options, data: DataFolder) -> None:
    # Of a killed supervisor: the kernel told its children to end, their own children may still be there.
    end_processes(lambda: processes_with_environment(MARKER, str(data.root)), patience=LEFTOVER_PATIENCE)
    _require_free(options)
    require_external_services()
    _set_defaults(options)
    _embedded_database(supervisor, data)
    if not os.environ.get("BROKER_URL"):
        valkey.stop_leftovers(data)
        supervisor.start([Service("broker", partial(valkey.spawn_server, data), partial(valkey.is_ready, data))])
    _prepare(data, options)
    supervisor.start(_own_services(options, data))
    _greet(options, data)


def _embedded_database(supervisor: Supervisor, data: DataFolder) -> None:
    if os.environ.get("DATABASE_URL"):
        return
    database = Service(
        "database",
        partial(postgres.spawn_server, data),
        partial(postgres.is_ready, data),
        stop_signal=postgres.STOP_SIGNAL,
        stop_patience=postgres.STOP_PATIENCE,
    )

    def start() -> None:
        postgres.initialise(data)
        supervisor.start([database])
        postgres.create_roles_and_database(data)

    supervisor.hold(supervised_database(data, start, say))


def _set_defaults(options: Options) -> None:
    hosts = ["localhost", "127.0.0.1", "[::1]", socket.gethostname(), options.host]
    os.environ.setdefault("LEVELBOOK_HOSTS", ",".join(hosts))
    os.environ.setdefault("LEVELBOOK_PUBLIC_URL", options.address)
    if options.tls_cert:
        os.environ.setdefault("LEVELBOOK_HTTPS", "1")


def _prepare(data: DataFolder, options: Options) -> None:
    """Bring the tables, the static files and, on the first run, the demo workshop into place."""
    collecting = subprocess.Popen(_manage("collectstatic", *COLLECTING), env=_environment(data))
    if os.environ.get("DATABASE_URL") and not os.environ.get("DATABASE_OWNER_URL"):
        _command(data, "migrate", "--check", LEVELBOOK_DATABASE_ROLE="app")
    else:
        _command(data, "migrate", "--verbosity=0", privileged=True)
    if collecting.wait() != 0:
        raise EmbeddedServiceError("manage.py collectstatic failed: see its message above.")
    if options.demo and not data.demo_sign_ins.exists():
        say("loading the demo workshop")
        _command(data, "load_demo")


def _command(data: DataFolder, name: str, *arguments: str, privileged: bool = False, **extra: str) -> None:
    command = _manage(name, *arguments)
    environment = _environment(data, privileged=privileged) | extra
    if subprocess.run(command, env=environment).returncode != 0:
        raise EmbeddedServiceError(f"manage.py {name} failed: see its message above.")


def _own_services(options: Options, data: DataFolder) -> list[Service]:
    metrics = data.root / "metrics"
    shutil.rmtree(metrics, ignore_errors=True)
    metrics.mkdir()
    celery = ["-m", "celery", "--app=deploy.celery", "--quiet"]
    worker = [
        *celery,
        "worker",
        "--concurrency=2",
        "--without-gossip",
        "--without-mingle",
        "--without-heartbeat",
    ]
    return [
        _python_service(
            "web",
            data,
            _web_arguments(options),
            partial(_answers, options),
            PROMETHEUS_MULTIPROC_DIR=str(metrics),
        ),
        _python_service("worker", data, worker, lambda: True),
        _python_service("beat", data, ["-m", "deploy.beat"], lambda: True),
    ]


def _web_arguments(options: Options) -> list[str]:
    arguments = ["-m", "granian", "--interface=asginl", "--no-ws", "--log-level=warning"]
    arguments += [f"--host={options.host}", f"--port={options.port}"]
    arguments += ["--workers=2", "--respawn-failed-workers"]
    if options.tls_cert:
        arguments += [f"--ssl-certificate={options.tls_cert}", f"--ssl-keyfile={options.tls_key}"]
    return [*arguments, "deploy.asgi:application"]


def _python_service(
    name: str, data: DataFolder, arguments: list[str], is_ready: Callable[[], bool], **extra: str
) -> Service:
    environment = _environment(data) | {MARKER: str(data.root)} | extra
    command = [sys.executable, *arguments]
    start = partial(spawn, command, death_signal=signal.SIGTERM, cwd=CHECKOUT, environment=environment)
    return Service(name, start, is_ready)


def _environment(data: DataFolder, *, privileged: bool = False) -> dict[str, str]:
    withheld = () if privileged else PRIVILEGED_VARIABLES
    inherited = {name: value for name, value in os.environ.items() if name not in withheld}
    return inherited | {"PYTHONPATH": str(CHECKOUT), "LEVELBOOK_DATA": str(data.root)}


def _manage(*arguments: str) -> list[str]:
    return [sys.executable, str(CHECKOUT / "manage.py"), *arguments]


def _answers(options: Options) -> bool:
    """Tell whether the web server answers at all; what it answers is the health check's business."""
    host = "127.0.0.1" if options.host == "0.0.0.0" else options.host  # noqa: S104 (compared, not bound)
    connection: http.client.HTTPConnection
    if options.tls_cert:
        # Only this machine's own process is asked, often under another name than the certificate's.
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
        connection = http.client.HTTPSConnection(host, options.port, timeout=5, context=context)
    else:
        connection = http.client.HTTPConnection(host, options.port, timeout=5)
    try:
        connection.request("GET", "/healthz")
        return connection.getresponse().status < 500
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


def _require_free(options: Options) -> None:
    # The kernel may still be closing the sockets of leftovers that were killed a moment ago.
    if not wait_until(lambda: _can_listen(options), PORT_PATIENCE):
        raise EmbeddedServiceError(
            f"Cannot listen on {options.host} port {options.port}: "
            "choose another --port (or --host), or stop what uses it."
        )


def _can_listen(options: Options) -> bool:
    family = socket.AF_INET6 if ":" in options.host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((options.host, options.port))
        except OSError:
            return False
    return True


def _greet(options: Options, data: DataFolder) -> None:
    say(f"serving {options.address} from {data.root}; Ctrl-C stops it")
    say(f"the interface is described at {options.address}/api/v1/docs/")
    if options.host not in LOOPBACK:
        say(f"it answers to the names {os.environ['LEVELBOOK_HOSTS']}; set LEVELBOOK_HOSTS to change them")
    if data.demo_sign_ins.exists():
        say(f"demo sign-ins, also in {data.demo_sign_ins}:\n{data.demo_sign_ins.read_text()}")


def _absolute(path: Path | None) -> Path | None:
    return path.absolute() if path else None


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
