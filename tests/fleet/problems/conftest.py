"""Every test here asks the small service that refuses."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from django.test import Client

if TYPE_CHECKING:
    pass

from . import refusing_service


@pytest.fixture(autouse=True)
def service(settings: Any, db: None) -> None:
    settings.ROOT_URLCONF = refusing_service.__name__
    settings.ALLOWED_HOSTS = ["testserver"]
    settings.MIDDLEWARE = [
        "fleet.api.problem_handlers.ApiProblemMiddleware",
        "django.middleware.common.CommonMiddleware",
        "django.middleware.csrf.CsrfViewMiddleware",
        f"{refusing_service.__name__}.RaisingMiddleware",
    ]


@pytest.fixture
def client() -> Client:
    return Client(raise_request_exception=False)
