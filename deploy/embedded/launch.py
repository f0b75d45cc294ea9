"""`deploy/start`: the whole service on one machine, with what is not given from outside embedded."""

import http.client
import os
import shlex
import shutil
import signal
import socket
import ssl
import subprocess
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit

from deploy.embedded import postgres, valkey
from deploy.embedded.folder import CHECKOUT, DataFolder, EmbeddedServiceError, data_folder
from deploy.embedded.options import LOOPBACK, Options, in_address, parse
from deploy.embedded.prepared import is_prepared, preparing
from deploy.embedded.process import end_processes, processes_with_environment, spawn, wait_until
from deploy.embedded.service import Service
from deploy.embedded.supervisor import Supervisor, run, say
from deploy.embedded.usage import supervised_database, supervisor_of
from deploy.external import require_external_services
from deploy.tls.authority import local_certificate
from deploy.tls.given import given_certificate
from deploy.tls.hosts import hosts_of_this_machine
from deploy.tls.reading import fingerprint, read_certificate
from deploy.tls.served import Served
from fleet.reach import is_of_this_machine_only

MARKER = "LEVELBOOK_SUPERVISED_DATA"
AUTHORITY_VARIABLE = "LEVELBOOK_LOCAL_AUTHORITY"
# What explains trust answers without HTTPS: it gets nothing that is secret.
TRUST_VARIABLES = ("PATH", "LANG", "TMPDIR", "LEVELBOOK_HOSTS", "LEVELBOOK_PUBLIC_URL", AUTHORITY_VARIABLE)
# The service itself never needs these; only the commands run before it do.
PRIVILEGED_VARIABLES = ("DATABASE_OWNER_URL", "DATABASE_ADMIN_URL")
# Nothing here shows the pages of these packages, or maps for debugging them.
UNUSED_FILES = ("redoc", "rest_framework", "*.js.map")
COLLECTING = ("--noinput", "--verbosity=0", *(f"--ignore={pattern}" for pattern in UNUSED_FILES))
WITHOUT_HTTPS = (
    "WARNING: without HTTPS tablets cannot keep records while they have no network, and passwords and PINs can be read "
    "on the way. Start with --local-tls, or with --tls-cert and --tls-key (see deploy/README.md)."
)
NOT_PUBLIC = (
    "WARNING: QR codes and links carry {address}, which other devices cannot open. Start with LEVELBOOK_PUBLIC_URL set "
    "to the address at which they reach this machine, such as LEVELBOOK_PUBLIC_URL={example}"
)
FIRST_WORKSHOP = (
    "to make a workshop of your own, type this in another terminal; it asks for the password with which you then sign "
    "in:\n  {command}"
)
LEFTOVER_PATIENCE = 5.0
PORT_PATIENCE = 3.0


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


def _start_everything(supervisor: Supervisor, *, options: Options, data: DataFolder) -> None:
    # Of a killed supervisor: the kernel told its children to end, their own children may still be there.
    end_processes(lambda: processes_with_environment(MARKER, str(data.root)), patience=LEFTOVER_PATIENCE)
    _require_free(options)
    served = _certificate(options, data)
    require_external_services()
    _set_defaults(options, served)
    _embedded_database(supervisor, data)
    if not os.environ.get("BROKER_URL"):
        valkey.stop_leftovers(data)
        supervisor.start([Service("broker", partial(valkey.spawn_server, data), partial(valkey.is_ready, data))])
    _prepare(data, options)
    supervisor.start(_own_services(options, data, served))
    _greet(options, data, served)


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


def _certificate(options: Options, data: DataFolder) -> Served | None:
    now = datetime.now(UTC)
    if options.tls_cert and options.tls_key:
        return given_certificate(options.tls_cert, options.tls_key, now=now)
    return local_certificate(data.tls, options.asked_hosts, now=now) if options.local_tls else None


