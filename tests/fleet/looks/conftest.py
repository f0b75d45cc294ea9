"""A real browser before the real service."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

import pytest
from django.contrib.staticfiles.handlers import StaticFilesHandler
from django.test.testcases import LiveServerThread
from django.utils import timezone
from playwright.sync_api import Browser, Page, sync_playwright

from fleet.actor import Actor
from fleet.ids import new_id
from fleet.tenancy import in_workshop
from reports.models import Certificate
from reports.services.certificates import certificate_issue, certificate_prepare, certificate_replace
from tests.factories import make_site
from tests.reports import jobs

PagesOpened = Callable[..., Page]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The machine's own Chromium. Playwright's event loop would make Django refuse the database in this thread."""
    path = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    if path is None:
        pytest.fail("These tests need Chromium. Install it (Debian: apt-get install chromium) or name it in CHROMIUM.")
    with pytest.MonkeyPatch.context() as patch, sync_playwright() as playwright:
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "1")
        browser = playwright.chromium.launch(executable_path=path)
        yield browser
        browser.close()


@pytest.fixture
def service(committed_db: None) -> Iterator[str]:
    """The address of the service, with its style sheets."""
    thread = LiveServerThread("127.0.0.1", StaticFilesHandler)
    thread.daemon = True
    thread.start()
    thread.is_ready.wait()
    if thread.error:
        raise thread.error
    yield f"http://127.0.0.1:{thread.port}"
    thread.terminate()


@pytest.fixture
def open_page(browser: Browser, service: str) -> Iterator[PagesOpened]:
    """Opens a page in a fresh profile; keywords are those of the profile (`color_scheme`, `viewport`, …)."""
    with ExitStack() as closing:

        def opened(path: str, *, prepare: Callable[[Page], object] | None = None, **profile: Any) -> Page:
            context = browser.new_context(**profile)
            closing.callback(context.close)
            page = context.new_page()
            if prepare:
                prepare(page)
            page.goto(service + path)
            return page

        yield opened


@pytest.fixture
def codes(committed_db: None) -> dict[str, str]:
    """Codes of a certificate that holds and of one that was replaced."""
    site = make_site()
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        certificate_prepare(actor=Actor.system(site.workshop.pk, timezone.now()), job_id=bench.job_id)
        old = Certificate.objects.get()
        new = certificate_replace(actor=site.manager.actor(), record_id=new_id(), number=1, reason="Mistyped")
        certificate_issue(actor=site.manager.actor(), certificate_id=new.pk)
    return {"replaced": old.code, "valid": new.code, "unknown": "0" * 16}
