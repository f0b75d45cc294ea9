"""Limits on attempts, the same for pages as for the interface."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.views.generic.base import View
from rest_framework.throttling import SimpleRateThrottle

from fleet.errors import TooMany


def require_few(throttle: SimpleRateThrottle, request: HttpRequest, view: View) -> None:
    """Count an attempt; refuse it where there were too many."""
    asking: Any = request  # a throttle asks for address and person only, which every request has
    page: Any = view
    if not throttle.allow_request(asking, page):
        raise TooMany(retry_after_s=int(throttle.wait() or 0) + 1)
