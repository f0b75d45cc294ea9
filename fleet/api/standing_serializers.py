"""Serializers that stay from one request to the next.

A serializer copies every field that it declares, and those of the serializers within it, whenever one is made. For an
answer of many parts that takes longer than filling it in. What only writes answers keeps nothing of them, so that one
for each thread does.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Any, Final

from rest_framework.serializers import Serializer


class _OfThread(threading.local):
    def __init__(self) -> None:
        self.known: dict[type[Serializer[Any]], tuple[Serializer[Any], dict[str, Any]]] = {}


_of_thread: Final = _OfThread()


def standing_serializer(serializer_class: type[Serializer[Any]], context: Mapping[str, Any]) -> Serializer[Any]:
    """This thread's serializer of the class, with the context of what is answered now; only to write answers with."""
    if serializer_class not in _of_thread.known:
        own: dict[str, Any] = {}
        _of_thread.known[serializer_class] = serializer_class(context=own), own
    serializer, own = _of_thread.known[serializer_class]
    own.clear()
    own.update(context)
    return serializer
