"""What all pages of the set-up have in common: nothing inline, named fields, the reader's time, unit and language."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from zoneinfo import ZoneInfo

from django.test import Client

from fleet.models import Membership
from fleet.tenancy import in_workshop
from tests.fleet.signin.test_pages import POLICY, Scan, policy_of

from .conftest import Furnished
from .forms import form_of, send


def test_no_page_has_anything_inline_or_a_field_without_a_name(furnished: Furnished, manager: Client) -> None:
    for path in furnished.pages():
        page = manager.get(path)
        scan = Scan(page.content.decode())
        assert (path, scan.faults, scan.unnamed(), scan.without_autocomplete()) == (path, [], [], [])
        assert policy_of(page) == POLICY


def test_no_page_is_kept_by_the_browser(furnished: Furnished, manager: Client) -> None:
    for path in furnished.pages():
        assert (path, "no-store" in manager.get(path)["Cache-Control"]) == (path, True)


def test_every_form_shown_has_an_id_of_its_own(furnished: Furnished, manager: Client) -> None:
    ids = [form_of(manager.get("/bays/new/")).values["id"][0] for _ in range(3)]
    assert len(set(ids)) == 3


def test_times_are_the_workshops(furnished: Furnished, manager: Client) -> None:
    path = f"/vehicle-models/{furnished.vehicle_model.pk}/specifications/1/"
    at = furnished.specification.recorded_at
    assert at.utcoffset() == timedelta(0)
    assert f"{at:%H:%M}" in manager.get(path).content.decode()
    send(manager, "/settings/", time_zone="Asia/Kolkata")
    shown = manager.get(path).content.decode()
    assert f"{at:%H:%M}" not in shown
    assert f"{at.astimezone(ZoneInfo('Asia/Kolkata')):%H:%M}" in shown


def test_lengths_are_in_the_readers_unit(furnished: Furnished, manager: Client) -> None:
    assert "+0.1\u00a0mm" in manager.get("/bays/").content.decode()
    with in_workshop(furnished.site.workshop.pk):
        Membership.objects.filter(pk=furnished.site.manager.membership.pk).update(length_unit="inch")
    assert "\u22120.50\u00a0in" in manager.get("/bays/").content.decode()


def test_whoever_only_reads_sees_no_button_that_changes(
    furnished: Furnished, browser_with: Callable[..., Client]
) -> None:
    auditor = browser_with("auditor")
    for path in (
        "/operators/",
        "/bays/",
        "/instruments/",
        "/vehicle-models/",
        f"/vehicle-models/{furnished.vehicle_model.pk}/",
    ):
        page = auditor.get(path).content.decode()
        assert "button-main" not in page, path
        assert "/new/" not in page, path
