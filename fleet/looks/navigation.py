"""What a view tells `looks/base.html` about the pages beside its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.functional import Promise


@dataclass(frozen=True, slots=True)
class NavigationEntry:
    """One line of the index; `count` is work that waits there, zero where none is counted."""

    label: str | Promise
    url: str
    is_current: bool = False
    count: int = 0


@dataclass(frozen=True, slots=True)
class NavigationGroup:
    """Lines of the index that belong together, under a heading."""

    heading: str | Promise
    entries: Sequence[NavigationEntry]
