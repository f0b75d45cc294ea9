"""Files of tablets that a manager hands in on the pages, and what comes of them."""

from __future__ import annotations

import re
from io import BytesIO
from typing import Any

from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from fleet.tenancy import in_workshop
from tests.factories import Site

PAGE = "/tablets/import/"


def picture() -> bytes:
    buffer = BytesIO()
    Image.new("RGB", (8, 8), "white").save(buffer, "PNG")
    return buffer.getvalue()


def hand_in(browser: Client, file: bytes) -> Any:
    return browser.post(PAGE, {"file": SimpleUploadedFile("tablet.lbox", file)})


def looked_at(browser: Client, file: bytes) -> str:
    """Hand a file in; the address of its page."""
    answer = hand_in(browser, file)
    assert answer.status_code == 302, text(answer)
    return str(answer["Location"])


def carried_out(browser: Client, file: bytes) -> list[str]:
    """Hand a file in and confirm; what came of each record, in words."""
    address = looked_at(browser, file)
    assert browser.post(address).status_code == 302
    return re.findall(r'<span class="state[^"]*">([^<]+)</span>', browser.get(address).content.decode())


def text(answer: Any) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", answer.content.decode()).split())


def count(site: Site, *models: Any) -> list[int]:
    with in_workshop(site.workshop.pk):
        return [model.objects.count() for model in models]


def text_without_tokens(page: bytes) -> bytes:
    return re.sub(rb'value="[^"]+"', b"", page)
