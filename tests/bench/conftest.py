"""A tablet in a bay, for the tests of the bench app."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

import pytest
from playwright.sync_api import Browser

from tests.bench.bay import Bay, TabletInBay
from tests.bench.node import Node
from tests.browser.app_files import forget_app_files

NewTablet = Callable[..., TabletInBay]
LOCALES = {"en": "en-GB", "de": "de-DE"}


@pytest.fixture(scope="session")
def node() -> Node:
    return Node.of_this_machine()


@pytest.fixture(autouse=True)
def _fresh_files() -> None:
    forget_app_files()


@pytest.fixture
def bay(origin: str) -> Bay:
    return Bay(origin)


@pytest.fixture
def new_tablet(browser: Browser, bay: Bay) -> Iterator[NewTablet]:
    """Another tablet in the bay, in a profile of its own; keywords are those of the profile (`color_scheme`, …)."""
    tablets: list[TabletInBay] = []
    with ExitStack() as closing:

        def made(
            *, is_enrolled: bool = True, is_signed_in: bool = True, language: str = "en", **profile: Any
        ) -> TabletInBay:
            context = browser.new_context(
                **{"viewport": {"width": 1180, "height": 820}, "locale": LOCALES[language], **profile}
            )
            closing.callback(context.close)
            tablet = TabletInBay.unpacked(bay, context, language)
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
