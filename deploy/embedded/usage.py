"""Sharing the embedded database: the first who needs it starts it, the last who leaves stops it.

Every user of a data folder (supervisor, management command, test process) holds a shared lock while it
works. The kernel drops the lock of a killed process, so counting never goes wrong.
"""

import fcntl
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from deploy.embedded import postgres
from deploy.embedded.folder import DataFolder, EmbeddedServiceError
from deploy.embedded.process import wait_until

RESTART_PATIENCE = 90.0
TURN_PATIENCE = 120.0


@contextmanager
def running_database(data: DataFolder) -> Iterator[None]:
    """Run the embedded database for the time of the block, or use the one already running."""
    with _lock_file(data, "database-users") as users:
        with _change_of_users(data):
            fcntl.flock(users, fcntl.LOCK_SH)
            if not postgres.is_ready(data):
                _start(data)
        try:
            yield
        finally:
            with _change_of_users(data):
                if _locked_alone(users):
                    postgres.stop_running(data)


@contextmanager
def supervisor_of(data: DataFolder) -> Iterator[None]:
    """Be the only supervisor of a data folder."""
    with _lock_file(data, "supervisor") as lock:
        # A command that only asks whether a supervisor runs holds the lock for a moment.
        if not wait_until(lambda: _locked_alone(lock), 1.0):
            raise EmbeddedServiceError(f"Levelbook already runs on {data.root}: stop it first, or use another --data.")
        yield


@contextmanager
def supervised_database(data: DataFolder, start: Callable[[], None], say: Callable[[str], None]) -> Iterator[None]:
    """Let a supervisor `start` the database itself, once no management command uses it any more."""
    with _lock_file(data, "database-users") as users:
        deadline = time.monotonic() + TURN_PATIENCE
        while not _started_alone(data, users, start):
            if time.monotonic() > deadline:
                raise EmbeddedServiceError("Another command keeps using the database: end it, then start again.")
            say("waiting for another command that uses the database")
            time.sleep(2)
        yield


def _started_alone(data: DataFolder, users: int, start: Callable[[], None]) -> bool:
    with _change_of_users(data):
        if not _locked_alone(users):
            return False
        postgres.stop_running(data)
        start()
        fcntl.flock(users, fcntl.LOCK_SH)
        return True


def _start(data: DataFolder) -> None:
    if _is_supervised(data):
        # It was killed a moment ago and its supervisor is starting it again.
        if not wait_until(lambda: postgres.is_ready(data), RESTART_PATIENCE):
            raise EmbeddedServiceError(f"The running service's database is down: see {data.logs / 'postgres.log'}.")
        return
    postgres.stop_running(data)
    postgres.initialise(data)
    postgres.start_detached(data)
    postgres.create_roles_and_database(data)


def _is_supervised(data: DataFolder) -> bool:
    with _lock_file(data, "supervisor") as lock:
        return not _locked_alone(lock)


@contextmanager
def _change_of_users(data: DataFolder) -> Iterator[None]:
    with _lock_file(data, "database-change") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


@contextmanager
def _lock_file(data: DataFolder, name: str) -> Iterator[int]:
    descriptor = os.open(data.run / f"{name}.lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def _locked_alone(lock: int) -> bool:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