def _set_defaults(options: Options, served: Served | None) -> None:
    known = served.hosts if served else ()
    public = urlsplit(os.environ.get("LEVELBOOK_PUBLIC_URL", "")).hostname
    hosts = dict.fromkeys([*LOOPBACK, socket.gethostname(), options.host, *([public] if public else []), *known])
    os.environ.setdefault("LEVELBOOK_HOSTS", ",".join(map(_allowed_host, hosts)))
    os.environ.setdefault("LEVELBOOK_PUBLIC_URL", _public_address(options, served))
    # Left over from another start in the same shell, it would have a certificate of one's own called a local one.
    os.environ.pop(AUTHORITY_VARIABLE, None)
    if served:
        os.environ.setdefault("LEVELBOOK_HTTPS", "1")
    if served and served.authority:
        os.environ[AUTHORITY_VARIABLE] = str(served.authority)


def _allowed_host(host: str) -> str:
    """As Django wants it: a certificate's `*.example.org` is `.example.org` there."""
    return in_address(host.removeprefix("*"))


def _public_address(options: Options, served: Served | None) -> str:
    """Under a name that the certificate is for."""
    named = [host for host in served.hosts if not host.startswith("*")] if served else []
    return options.address_at(named[0]) if named else options.address


def _prepare(data: DataFolder, options: Options) -> None:
    """Bring the tables, the static files and, on the first run, the demo workshop into place."""
    if not is_prepared(data):
        with preparing(data):
            _migrate_and_collect(data)
    if options.demo and not data.demo_sign_ins.exists():
        say("loading the demo workshop")
        _command(data, "load_demo")


def _migrate_and_collect(data: DataFolder) -> None:
    collecting = subprocess.Popen(_manage("collectstatic", *COLLECTING), env=_environment(data))
    if os.environ.get("DATABASE_URL") and not os.environ.get("DATABASE_OWNER_URL"):
        _command(data, "migrate", "--check", LEVELBOOK_DATABASE_ROLE="app")
    else:
        _command(data, "migrate", "--verbosity=0", privileged=True)
    if collecting.wait() != 0:
        raise EmbeddedServiceError("manage.py collectstatic failed: see its message above.")


def _command(data: DataFolder, name: str, *arguments: str, privileged: bool = False, **extra: str) -> None:
    command = _manage(name, *arguments)
    environment = _environment(data, privileged=privileged) | extra
    if subprocess.run(command, env=environment).returncode != 0:
        raise EmbeddedServiceError(f"manage.py {name} failed: see its message above.")


def _own_services(options: Options, data: DataFolder, served: Served | None) -> list[Service]:
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
    services = [
        _python_service(
            "web",
            data,
            _web_arguments(options, served),
            partial(_answers, options, options.port, "/healthz", is_https=options.is_https),
            PROMETHEUS_MULTIPROC_DIR=str(metrics),
        ),
        # Checks look at the code, as `migrate` does whenever that has changed; the role is checked at every start.
        _python_service("worker", data, worker, lambda: True, CELERY_SKIP_CHECKS="1"),
        _python_service("beat", data, ["-m", "deploy.beat"], lambda: True),
    ]
    return [*services, _trust_service(options, data)] if served and served.authority else services


def _trust_service(options: Options, data: DataFolder) -> Service:
    """The page that explains trust, on a port of its own: whoever does not trust yet cannot open it over HTTPS."""
    arguments = ["-m", "granian", "--interface=wsgi", "--no-ws", "--log-level=warning", "--workers=1"]
    arguments += ["--blocking-threads=4", "--backpressure=64", f"--host={options.host}", f"--port={options.trust_port}"]
    command = [sys.executable, *arguments, "deploy.tls.explaining.wsgi:application"]
    environment = {name: os.environ[name] for name in TRUST_VARIABLES if name in os.environ}
    environment |= {"PYTHONPATH": str(CHECKOUT), "LEVELBOOK_DATA": str(data.root), MARKER: str(data.root)}
    start = partial(spawn, command, death_signal=signal.SIGTERM, cwd=CHECKOUT, environment=environment)
    return Service("trust", start, partial(_answers, options, options.trust_port, "/trust/", is_https=False))


