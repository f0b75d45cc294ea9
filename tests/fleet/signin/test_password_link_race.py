"""Many browsers with one link at once, on real commits: one of them sets the password."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from django.db.models import QuerySet
from django.utils import timezone

from fleet import services
from fleet.models import User
from tests.factories import make_site
from tests.fleet.test_races import at_once

from .test_lost_password import reset

BROWSERS = 10


@pytest.fixture(autouse=True)
def _unlimited(committed_db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    from fleet.api.throttling import SignInPersonThrottle

    monkeypatch.setattr(SignInPersonThrottle, "default_rate", "1000/min")


def raced() -> Counter[int]:
    site = make_site()
    code = services.password_link_make(email=site.technician.email, now=timezone.now())
    answers = at_once(BROWSERS, lambda _number: reset(f"/new-password/{code}/"))
    return Counter(answer.status_code for answer in answers)


def test_one_link_raced_by_ten_browsers_sets_one_password() -> None:
    assert raced() == {302: 1, 404: BROWSERS - 1}


def test_without_the_lock_the_same_race_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: the test above would notice an account that is read without its lock."""

    def unlocked(self: QuerySet[Any], *_arguments: Any, **_options: Any) -> QuerySet[Any]:
        return self

    monkeypatch.setattr(type(User.objects.all()), "select_for_update", unlocked)
    assert raced()[302] > 1
