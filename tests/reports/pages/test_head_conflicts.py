"""What managers see of heads with which the records do not go."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from fleet.models import HeadConflict
from fleet.tenancy import in_workshop
from tests.factories import Site
from tests.fleet.pages.forms import form_of
from tests.fleet.signin.browsers import browser_of
from tests.fleet.signin.test_tablets import tablet_of

from .every_page import conflict_on


@pytest.fixture
def conflict(site: Site) -> HeadConflict:
    return conflict_on(site, tablet_of(site)[1])


def text(answer: Any) -> str:
    assert answer.status_code == 200
    return str(answer.content.decode())


def test_today_tells_managers_until_somebody_explains_it(site: Site, manager: Client, conflict: HeadConflict) -> None:
    told = "do not go with a head that a tablet holds"
    path = f"/head-conflicts/{conflict.pk}/"
    assert told in text(manager.get("/"))
    assert told not in text(browser_of(site.technician).get("/"))
    assert path in text(manager.get("/head-conflicts/"))
    page = manager.get(path)
    assert conflict.note.splitlines()[0] in text(page)
    assert f"--workshop {site.workshop.pk} --head" in text(page)
    sent = form_of(page, "").filled(explanation="The key was changed on Monday.")
    assert manager.post(path, sent).status_code == 302
    assert told not in text(manager.get("/"))
    assert "The key was changed on Monday." in text(manager.get(path))
    with in_workshop(site.workshop.pk):
        assert HeadConflict.objects.get().acknowledged_by == site.manager.membership.pk


def test_explained_twice_the_first_one_stays(manager: Client, conflict: HeadConflict) -> None:
    path = f"/head-conflicts/{conflict.pk}/"
    first, second = manager.get(path), manager.get(path)
    manager.post(path, form_of(first, "").filled(explanation="One."))
    answer = manager.post(path, form_of(second, "").filled(explanation="Another."))
    assert answer.status_code == 409
    assert "acknowledged already" in answer.content.decode()


def test_only_managers_of_the_workshop_see_them(site: Site, other_site: Site, conflict: HeadConflict) -> None:
    for path in ("/head-conflicts/", f"/head-conflicts/{conflict.pk}/"):
        assert browser_of(site.technician).get(path).status_code == 403
        assert Client().get(path).status_code == 302
    assert browser_of(other_site.manager).get(f"/head-conflicts/{conflict.pk}/").status_code == 404
    assert str(conflict.pk) not in text(browser_of(other_site.manager).get("/head-conflicts/"))
