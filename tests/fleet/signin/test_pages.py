"""What all pages of signing in have in common: a strict content security policy, named fields, nothing inline."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.test import Client

from tests.factories import Site

from .browsers import browser_of, confirm_password, set_up_app

POLICY = {
    "default-src 'none'",
    "base-uri 'none'",
    "connect-src 'self'",
    "font-src 'self'",
    "form-action 'self'",
    "frame-ancestors 'none'",
    "img-src 'self'",
    "manifest-src 'self'",
    "script-src 'self'",
    "style-src 'self'",
    "worker-src 'self'",
}
OPEN = ("/sign-in/", "/verify/", "/account/closed/", "/invitation/no-such-code/", "/api/v1/schema/", "/no/such/page/")
OWN = (
    "/account/",
    "/account/password/",
    "/account/confirm/",
    "/account/preferences/",
    "/account/sign-ins/",
    "/account/second-factor/",
    "/account/second-factor/totp/activate/",
    "/account/second-factor/webauthn/",
    "/account/second-factor/webauthn/add/",
    "/choose-workshop/",
    "/sign-out/",
    "/sign-ins/",
    "/tablets/",
)
TEMPLATES = ("fleet", "account", "mfa", "drf_spectacular")


def policy_of(answer: Any) -> set[str]:
    return {part.strip() for part in answer["Content-Security-Policy"].split(";")}


class Scan(HTMLParser):
    """Finds what a strict policy forbids, and fields without a label or `autocomplete`."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.faults: list[str] = []
        self.labelled: set[str] = set()
        self.fields: list[dict[str, str | None]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.faults += [f"{tag} {name}" for name in given if name == "style" or name.startswith("on")]
        if tag == "style":
            self.faults.append("inline style")
        if tag == "script" and "src" not in given and given.get("type") != "application/json":
            self.faults.append("inline script")
        for name in ("src", "href", "action"):
            if (given.get(name) or "").startswith(("http:", "https:", "//", "data:")):
                self.faults.append(f"{tag} {name} leads elsewhere")
        if tag == "label":
            self.labelled.add(given.get("for") or "")
        if tag == "input" and given.get("type") not in {"hidden", "submit"}:
            self.fields.append(given)

    def unnamed(self) -> list[str]:
        return [str(f.get("name")) for f in self.fields if f.get("id") not in self.labelled]

    def without_autocomplete(self) -> list[str]:
        typed = (f for f in self.fields if f.get("type") not in ("checkbox", "file"))
        return [str(f.get("name")) for f in typed if not f.get("autocomplete")]


@pytest.fixture
def pages(site: Site, django_capture_on_commit_callbacks: Any) -> list[Any]:
    """Every page in the states that a person meets."""
    manager = browser_of(site.manager)
    confirm_password(manager, site.manager, "/account/")
    found = [(path, Client().get(path)) for path in OPEN] + [(path, manager.get(path)) for path in OWN]
    found += [("wrong password", Client().post("/sign-in/", {"login": "a@example.com", "password": "x"}))]
    found += [("nothing typed", Client().post("/sign-in/", {}))]
    found += [("a new code", manager.post("/tablets/enrolment/"))]
    set_up_app(manager, site.manager)
    for part in ("", "recovery-codes/", "recovery-codes/generate/", "totp/deactivate/", "reauthenticate/"):
        found.append((part, manager.get(f"/account/second-factor/{part}")))
    second = Client()
    second.post("/sign-in/", {"login": site.manager.email, "password": site.manager.password})
    found += [("second factor", second.get("/account/second-factor/authenticate/"))]
    return found


def test_every_page_carries_the_strict_policy(pages: Any) -> None:
    assert {path: policy_of(page) ^ POLICY for path, page in pages if policy_of(page) != POLICY} == {}


def test_the_interfaces_description_may_use_pictures_of_its_style_sheet_and_no_more() -> None:
    assert policy_of(Client().get("/api/v1/docs/")) == (POLICY - {"img-src 'self'"}) | {"img-src 'self' data:"}


def test_no_page_has_anything_inline_or_from_elsewhere(pages: Any) -> None:
    pages = [*pages, ("docs", Client().get("/api/v1/docs/"))]
    scanned = {path: Scan(page.content.decode()).faults for path, page in pages}
    assert {path: faults for path, faults in scanned.items() if faults} == {}


def test_every_field_has_a_label_and_says_what_browsers_may_fill_in(pages: Any) -> None:
    for path, page in pages:
        scan = Scan(page.content.decode())
        assert (path, scan.unnamed(), scan.without_autocomplete()) == (path, [], [])


def test_the_scan_finds_what_it_is_for() -> None:
    """Negative control."""
    page = '<p style="x" onclick="y"><script>1</script><img src="//a"><style></style><input name="n"></p>'
    scan = Scan(page)
    assert len(scan.faults) == 5
    assert scan.unnamed() == scan.without_autocomplete() == ["n"]


def test_errors_are_summed_up_where_the_focus_goes(pages: Any) -> None:
    by_name = dict(pages)
    for name in ("wrong password", "nothing typed"):
        page = by_name[name].content.decode()
        assert re.search(r'role="alert" tabindex="-1" data-error-summary', page), name
        assert "autofocus" not in page


def test_pages_with_secrets_are_not_stored(pages: Any) -> None:
    by_name = dict(pages)
    for name in (
        "/sign-in/",
        "/account/",
        "a new code",
        "second factor",
        "recovery-codes/",
        "/invitation/no-such-code/",
    ):
        assert "no-store" in by_name[name].get("Cache-Control", ""), name


def test_no_template_is_written_with_anything_inline() -> None:
    for folder in TEMPLATES:
        for template in Path(settings.BASE_DIR, "fleet", "templates", folder).rglob("*.html"):
            text = template.read_text()
            assert not re.search(r"<style|\sstyle=|\son[a-z]+=|javascript:", text), template
            assert not re.search(r"<script(?![^>]*(src=|application/json))", text), template


def test_sessions_are_kept_by_cookies_that_scripts_do_not_see(site: Site) -> None:
    browser = browser_of(site.manager)
    cookie = browser.cookies["sessionid"]
    assert cookie["httponly"]
    assert cookie["samesite"] == "Lax"
    assert cookie["max-age"] == 12 * 3600
