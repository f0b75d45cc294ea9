"""Passkeys, with an authenticator written here after Web Authentication, level 2 (W3C): attestation "none", ES256."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass, field
from typing import Any

import pytest
from allauth.mfa.models import Authenticator
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from django.test import Client
from fido2.cose import ES256
from fido2.utils import websafe_decode, websafe_encode
from fido2.webauthn import (
    Aaguid,
    AttestationObject,
    AttestedCredentialData,
    AuthenticatorData,
    CollectedClientData,
)

from tests.factories import PASSWORD, Site

from .browsers import browser_of, confirm_password, events_of, is_in, sign_in

ADD = "/account/second-factor/webauthn/add/"
AUTHENTICATE = "/account/second-factor/authenticate/"
LOGIN = "/account/second-factor/webauthn/login/"
HOST = "testserver"
FLAG = AuthenticatorData.FLAG
PRESENT_VERIFIED = FLAG.UP | FLAG.UV


@dataclass
class Passkey:
    """What a telephone does: keep a key, and sign the challenge of the page that asks."""

    key: ec.EllipticCurvePrivateKey = field(default_factory=lambda: ec.generate_private_key(ec.SECP256R1()))
    credential_id: bytes = b"a passkey of the tests"
    user_handle: bytes = b""
    host: str = HOST

    def made(self, options: dict[str, Any]) -> str:
        public = options["publicKey"]
        self.user_handle = websafe_decode(public["user"]["id"])
        credential = AttestedCredentialData.create(
            Aaguid.NONE,
            self.credential_id,
            ES256.from_cryptography_key(self.key.public_key()),  # type: ignore[no-untyped-call]
        )
        data = AuthenticatorData.create(self._rp_hash, PRESENT_VERIFIED | FLAG.AT, 0, credential)
        client = self._client("webauthn.create", public["challenge"])
        response = {
            "clientDataJSON": websafe_encode(client),
            "attestationObject": websafe_encode(AttestationObject.create("none", data, {})),
        }
        return self._credential(response)

    def used(self, options: dict[str, Any]) -> str:
        client = self._client("webauthn.get", options["publicKey"]["challenge"])
        data = AuthenticatorData.create(self._rp_hash, PRESENT_VERIFIED, 1)
        signature = self.key.sign(data + hashlib.sha256(client).digest(), ec.ECDSA(hashes.SHA256()))
        response = {
            "clientDataJSON": websafe_encode(client),
            "authenticatorData": websafe_encode(data),
            "signature": websafe_encode(signature),
            "userHandle": websafe_encode(self.user_handle),
        }
        return self._credential(response)

    @property
    def _rp_hash(self) -> bytes:
        return hashlib.sha256(self.host.encode()).digest()

    def _client(self, what: str, challenge: str) -> bytes:
        return CollectedClientData.create(what, challenge, f"https://{self.host}")

    def _credential(self, response: dict[str, str]) -> str:
        identity = websafe_encode(self.credential_id)
        return json.dumps(
            {
                "id": identity,
                "rawId": identity,
                "type": "public-key",
                "response": response,
                "clientExtensionResults": {"credProps": {"rk": True}},
            }
        )


def options_in(page: Any, name: str) -> dict[str, Any]:
    found = re.search(r'<script id="js_data" type="application/json">(.*?)</script>', page.content.decode())
    assert found
    options: dict[str, Any] = json.loads(found[1])[name]
    return options


def add_passkey(site: Site, capture: Any, **more: str) -> tuple[Client, Passkey]:
    passkey, browser = Passkey(), browser_of(site.technician)
    confirm_password(browser, site.technician, ADD)
    made = passkey.made(options_in(browser.get(ADD), "creation_options"))
    with capture(execute=True):
        answer = browser.post(ADD, {"name": "Telephone", "credential": made, **more})
    assert answer.status_code == 302, answer.content.decode()
    return browser, passkey


@pytest.fixture
def capture(django_capture_on_commit_callbacks: Any) -> Any:
    return django_capture_on_commit_callbacks


def test_a_passkey_is_the_second_factor_beside_the_password(site: Site, capture: Any) -> None:
    _browser, passkey = add_passkey(site, capture)
    browser, answer = sign_in(site.technician.email, PASSWORD)
    assert answer["Location"] == AUTHENTICATE
    assert not is_in(browser)
    options = options_in(browser.get(AUTHENTICATE), "request_options")
    assert browser.post(AUTHENTICATE, {"credential": passkey.used(options)}).status_code == 302
    assert is_in(browser)
    assert events_of(site.technician) == ["signed_in", "second_factor_added", "signed_in"]


@pytest.mark.parametrize("fault", ["another key", "another site", "an old challenge"])
def test_what_another_key_site_or_time_signed_does_not_sign_in(site: Site, capture: Any, fault: str) -> None:
    _browser, passkey = add_passkey(site, capture)
    browser, _answer = sign_in(site.technician.email, PASSWORD)
    options = options_in(browser.get(AUTHENTICATE), "request_options")
    if fault == "another key":
        passkey.key = Passkey().key
    elif fault == "another site":
        passkey.host = "elsewhere.example"
    else:
        browser.get(AUTHENTICATE)
    browser.post(AUTHENTICATE, {"credential": passkey.used(options)})
    assert not is_in(browser)


def test_one_made_for_it_signs_in_without_a_password(site: Site, capture: Any) -> None:
    _browser, passkey = add_passkey(site, capture, passwordless="on")
    browser = Client()
    options = browser.get(LOGIN, headers={"Accept": "application/json"}).json()["request_options"]
    answer = browser.post(LOGIN, {"credential": passkey.used(options)})
    assert answer.status_code == 302
    assert is_in(browser)


def test_one_made_for_it_signs_in_while_the_password_is_locked(site: Site, capture: Any) -> None:
    """Whoever guesses at somebody's password keeps them out of nothing but the password; the message says so."""
    _browser, passkey = add_passkey(site, capture, passwordless="on")
    for _attempt in range(10):
        sign_in(site.technician.email, "not-this-one-41")
    browser, locked = sign_in(site.technician.email, PASSWORD)
    assert "a passkey that signs in without a password" in locked.content.decode()
    assert "a link to set a new one" in locked.content.decode()  # tests/fleet/signin/test_lost_password.py
    options = browser.get(LOGIN, headers={"Accept": "application/json"}).json()["request_options"]
    browser.post(LOGIN, {"credential": passkey.used(options)})
    assert is_in(browser)


