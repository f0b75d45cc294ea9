"""A server that can be set back to an earlier state of its own, under a new epoch, as `restore` does it."""

from __future__ import annotations

import itertools
import uuid
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

from django.db import connection, connections
from django.utils import timezone

from deploy.embedded.folder import DataFolder
from fleet.models import Installation
from tests.campaigns.bench.wireless import Wireless
from tests.database import copied_database


class Server:
    """The database that serves, and the copies that were made of it."""

    def __init__(self, data: DataFolder, suffix: str, wireless: Wireless, stack: ExitStack) -> None:
        self.wireless = wireless
        self._data, self._suffix, self._stack = data, suffix, stack
        self._numbers = itertools.count()
        self._backups: list[str] = []
        self._use(self._stack.enter_context(copied_database(data, self._name())))

    def back_up(self) -> None:
        with self.wireless.held():
            self._backups.append(self._copy(self._used))

    def forget_backups(self) -> None:
        """They are from before the vehicle now in the bay."""
        self._backups.clear()

    @property
    def backups(self) -> int:
        return len(self._backups)

    def restore(self, number: int) -> None:
        """Serve the state of that backup; later backups are of a time that did not happen."""
        with self.wireless.held():
            self._use(self._copy(self._backups[number]))
            Installation.objects.update(epoch=uuid.uuid4(), epoch_began_at=timezone.now())
            connections.close_all()
        del self._backups[number + 1 :]

    def _copy(self, name: str) -> str:
        connections.close_all()
        return self._stack.enter_context(copied_database(self._data, self._name(), of=name))

    def _use(self, name: str) -> None:
        connections.close_all()
        self._used = name
        connection.settings_dict["NAME"] = name

    def _name(self) -> str:
        return f"{self._suffix}_{next(self._numbers)}"


@contextmanager
def server_with_backups(data: DataFolder, suffix: str, wireless: Wireless) -> Iterator[Server]:
    """Databases of its own; afterwards Django works on the one before."""
    before = connection.settings_dict["NAME"]
    with ExitStack() as stack:
        try:
            yield Server(data, suffix, wireless, stack)
        finally:
            connections.close_all()
            connection.settings_dict["NAME"] = before
