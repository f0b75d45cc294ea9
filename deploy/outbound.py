"""Where webhooks may lead: by default to addresses of the public internet, over HTTPS."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from django.core.exceptions import ImproperlyConfigured

Network = ipaddress.IPv4Network | ipaddress.IPv6Network
HIGHEST_PORT: Final = 65535


@dataclass(frozen=True, slots=True)
class WebhookPolicy:
    """`networks` are those of one's own that webhooks may lead into although they are internal."""

    networks: tuple[Network, ...] = ()
    ports: frozenset[int] = frozenset({80, 443})
    allows_http: bool = False


def webhook_policy(*, networks: Iterable[str], ports: Iterable[str], allows_http: bool) -> WebhookPolicy:
    """From what the deployment's variables say."""
    return WebhookPolicy(
        tuple(_network(each) for each in networks), frozenset(_port(each) for each in ports), allows_http
    )


def _network(text: str) -> Network:
    try:
        return ipaddress.ip_network(text)
    except ValueError as error:
        raise ImproperlyConfigured(
            f"LEVELBOOK_WEBHOOK_NETWORKS has {text!r}; use networks such as 10.20.0.0/16 or fd12::/32."
        ) from error


def _port(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and 1 <= int(text) <= HIGHEST_PORT):
        raise ImproperlyConfigured(f"LEVELBOOK_WEBHOOK_PORTS has {text!r}; use numbers from 1 to {HIGHEST_PORT}.")
    return int(text)
