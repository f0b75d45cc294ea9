"""Starting, finding and stopping processes so that none outlives its parent (Linux)."""

import ctypes
import os
import pwd
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO

PR_SET_PDEATHSIG = 1
LOG_SIZE_LIMIT = 10_000_000
LONGEST_PAUSE = 0.2
_LIBC = ctypes.CDLL(None, use_errno=True)


def spawn(
    command: Sequence[str | Path],
    *,
    user: pwd.struct_passwd | None = None,
    death_signal: signal.Signals | None = None,
    output: IO[bytes] | None = None,
    cwd: Path = Path("/"),
    environment: Mapping[str, str] | None = None,
) -> subprocess.Popen[bytes]:
    """Start a process in a session of its own; the kernel sends it `death_signal` when we die."""
    return subprocess.Popen(
        [str(part) for part in command],
        cwd=cwd,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=output,
        stderr=output,
        start_new_session=True,
        user=user.pw_uid if user else None,
        group=user.pw_gid if user else None,
        extra_groups=[] if user else None,
        # Runs after the change of user, which would clear the death signal.
        preexec_fn=_die_with_parent(death_signal, os.getpid()) if death_signal else None,
    )


def stop(process: subprocess.Popen[bytes], stop_signal: signal.Signals, patience: float) -> None:
    """Ask a process to end, wait, then kill its whole group."""
    if process.poll() is None:
        process.send_signal(stop_signal)
        with suppress(subprocess.TimeoutExpired):
            process.wait(patience)
    kill_group(process)


def kill_group(process: subprocess.Popen[bytes]) -> None:
    """Kill what is left of a process and its children."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def processes_in(folder: Path) -> set[int]:
    """Return the living processes whose working folder is `folder`."""
    return {pid for pid in _process_ids() if _working_folder(pid) == str(folder.resolve())}


def processes_with_environment(name: str, value: str) -> set[int]:
    """Return the living processes, other than this one, started with `name=value` in their environment."""
    entry = os.fsencode(f"{name}={value}")
    return {pid for pid in _process_ids() if pid != os.getpid() and entry in _environment(pid)}


def end_processes(find: Callable[[], set[int]], *, patience: float = 10.0) -> None:
    """Wait for processes to end by themselves, then kill those that stay."""
    if not wait_until(lambda: not find(), patience):
        for pid in find():
            send(pid, signal.SIGKILL)
        wait_until(lambda: not find(), patience)


def send(pid: int, number: signal.Signals) -> None:
    """Send a signal to a process that may be gone already."""
    with suppress(ProcessLookupError):
        os.kill(pid, number)


def wait_until(condition: Callable[[], bool], patience: float) -> bool:
    """Poll a condition, ever more seldom; tell whether it came true in time."""
    deadline = time.monotonic() + patience
    pause = 0.02
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(pause)
        pause = min(pause * 1.3, LONGEST_PAUSE)
    return True


def open_log(path: Path) -> IO[bytes]:
    """Open a log for appending; an overlong one is moved aside first."""
    if path.exists() and path.stat().st_size > LOG_SIZE_LIMIT:
        path.replace(path.with_suffix(".log.1"))
    return path.open("ab")


def _die_with_parent(death_signal: signal.Signals, parent: int) -> Callable[[], None]:
    def ask_kernel() -> None:
        _LIBC.prctl(PR_SET_PDEATHSIG, int(death_signal), 0, 0, 0)
        if os.getppid() != parent:
            os._exit(1)

    return ask_kernel


def _process_ids() -> Iterator[int]:
    return (int(entry.name) for entry in Path("/proc").iterdir() if entry.name.isdigit())


def _working_folder(pid: int) -> str | None:
    # A zombie has no working folder: it counts as dead, which is what callers mean.
    try:
        return str(Path(f"/proc/{pid}/cwd").readlink())
    except OSError:
        return None


def _environment(pid: int) -> list[bytes]:
    try:
        return Path(f"/proc/{pid}/environ").read_bytes().split(b"\0")
    except OSError:
        return []
