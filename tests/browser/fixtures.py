"""A real Chromium before the real service. Every test that asks for `chromium_path` is marked `browser`."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from django.test.testcases import LiveServerThread
    from playwright.sync_api import Browser, Page, Playwright

PATIENCE_MS = 60_000
PagesOpened = Callable[..., "Page"]


@pytest.fixture(scope="session")
def chromium_path() -> str:
    """The machine's own Chromium."""
    path = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    if path is None:
        pytest.fail(
            "These tests need Chromium. Install it (Debian: apt-get install chromium), name it in CHROMIUM, "
            "or leave them out with --no-browser."
        )
    return path


@pytest.fixture(scope="module")
def playwright(chromium_path: str) -> Iterator[Playwright]:
    """Its event loop would make Django refuse the database in this thread."""
    from playwright.sync_api import expect, sync_playwright

    with pytest.MonkeyPatch.context() as patch, sync_playwright() as started:
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "1")
        expect.set_options(timeout=PATIENCE_MS)
        yield started


@pytest.fixture(scope="module")
def browser(playwright: Playwright, chromium_path: str) -> Iterator[Browser]:
    browser = playwright.chromium.launch(executable_path=chromium_path)
    yield browser
    browser.close()


@pytest.fixture
def origin(committed_db: None) -> Iterator[str]:
    """The address of the service on the test's own database, with its static files."""
    from django.core.cache import cache

    cache.clear()  # attempts are counted by address: all browsers of these tests have the same one
    with served() as address:
        yield address


@pytest.fixture
def open_page(browser: Browser, origin: str) -> Iterator[PagesOpened]:
    """Opens a page in a fresh profile; keywords are those of the profile (`color_scheme`, `viewport`, …)."""
    with ExitStack() as closing:

        def opened(path: str, *, prepare: Callable[[Page], object] | None = None, **profile: Any) -> Page:
            context = browser.new_context(**profile)
            closing.callback(context.close)
            context.set_default_timeout(PATIENCE_MS)
            page = context.new_page()
            if prepare:
                prepare(page)
            page.goto(origin + path)
            return page

        yield opened


@contextmanager
def served(given: LiveServerThread | None = None) -> Iterator[str]:
    from django.contrib.staticfiles.handlers import StaticFilesHandler
    from django.test.testcases import LiveServerThread

    thread = given or LiveServerThread("127.0.0.1", StaticFilesHandler)
    thread.daemon = True
    thread.start()
    thread.is_ready.wait()
    if thread.error:
        raise thread.error
    try:
        yield f"http://127.0.0.1:{thread.port}"
    finally:
        thread.terminate()