def _web_arguments(options: Options, served: Served | None) -> list[str]:
    arguments = ["-m", "deploy.web", "--interface=asginl", "--no-ws", "--log-level=warning"]
    arguments += [f"--host={options.host}", f"--port={options.port}"]
    arguments += ["--workers=2", "--respawn-failed-workers"]
    if served:
        arguments += [f"--ssl-certificate={served.certificate}", f"--ssl-keyfile={served.key}"]
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


def _answers(options: Options, port: int, path: str, *, is_https: bool) -> bool:
    """Tell whether a web server answers at all; what it answers is the health check's business."""
    connection: http.client.HTTPConnection
    if is_https:
        # Only this machine's own process is asked, often under another name than the certificate's.
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
        connection = http.client.HTTPSConnection(options.own_host, port, timeout=5, context=context)
    else:
        connection = http.client.HTTPConnection(options.own_host, port, timeout=5)
    try:
        connection.request("GET", path)
        return connection.getresponse().status < 500
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


def _require_free(options: Options) -> None:
    ports = {"--port": options.port} | ({"--trust-port": options.trust_port} if options.local_tls else {})
    for option, port in ports.items():
        # The kernel may still be closing the sockets of leftovers that were killed a moment ago.
        if not wait_until(partial(_can_listen, options.host, port), PORT_PATIENCE):
            raise EmbeddedServiceError(
                f"Cannot listen on {options.host} port {port}: "
                f"choose another {option} (or --host), or stop what uses it."
            )


def _can_listen(host: str, port: int) -> bool:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True


def _greet(options: Options, data: DataFolder, served: Served | None) -> None:
    say(f"serving {options.address} from {data.root}; Ctrl-C stops it")
    say(f"the interface is described at {options.address}/api/v1/docs/")
    if options.host not in LOOPBACK:
        say(f"it answers to the names {os.environ['LEVELBOOK_HOSTS']}; set LEVELBOOK_HOSTS to change them")
    if served:
        say(f"the certificate is for {', '.join(served.hosts)}, until {served.ends_at:%Y-%m-%d %H:%M} UTC")
    if served and served.authority:
        _tell_of_the_authority(options, served, served.authority)
    elif _is_readable_on_the_way(options):
        say(WITHOUT_HTTPS)
    if options.host not in LOOPBACK and is_of_this_machine_only(os.environ["LEVELBOOK_PUBLIC_URL"]):
        say(NOT_PUBLIC.format(address=os.environ["LEVELBOOK_PUBLIC_URL"], example=_address_for_others(options)))
    if data.demo_sign_ins.exists():
        say(f"demo sign-ins, also in {data.demo_sign_ins}:\n{data.demo_sign_ins.read_text()}")
    elif not options.demo:
        say(FIRST_WORKSHOP.format(command=_command_for_a_workshop(data)))


def _address_for_others(options: Options) -> str:
    """The likeliest one; a name to fill in where the machine has none in a private network."""
    return options.address_at(next(iter(hosts_of_this_machine()), "NAME"))


def _command_for_a_workshop(data: DataFolder) -> str:
    """As it can be typed in any folder."""
    who = ["--name", "Your Workshop", "--email", "you@example.com", "--person", "Your Name"]
    return f"LEVELBOOK_DATA={shlex.quote(str(data.root))} {shlex.join(_manage('create_workshop', *who))}"


def _tell_of_the_authority(options: Options, served: Served, authority: Path) -> None:
    say(f"how a tablet comes to trust the local authority: {options.trust_address_at(served.hosts[0])}/trust/")
    say("compare what the tablet shows of its certificate with this SHA-256 fingerprint:")
    say(fingerprint(read_certificate(authority)))


def _is_readable_on_the_way(options: Options) -> bool:
    """Plain HTTP that leaves this machine, with no proxy of one's own that would have spoken HTTPS before."""
    is_behind_https = "1" in (os.environ.get("LEVELBOOK_HTTPS"), os.environ.get("LEVELBOOK_BEHIND_PROXY"))
    return options.host not in LOOPBACK and not is_behind_https


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
