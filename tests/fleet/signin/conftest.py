"""The browser before the service, as the looks are tested with it."""

from tests.fleet.looks.conftest import browser, open_page, service

__all__ = ["browser", "open_page", "service"]
