"""A tablet in a bay, for the tests of the bench app."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

import pytest
from django.core.cache import cache
from playwright.sync_api import Browser, Playwright, expect, sync_playwright

from calibration.bench.assets import assets
from tests.bench.bay import PATIENCE_MS, Bay, TabletInBay, service

NewTablet = Callable[..., TabletInBay]


@pytest.fixture(scope="module")
def playwright() -> Iterator[Playwright]:
    """Its event loop would make Django refuse the database in this thread."""
    with pytest.MonkeyPatch.context() as patch, sync_playwright() as started:
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "1")
        expect.set_options(timeout=PATIENCE_MS)
        yield started


@pytest.fixture(scope="module")
def chromium_path() -> str:
    """The machine's own Chromium."""
    path = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    if path is None:
        pytest.fail("These tests need Chromium. Install it (Debian: apt-get install chromium) or name it in CHROMIUM.")
    return path


@pytest.fixture(scope="module")
def browser(playwright: Playwright, chromium_path: str) -> Iterator[Browser]:
    browser = playwright.chromium.launch(executable_path=chromium_path)
    yield browser
    browser.close()


@pytest.fixture
def origin(committed_db: None) -> Iterator[str]:
    assets.cache_clear()
    cache.clear()  # attempts counted by address: all of these tablets have the same one
    with service() as address:
        yield address


@pytest.fixture
def bay(origin: str) -> Bay:
    return Bay(origin)


@pytest.fixture
def new_tablet(browser: Browser, bay: Bay) -> Iterator[NewTablet]:
    """Another tablet in the bay, in a profile of its own; keywords are those of the profile (`color_scheme`, …)."""
    tablets: list[TabletInBay] = []
    with ExitStack() as closing:

        def made(*, is_enrolled: bool = True, is_signed_in: bool = True, **profile: Any) -> TabletInBay:
            context = browser.new_context(**{"viewport": {"width": 1180, "height": 820}, **profile})
            closing.callback(context.close)
            tablet = TabletInBay.unpacked(bay, context)
            tablets.append(tablet)
            if is_enrolled:
                tablet.enrol()
            if is_enrolled and is_signed_in:
                tablet.sign_in()
                tablet.expect_heading("Today")
            return tablet

        yield made
        assert [fault for tablet in tablets for fault in tablet.faults] == []


@pytest.fixture
def tablet(new_tablet: NewTablet) -> TabletInBay:
    """An enrolled tablet with the technician at it."""
    return new_tablet()