@pytest.mark.parametrize("credential", ["", "{}", "[]", "nonsense", '{"id": 1}', '{"rawId": "x", "response": {}}'])
def test_what_is_no_passkey_is_refused(site: Site, capture: Any, credential: str) -> None:
    assert Client().post(LOGIN, {"credential": credential}).status_code == 302
    add_passkey(site, capture)
    browser, _answer = sign_in(site.technician.email, PASSWORD)
    browser.get(AUTHENTICATE)
    assert browser.post(AUTHENTICATE, {"credential": credential}).status_code == 200
    assert not is_in(browser)


def test_passkeys_are_renamed_and_removed(site: Site, capture: Any) -> None:
    browser, _passkey = add_passkey(site, capture)
    key = Authenticator.objects.get(user__email=site.technician.email, type="webauthn").pk
    listed = "/account/second-factor/webauthn/"
    assert "Telephone" in browser.get(listed).content.decode()
    assert browser.post(f"{listed}keys/{key}/edit/", {"name": "Old telephone"}).status_code == 302
    assert "Old telephone" in browser.get(listed).content.decode()
    assert "Remove this passkey?" in browser.get(f"{listed}keys/{key}/remove/").content.decode()
    with capture(execute=True):
        browser.post(f"{listed}keys/{key}/remove/")
    assert not Authenticator.objects.filter(user__email=site.technician.email).exists()
    assert events_of(site.technician)[-1] == "second_factor_removed"


def test_nobody_removes_anothers(site: Site, capture: Any) -> None:
    add_passkey(site, capture)
    key = Authenticator.objects.get(user__email=site.technician.email, type="webauthn").pk
    stranger = browser_of(site.manager)
    confirm_password(stranger, site.manager, "/account/")
    for action in ("edit", "remove"):
        assert stranger.post(f"/account/second-factor/webauthn/keys/{key}/{action}/", {"name": "x"}).status_code == 404
    assert Authenticator.objects.filter(user__email=site.technician.email, type="webauthn").exists()
