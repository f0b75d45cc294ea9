"""The place where schedules run: the service behind a wireless, and browsers."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Playwright

from tests.browser.app_files import forget_app_files
from tests.browser.fixtures import served
from tests.campaigns.bench.running import Place
from tests.campaigns.bench.wireless import ServerBehind, Wireless


@pytest.fixture
def place(browser: Browser, playwright: Playwright, chromium_path: str, committed_db: None) -> Iterator[Place]:
    wireless = Wireless()
    suffix = f"{os.environ.get('PYTEST_XDIST_WORKER', 'main')}_schedule"
    forget_app_files()
    with served(ServerBehind(wireless)) as origin:
        yield Place(origin, wireless, browser, playwright, chromium_path, suffix)
    forget_app_files()
