"""Whether another device can open an address that is handed to it, as a link or within a QR code."""

from __future__ import annotations

from ipaddress import ip_address
from urllib.parse import urlsplit


def is_of_this_machine_only(address: str) -> bool:
    """Whether only the machine that serves it can open it: its host is a loopback (RFC 1122, RFC 6761) or none at all.

    >>> [is_of_this_machine_only(each) for each in ("http://127.0.0.1:8000", "https://localhost/", "http://[::1]/")]
    [True, True, True]
    >>> [is_of_this_machine_only(each) for each in ("https://192.168.1.20:8443/", "https://bench.local")]
    [False, False]
    """
    host = urlsplit(address).hostname or "localhost"
    try:
        number = ip_address(host)
    except ValueError:
        return host == "localhost" or host.endswith(".localhost")
    return number.is_loopback or number.is_unspecified
