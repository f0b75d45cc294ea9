"""Where a request comes from."""

from __future__ import annotations

import ipaddress
from typing import Any

from rest_framework.throttling import BaseThrottle


def address_of(request: Any) -> str | None:
    """The network address, as far as the proxies in front can be believed; None where it is not known."""
    try:
        return str(ipaddress.ip_address(client_of(request)))
    except ValueError:
        return None


def client_of(request: Any) -> str:
    """What limits on attempts count by."""
    return str(BaseThrottle().get_ident(request) or "unknown")
