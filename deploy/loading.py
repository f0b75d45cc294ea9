"""What a web process has loaded before its first request."""

from importlib import import_module
from typing import Final

from django.conf import settings

from fleet.registering import register_all

REGISTERED: Final = ("celery", "api.history", "pages.navigation", "certificate_checker")
"""When first asked for otherwise: within somebody's request."""


def load_views() -> None:
    """Load all views and what they ask for."""
    import_module(settings.ROOT_URLCONF)
    for module in REGISTERED:
        register_all(module)
