"""The place where schedules run: the service behind a wireless, and browsers."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Playwright

from calibration.bench.assets import assets
from tests.browser.fixtures import served
from tests.campaigns.bench.running import Place
from tests.campaigns.bench.wireless import ServerBehind, Wireless


@pytest.fixture
def place(browser: Browser, playwright: Playwright, chromium_path: str, committed_db: None) -> Iterator[Place]:
    wireless = Wireless()
    suffix = f"{os.environ.get('PYTEST_XDIST_WORKER', 'main')}_schedule"
    assets.cache_clear()
    with served(ServerBehind(wireless)) as origin:
        yield Place(origin, wireless, browser, playwright, chromium_path, suffix)
    assets.cache_clear()
