"""The folder that processes share: a key is added once, whoever tries at the same time."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest
from django.core.cache.backends.filebased import FileBasedCache

from deploy.cache import FolderCache

THREADS, ROUNDS = 8, 25


def added(cache: FileBasedCache) -> int:
    """How many of the threads that try together believe that they added a key, over all rounds."""
    winners: list[str] = []
    start = threading.Barrier(THREADS)

    def run() -> None:
        for number in range(ROUNDS):
            start.wait(timeout=60)
            if cache.add(f"key-{number}", "x"):
                winners.append(f"key-{number}")

    threads = [threading.Thread(target=run) for _number in range(THREADS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=120)
    return len(winners)


def test_of_many_who_add_a_key_at_once_one_does(tmp_path: Path) -> None:
    assert added(FolderCache(str(tmp_path), {})) == ROUNDS


def test_with_djangos_own_cache_of_files_several_would(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: each looks, and waits for the others, before it writes."""
    looking = threading.Barrier(THREADS)
    has_key = FileBasedCache.has_key

    def slow(self: FileBasedCache, *arguments: Any, **named: Any) -> bool:
        found = has_key(self, *arguments, **named)
        looking.wait(timeout=60)
        return found

    monkeypatch.setattr(FileBasedCache, "has_key", slow)
    assert added(FileBasedCache(str(tmp_path), {})) == THREADS * ROUNDS


def test_a_key_that_has_ended_may_be_added_again(tmp_path: Path) -> None:
    cache = FolderCache(str(tmp_path), {})
    assert cache.add("key", 1, timeout=0.01)
    threading.Event().wait(0.05)
    assert cache.add("key", 2)
    assert cache.get("key") == 2
