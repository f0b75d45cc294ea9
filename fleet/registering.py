"""What apps register is imported when it is first asked for: most commands end without having needed it."""

from __future__ import annotations

from functools import cache

from django.utils.module_loading import autodiscover_modules


@cache
def register_all(module: str) -> None:
    """Import the module of this name of each app that has one. It registers there what the app has."""
    autodiscover_modules(module)
