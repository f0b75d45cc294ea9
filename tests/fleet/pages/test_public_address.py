"""Codes and links for other devices: under the public address, with a warning where only this machine can follow it."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from fleet.reach import is_of_this_machine_only

from .conftest import Furnished
from .forms import send

WARNING = "Other devices cannot open this address"
WHO = {"name": "Kim Arden", "email": "kim.arden@example.com", "roles": ["technician"]}


@pytest.mark.parametrize(
    ("address", "is_of_this_machine"),
    [
        ("http://127.0.0.1:8000", True),
        ("http://127.1.2.3/", True),
        ("https://[::1]:8000", True),
        ("http://0.0.0.0:8000", True),
        ("http://localhost:8000/bench/", True),
        ("http://bench.localhost", True),
        ("levelbook", True),
        ("https://192.168.1.20:8443", False),
        ("https://bench.local", False),
        ("https://[fd00::2]/", False),
        ("https://localhost.example.org", False),
    ],
)
def test_an_address_is_of_this_machine_only_where_its_host_is(address: str, is_of_this_machine: bool) -> None:
    """RFC 1122 (127/8), RFC 4291 (::1), RFC 6761 (localhost and what ends in it)."""
    assert is_of_this_machine_only(address) is is_of_this_machine


def pages_with_codes(manager: Client, host: str) -> dict[str, str]:
    """Opened under this host."""
    manager.defaults["SERVER_NAME"] = host
    return {
        "labels": manager.get("/vehicles/labels/").content.decode(),
        "enrolment": manager.post("/tablets/enrolment/").content.decode(),
        "invitation": send(manager, "/people/new/", **WHO).content.decode(),
    }


def test_each_page_with_a_code_warns_where_only_this_machine_can_follow_it(
    furnished: Furnished, manager: Client
) -> None:
    for page in pages_with_codes(manager, "localhost").values():
        assert WARNING in page
        assert "LEVELBOOK_PUBLIC_URL" in page


def test_opened_under_an_address_that_others_can_open_there_is_no_warning(
    furnished: Furnished, manager: Client
) -> None:
    for page in pages_with_codes(manager, "testserver").values():
        assert WARNING not in page


def test_the_public_address_is_used_however_the_page_was_opened(
    furnished: Furnished, manager: Client, settings: Any
) -> None:
    settings.PUBLIC_URL = "https://bench.local:8443"
    pages = pages_with_codes(manager, "localhost")
    assert all(WARNING not in page for page in pages.values())
    assert "https://bench.local:8443/bench/" in pages["enrolment"]
    assert "<code>https://bench.local:8443/invitation/" in pages["invitation"]
