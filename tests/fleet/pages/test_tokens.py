"""Tokens of programs: made with what they may do and until when, shown once, listed, revoked."""

from __future__ import annotations

import re

from django.test import Client
from rest_framework.test import APIClient

from fleet.models import AccessToken
from fleet.tenancy import in_workshop

from .conftest import Furnished
from .forms import errors_in, form_of, send

MADE = {"device": "Fleet desk", "scopes": ["read"], "expires_at": "2099-03-02T09:30"}


def tokens_of(furnished: Furnished) -> str:
    return f"/people/{furnished.program.membership.pk}/tokens/"


def secret_in(page: str) -> str:
    found = re.search(r'class="one-time"><code>([^<]+)</code>', page)
    assert found, page
    return found[1]


def calls(secret: str) -> int:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {secret}")
    return int(client.get("/api/v1/vehicles/").status_code)


def test_a_token_is_shown_once_holds_and_is_revoked(furnished: Furnished, manager: Client) -> None:
    path = tokens_of(furnished)
    answer = send(manager, path, **MADE)
    secret = secret_in(answer.content.decode())
    assert "no-store" in answer["Cache-Control"]
    listed = manager.get(path).content.decode()
    assert "Fleet desk" in listed
    assert secret not in listed
    assert calls(secret) == 200
    with in_workshop(furnished.site.workshop.pk):
        token = AccessToken.objects.get(device="Fleet desk")
    revoke = f"{path}{token.pk}/revocation/"
    assert manager.post(revoke, form_of(manager.get(path), revoke).values)["Location"] == path
    assert calls(secret) == 401
    assert "revoked" in manager.get(path).content.decode()


def test_what_it_may_do_is_chosen_and_its_end_lies_ahead(furnished: Furnished, manager: Client) -> None:
    path = tokens_of(furnished)
    assert "scopes" in errors_in(send(manager, path, **{**MADE, "scopes": None}))
    assert (
        "later than now" in errors_in(send(manager, path, **{**MADE, "expires_at": "2020-01-01T08:00"}))["expires_at"]
    )
    with in_workshop(furnished.site.workshop.pk):
        assert not AccessToken.objects.filter(device="Fleet desk").exists()


def test_people_have_no_such_page_and_nobody_revokes_anothers_by_it(furnished: Furnished, manager: Client) -> None:
    person = furnished.site.technician.membership
    assert manager.get(f"/people/{person.pk}/tokens/").status_code == 404
    assert f"/people/{person.pk}/tokens/" not in manager.get(f"/people/{person.pk}/").content.decode()
    program = furnished.program.membership.pk
    assert f'href="{tokens_of(furnished)}"' in manager.get(f"/people/{program}/").content.decode()
    with in_workshop(furnished.site.workshop.pk):
        theirs = person.tokens.get().pk
    assert manager.post(f"{tokens_of(furnished)}{theirs}/revocation/").status_code == 404
