"""Sharing the embedded database: the first who needs it starts it, the last who leaves stops it.

Every user of a data folder (supervisor, management command, test process) holds a shared lock while it
works. The kernel drops the lock of a killed process, so counting never goes wrong.
"""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager

from deploy.embedded import postgres
from deploy.embedded.folder import DataFolder


@contextmanager
def running_database(data: DataFolder) -> Iterator[None]:
    """Run the embedded database for the time of the block, or use the one already running."""
    users = os.open(data.run / "database-users.lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        with _change_of_users(data):
            fcntl.flock(users, fcntl.LOCK_SH)
            if not postgres.is_ready(data):
                _start(data)
        try:
            yield
        finally:
            with _change_of_users(data):
                if _is_last(users):
                    postgres.stop_running(data)
    finally:
        os.close(users)


@contextmanager
def _change_of_users(data: DataFolder) -> Iterator[None]:
    descriptor = os.open(data.run / "database-change.lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _start(data: DataFolder) -> None:
    postgres.stop_running(data)
    postgres.initialise(data)
    postgres.start_detached(data)
    postgres.create_roles_and_database(data)


def _is_last(users: int) -> bool:
    try:
        fcntl.flock(users, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
