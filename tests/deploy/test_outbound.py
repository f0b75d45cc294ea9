"""Where webhooks may lead, as settings."""

from __future__ import annotations

import ipaddress

import pytest
from django.core.exceptions import ImproperlyConfigured

from deploy.outbound import WebhookPolicy, webhook_policy


def test_nothing_internal_is_allowed_unless_it_is_named() -> None:
    assert webhook_policy(networks=[], ports=["80", "443"], allows_http=False) == WebhookPolicy()
    named = webhook_policy(networks=["10.20.0.0/16", "fd12::/32"], ports=["8443"], allows_http=True)
    assert named.networks == (ipaddress.ip_network("10.20.0.0/16"), ipaddress.ip_network("fd12::/32"))
    assert (named.ports, named.allows_http) == (frozenset({8443}), True)


@pytest.mark.parametrize("network", ["10.20.0.1/16", "internal", "10.20.0.0/33"])
def test_what_is_no_network_stops_the_start(network: str) -> None:
    with pytest.raises(ImproperlyConfigured, match="LEVELBOOK_WEBHOOK_NETWORKS"):
        webhook_policy(networks=[network], ports=[], allows_http=False)


@pytest.mark.parametrize("port", ["0", "65536", "https", "-1", "٣"])
def test_what_is_no_port_stops_the_start(port: str) -> None:
    with pytest.raises(ImproperlyConfigured, match="LEVELBOOK_WEBHOOK_PORTS"):
        webhook_policy(networks=[], ports=[port], allows_http=False)
