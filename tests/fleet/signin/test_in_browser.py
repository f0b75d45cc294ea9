"""Signing in as people do, in a real Chromium: with passkeys, without scripts, and under the strict policy."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from fleet.models import SignInEvent
from fleet.tenancy import in_workshop
from tests.browser.fixtures import PagesOpened
from tests.factories import Site, make_site

from .browsers import require_second_factor, totp_code

PAGES = ("/account/", "/account/password/", "/account/sign-ins/")
AUTHENTICATOR = {
    "protocol": "ctap2",
    "transport": "internal",
    "hasResidentKey": True,
    "hasUserVerification": True,
    "isUserVerified": True,
    "automaticPresenceSimulation": True,
}


@pytest.fixture
def site(committed_db: None) -> Site:
    return make_site()


def complaints_of(page: Page) -> list[str]:
    """What the browser complains about from now on: anything that the policy stopped, and faults of scripts."""
    heard: list[str] = []
    page.on("console", lambda message: heard.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.on("response", lambda answer: heard.append(answer.url) if answer.status >= 400 else None)
    return heard


def sign_in(page: Page, site: Site) -> None:
    page.get_by_label("E-mail address").fill(site.manager.email)
    page.get_by_label("Password").fill(site.manager.password)
    page.get_by_role("button", name="Sign in", exact=True).click()


def confirm(page: Page, site: Site) -> None:
    page.get_by_label("Your password").fill(site.manager.password)
    page.get_by_role("button", name="Go on").click()


def heading(page: Page) -> str:
    return page.get_by_role("heading", level=1).inner_text()


def kinds(site: Site) -> list[str]:
    with in_workshop(site.workshop.pk):
        return list(SignInEvent.objects.order_by("recorded_at", "id").values_list("kind", flat=True))


def test_pages_work_under_the_strict_policy(site: Site, open_page: PagesOpened, origin: str) -> None:
    page = open_page("/sign-in/")
    heard = complaints_of(page)
    page.reload()
    sign_in(page, site)
    for path in (*PAGES, "/verify/"):
        page.goto(origin + path)
    page.goto(f"{origin}/api/v1/docs/")
    page.get_by_role("heading", name="Levelbook").wait_for()
    page.locator(".opblock").first.wait_for()
    assert heard == []


def test_the_browser_does_stop_what_the_policy_forbids(site: Site, open_page: PagesOpened) -> None:
    """Negative control: an inline style and an inline script are complained about, and the script does not run."""
    page = open_page("/sign-in/")
    heard = complaints_of(page)
    page.evaluate(
        "() => { const s = document.createElement('script'); s.textContent = 'window.ran = 1'; document.body.append(s);"
        " document.body.insertAdjacentHTML('beforeend', '<p style=\"color:red\">x</p>'); }"
    )
    while len(heard) < 2:
        page.wait_for_event("console")
    assert page.evaluate("() => window.ran") is None
    assert len([each for each in heard if "Content Security Policy" in each]) == 2


def test_what_is_wrong_is_summed_up_and_takes_the_focus(site: Site, open_page: PagesOpened) -> None:
    page = open_page("/sign-in/")
    page.get_by_label("E-mail address").fill(site.manager.email)
    page.get_by_label("Password").fill("not-this-one-41")
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.locator("[data-error-summary]:focus").wait_for()
    assert "do not belong together" in page.locator("[data-error-summary]").inner_text()


def test_a_passkey_is_added_and_signs_in_alone(site: Site, open_page: PagesOpened, origin: str) -> None:
    host = origin.replace("127.0.0.1", "localhost")  # browsers have passkeys for names only
    page = open_page("/healthz")
    tools = page.context.new_cdp_session(page)
    tools.send("WebAuthn.enable")
    tools.send("WebAuthn.addVirtualAuthenticator", {"options": AUTHENTICATOR})
    page.goto(f"{host}/sign-in/")
    sign_in(page, site)
    page.goto(f"{host}/account/second-factor/webauthn/add/")
    confirm(page, site)
    page.get_by_label("Sign in with it instead of a password").check()
    page.get_by_role("button", name="Add the passkey").click()
    page.get_by_role("heading", name="Recovery codes").wait_for()
    expect(page.locator("main li code")).to_have_count(10)
    page.goto(f"{host}/sign-out/")
    page.locator("main").get_by_role("button", name="Sign out").click()
    page.get_by_role("button", name="Sign in with a passkey").click()
    page.locator(".masthead-who").wait_for()
    assert kinds(site) == ["pin_changed", "signed_in", "second_factor_added", "signed_out", "signed_in"]


def test_a_passkey_is_the_second_factor_beside_the_password(site: Site, open_page: PagesOpened, origin: str) -> None:
    host = origin.replace("127.0.0.1", "localhost")
    page = open_page("/healthz")
    tools = page.context.new_cdp_session(page)
    tools.send("WebAuthn.enable")
    device = tools.send("WebAuthn.addVirtualAuthenticator", {"options": AUTHENTICATOR})["authenticatorId"]
    page.goto(f"{host}/sign-in/?next=/account/second-factor/webauthn/add/")
    sign_in(page, site)
    confirm(page, site)
    page.get_by_role("button", name="Add the passkey").click()
    page.get_by_role("heading", name="Recovery codes").wait_for()
    page.context.clear_cookies()
    page.goto(f"{host}/sign-in/")
    sign_in(page, site)
    assert heading(page) == "Your second factor"
    tools.send("WebAuthn.setUserVerified", {"authenticatorId": device, "isUserVerified": True})
    page.get_by_role("button", name="Use a passkey").click()
    page.locator(".masthead-who").wait_for()


def test_a_passkey_that_fails_is_said_on_the_page(site: Site, open_page: PagesOpened, origin: str) -> None:
    host = origin.replace("127.0.0.1", "localhost")
    page = open_page("/healthz")
    tools = page.context.new_cdp_session(page)
    tools.send("WebAuthn.enable")
    refusing = {**AUTHENTICATOR, "isUserVerified": False}
    tools.send("WebAuthn.addVirtualAuthenticator", {"options": refusing})
    page.goto(f"{host}/sign-in/?next=/account/second-factor/webauthn/add/")
    sign_in(page, site)
    confirm(page, site)
    page.get_by_label("Sign in with it instead of a password").check()
    page.get_by_role("button", name="Add the passkey").click()
    page.get_by_text("The passkey was not used.").wait_for()


def test_signing_in_by_a_passkey_says_why_it_does_not(site: Site, open_page: PagesOpened, origin: str) -> None:
    """At a bare address no browser can; at a name this one has none."""
    page = open_page("/sign-in/")
    offer = page.get_by_role("button", name="Sign in with a passkey")
    by_number = page.get_by_text("Passkeys do not work where this service is opened by a number.")
    by_number.wait_for()
    assert not offer.is_visible()
    tools = page.context.new_cdp_session(page)
    tools.send("WebAuthn.enable")
    tools.send("WebAuthn.addVirtualAuthenticator", {"options": AUTHENTICATOR})
    page.goto(f"{origin.replace('127.0.0.1', 'localhost')}/sign-in/")
    offer.click()
    page.get_by_text("The passkey was not used.").wait_for()
    assert not by_number.is_visible()


def test_everything_but_passkeys_works_without_scripts(site: Site, open_page: PagesOpened, origin: str) -> None:
    require_second_factor(site, "manager")
    page = open_page("/tablets/", java_script_enabled=False)
    sign_in(page, site)
    assert heading(page) == "Second factor"
    page.get_by_role("link", name="Set up an authenticator app").click()
    confirm(page, site)
    secret = page.locator("main ol code").inner_text()
    page.get_by_label("Code").fill(totp_code(secret))
    page.get_by_role("button", name="Set up").click()
    assert heading(page) == "Recovery codes"
    recovery = page.locator("main li code").first.inner_text()
    page.goto(f"{origin}/tablets/")
    page.get_by_role("button", name="Enrol a tablet").click()
    expect(page.locator("main")).to_contain_text(re.compile(r"[0-9A-Z]{4}-[0-9A-Z]{4}"))
    page.goto(f"{origin}/account/")
    page.locator("main").get_by_role("button", name="Sign out").click()
    sign_in(page, site)
    page.get_by_label("Code").fill(recovery)
    page.get_by_role("button", name="Sign in").click()
    page.locator(".masthead-who").wait_for()


def test_an_invitation_is_accepted_without_scripts(site: Site, open_page: PagesOpened) -> None:
    body = {"email": f"kim-{site.workshop.pk.hex}@example.com", "name": "Kim Arden", "roles": ["technician"]}
    code = site.manager.client().post("/api/v1/people/", body).json()["invitation"]
    page = open_page(f"/invitation/{code}/", java_script_enabled=False)
    page.get_by_label("Password").fill("another-lamp-of-oak-7")
    page.get_by_label("PIN").fill("0471")
    page.get_by_role("button", name="Accept the invitation").click()
    assert heading(page) == f"You belong to {site.workshop.name} now"
    page.get_by_role("link", name="Sign in").click()
    assert heading(page) == "Sign in"
