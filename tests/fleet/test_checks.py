"""The service refuses to run as a role that row-level security does not bind."""

from __future__ import annotations

import subprocess
import sys

import pytest
from django.core.checks import run_checks
from django.core.exceptions import ImproperlyConfigured

from deploy.embedded.folder import CHECKOUT
from fleet import checks

ASK = (
    "import django; django.setup(); from fleet.checks import privileges_of_role, refuse_privileged_role; "
    "print(privileges_of_role()); refuse_privileged_role()"
)


@pytest.mark.django_db
def test_the_application_role_is_let_through() -> None:
    assert checks.privileges_of_role() == []
    checks.refuse_privileged_role()
    assert [m for m in run_checks(databases=["default"]) if m.id == "fleet.E001"] == []


@pytest.mark.parametrize(
    ("reasons", "words"), [(["is a superuser"], "is a superuser"), (["has BYPASSRLS"], "BYPASSRLS")]
)
def test_a_privileged_role_is_named_and_refused(
    monkeypatch: pytest.MonkeyPatch, settings: object, reasons: list[str], words: str
) -> None:
    monkeypatch.setattr(checks, "privileges_of_role", lambda *_alias: reasons)
    with pytest.raises(ImproperlyConfigured, match=words):
        checks.refuse_privileged_role()
    settings.DATABASE_ROLE = "app"  # type: ignore[attr-defined]
    assert [words in m.msg for m in run_checks(databases=["default"]) if m.id == "fleet.E001"] == [True]
    settings.DATABASE_ROLE = "owner"  # type: ignore[attr-defined]
    assert [m for m in run_checks(databases=["default"]) if m.id == "fleet.E001"] == []


def test_a_process_that_connects_as_the_owner_stops(database_environment: dict[str, str]) -> None:
    """With the real owner's address where the application's belongs."""
    import os

    environment = {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "deploy.settings",
        "LEVELBOOK_DATABASE_ROLE": "app",
        "DATABASE_URL": database_environment["DATABASE_OWNER_URL"],
    }
    run = subprocess.run(
        [sys.executable, "-c", ASK], env=environment, cwd=CHECKOUT, capture_output=True, text=True, check=False
    )
    assert run.returncode != 0
    assert "owns tables or may act as their owner" in run.stdout
    assert "row-level security would not hold" in run.stderr
