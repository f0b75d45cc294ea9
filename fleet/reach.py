"""Whether what is handed out reaches anybody: an address, as a link or within a QR code, and e-mail."""

from __future__ import annotations

from ipaddress import ip_address
from typing import Final
from urllib.parse import urlsplit

from django.conf import settings

KEPT_AS_FILES: Final = "django.core.mail.backends.filebased.EmailBackend"


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


def is_mail_sent() -> bool:
    """Whether a mail server is set up; without one messages are kept as files."""
    return bool(settings.EMAIL_BACKEND != KEPT_AS_FILES)
