"""A cache in a folder that several processes share, in which only one of them adds a key."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from django.core.cache.backends.base import DEFAULT_TIMEOUT
from django.core.cache.backends.filebased import FileBasedCache
from django.core.files import locks

LOCK_NAME: Final = ".lock"


class FolderCache(FileBasedCache):
    """Django's cache of files looks whether there is a key and then writes it; two at once would both add it.

    What guards a secret stands on `add`: counting attempts, and accepting a code once.
    """

    def __init__(self, dir: str, params: dict[str, Any]) -> None:  # noqa: A002
        super().__init__(dir, params)
        self._lock = Path(dir, LOCK_NAME)

    def add(self, key: str, value: Any, timeout: Any = DEFAULT_TIMEOUT, version: int | None = None) -> bool:
        self._lock.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with self._lock.open("wb") as lock:  # closing it ends the lock
            locks.lock(lock, locks.LOCK_EX)
            return bool(super().add(key, value, timeout, version))
