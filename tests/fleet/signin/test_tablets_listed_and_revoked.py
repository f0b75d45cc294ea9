"""Tablets are listed, renamed and revoked by managers and by who enrolled them; a revoked one wipes itself."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.credentials import new_secret
from fleet.ids import new_id
from fleet.models import AccessToken, LedgerEntry, Tablet
from fleet.tenancy import in_workshop
from tests.factories import Site

from .browsers import browser_of, events_of
from .test_tablets import ME, TABLET, TABLETS, bearer, code_by, enrol, pick, tablet_of


@pytest.mark.parametrize("by", ["page", "interface"])
def test_a_revoked_tablet_is_told_to_wipe_itself(site: Site, by: str) -> None:
    tablet, tablet_id = tablet_of(site)
    person = bearer(pick(tablet, site.technician).json()["token"])
    if by == "page":
        answer = browser_of(site.manager).post(f"/tablets/{tablet_id}/revocation/")
        assert answer["Location"] == "/tablets/"
    else:
        assert site.manager.client().delete(f"{TABLETS}{tablet_id}/").status_code == 204
    for client, path in ((tablet, TABLET), (tablet, f"{TABLET}people/"), (person, ME), (tablet, "/api/v1/vehicles/")):
        told = client.get(path)
        assert (told.status_code, told.json()["type"]) == (401, "tablet_revoked")
    assert pick(tablet, site.technician).status_code == 401
    assert events_of(site.manager)[-1] == "tablet_revoked"


def test_a_token_whose_answer_was_lost_says_nothing_of_revoking(site: Site) -> None:
    assert bearer(new_secret()).get(TABLET).json()["type"] == "not_authenticated"


def test_revoking_twice_changes_nothing(site: Site) -> None:
    _tablet, tablet_id = tablet_of(site)
    for _time in range(2):
        assert site.manager.client().delete(f"{TABLETS}{tablet_id}/").status_code == 204
    with in_workshop(site.workshop.pk):
        assert LedgerEntry.objects.filter(kind="tablet_revoked").count() == 1


def test_its_code_cannot_bring_a_revoked_tablet_back(site: Site) -> None:
    code, record_id = code_by(site.manager), str(new_id())
    tablet_id = enrol(code, id=record_id).json()["tablet"]["id"]
    site.manager.client().delete(f"{TABLETS}{tablet_id}/")
    assert enrol(code, id=record_id).status_code == 404


def test_who_enrolled_a_tablet_may_revoke_it_others_not(site: Site, other_site: Site) -> None:
    body = enrol(code_by(site.technician)).json()
    path = f"{TABLETS}{body['tablet']['id']}/"
    for stranger in (site.person("technician"), other_site.manager):
        assert stranger.client().get(path).status_code == 404
        assert stranger.client().delete(path).status_code == 404
        assert browser_of(stranger).post(f"/tablets/{body['tablet']['id']}/revocation/").status_code == 404
    assert APIClient().delete(path).status_code == 401
    assert site.person("auditor").client().get(path).status_code == 403
    assert bearer(body["token"]).get(TABLET).status_code == 200
    assert site.technician.client().delete(path).status_code == 204


# Lists, names


def test_managers_see_all_tablets_others_their_own(site: Site, other_site: Site) -> None:
    tablet_of(other_site)
    _tablet, first = tablet_of(site)
    second = enrol(code_by(site.technician), device="Bay 7").json()["tablet"]["id"]
    listed = {each["id"] for each in site.manager.client().get(TABLETS).json()["results"]}
    assert listed == {first, second}
    assert [each["id"] for each in site.technician.client().get(TABLETS).json()["results"]] == [second]
    page = browser_of(site.manager).get("/tablets/").content.decode()
    assert "Bay 2" in page
    assert "Bay 7" in page
    assert "Bay 2" not in browser_of(site.technician).get("/tablets/").content.decode()


def test_a_tablets_own_token_is_in_no_list_of_tokens(site: Site) -> None:
    tablet_of(site)
    kinds = {each["kind"] for each in site.manager.client().get("/api/v1/tokens/").json()["results"]}
    assert kinds == {"personal"}


def test_a_tablet_is_renamed_under_its_version(site: Site) -> None:
    _tablet, tablet_id = tablet_of(site)
    client, path = site.manager.client(), f"{TABLETS}{tablet_id}/"
    assert client.patch(path, {"name": "Bay 3"}).status_code == 428
    etag = client.get(path).headers["ETag"]
    assert client.patch(path, {"name": "Bay 3"}, headers={"If-Match": etag}).json()["name"] == "Bay 3"
    assert client.patch(path, {"name": "Bay 4"}, headers={"If-Match": etag}).status_code == 412
    assert client.patch(path, {"name": ""}, headers={"If-Match": '"2"'}).status_code == 422


def test_it_is_renamed_on_its_page_too(site: Site) -> None:
    _tablet, tablet_id = tablet_of(site)
    browser, path = browser_of(site.manager), f"/tablets/{tablet_id}/"
    assert "Revoke this tablet" in browser.get(path).content.decode()
    assert browser.post(path, {"name": "Bay 3", "version": 1})["Location"] == "/tablets/"
    assert "Bay 3" in browser.get("/tablets/").content.decode()
    stale = browser.post(path, {"name": "Bay 4", "version": 1})
    assert stale.status_code == 412
    assert "Changed in the meantime" in stale.content.decode()
    refused = browser.post(path, {"name": "", "version": 2})
    assert refused.status_code == 422
    assert "data-error-summary" in refused.content.decode()


def test_last_seen_is_noted(site: Site) -> None:
    tablet, tablet_id = tablet_of(site)
    hour_ago = timezone.now() - timedelta(hours=1)
    with in_workshop(site.workshop.pk):
        Tablet.objects.update(last_seen_at=hour_ago)
        AccessToken.objects.update(last_used_at=hour_ago)
    tablet.get(TABLET)
    with in_workshop(site.workshop.pk):
        assert timezone.now() - Tablet.objects.get(pk=tablet_id).last_seen_at < timedelta(minutes=1)
