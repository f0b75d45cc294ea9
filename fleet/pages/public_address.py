"""Addresses that a page hands to other devices."""

from __future__ import annotations

from typing import Final

from django.conf import settings
from django.http import HttpRequest

from fleet.reach import is_of_this_machine_only

BENCH: Final = "/bench/"
"""Of the tablet's app, which an upper layer serves."""


def public_address(request: HttpRequest, path: str) -> str:
    """Under the service's public address; where that leads nowhere, under the one by which this page was opened."""
    if is_of_this_machine_only(settings.PUBLIC_URL):
        return request.build_absolute_uri(path)
    return f"{settings.PUBLIC_URL}{path}"
