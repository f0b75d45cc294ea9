"""Every form of the service as a browser without scripts sends it: what is right is done, what is wrong comes back.

The forms come from the table of addresses. Those of the set-up are tried in `tests/fleet/pages/test_forms.py`; here are
all others. `test_awkward_forms` sends to both what no database takes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from calibration.models import Decision, HeightCheck, HeightCheckStrike, Ruling
from fleet.models import AccessToken, CalendarFeed, HeadConflict, OutboxItem, Tablet
from fleet.tenancy import in_workshop
from reports.models import ArchiveIntake, Certificate, DriftAlert, Export, Import, ImportFile, Webhook, WebhookDelivery
from tests.calibration.outbox_files import record, saved
from tests.factories import Person, Site, make_site
from tests.fleet.pages import form_cases as set_up
from tests.fleet.pages.conftest import Furnished, furnish
from tests.fleet.pages.forms import errors_in, form_of, forms_of, send
from tests.fleet.signin.browsers import browser_of, is_in
from tests.reports.imports import check_row, csv_of
from tests.reports.workshops import empty_site, exported

from .every_page import FILES, House, name_of
from .sign_in_forms import Case, at_the_door, own_account, second_factor, within

NEEDS_SCRIPT: Final = frozenset({"mfa_add_webauthn", "mfa_reauthenticate_webauthn"})
"""Browsers hand passkeys to scripts only."""
SECRETS: Final = ("password", "pin", "code")


@dataclass(frozen=True)
class Press:
    """A form with nothing to type: the page that it stands on, where it is sent, and what shows that it was done."""

    browser: Client
    page: str
    path: str
    is_done: Callable[[], bool]


@pytest.fixture
def furnished(site: Site) -> Furnished:
    return furnish(site)


@pytest.fixture
def house(site: Site) -> House:
    return House.of(site)


def decisions(house: House) -> Iterator[Case]:
    site, asked = house.site, house.asked
    manager = browser_of(site.manager)
    yield Case(
        manager,
        "/certificates/1/",
        {"reason": "Mistyped."},
        within(site, Certificate.objects.filter(replaces__number=1).exists),
        {"reason": ""},
        "reason",
        "Say in a sentence what is wrong.",
    )
    yield Case(
        manager,
        f"/alerts/{house.at_work.alert.pk}/",
        {"note": "Booked in for Tuesday."},
        within(site, DriftAlert.objects.filter(note="Booked in for Tuesday.").exists),
        {"note": ""},
        "note",
        "Say in a sentence what is to be done.",
    )
    yield Case(
        manager,
        house.conflict_path,
        {"explanation": "The key was changed on Monday."},
        within(site, HeadConflict.objects.exclude(explanation="").exists),
        {"explanation": ""},
        "explanation",
        "Say in a sentence what explains it.",
    )
    yield Case(
        manager,
        asked.approval_path,
        {"decision": "approve", "reason": "Looked at it."},
        within(site, Decision.objects.exists),
        {"decision": None},
        "decision",
        "Choose one of the two.",
    )
    yield Case(
        manager,
        asked.finding_path,
        {"decision": "accept", "reason": "The tape was checked."},
        within(site, Ruling.objects.exists),
        {"reason": ""},
        "reason",
        "Give your reason in a sentence.",
    )


def height_checks(house: House) -> Iterator[Case]:
    site, vehicle = house.site, house.furnished.vehicle
    path = f"/vehicles/{vehicle.vin}/checks/new/"
    typed = {"odometer_km": "48210,5", "heights__FL": "486", "heights__FR": "486,5", "heights__RL": "504"}
    for person, height in ((site.technician, "504"), (contact_of(house), "505")):
        recorded = HeightCheck.objects.filter(vehicle=vehicle, readings__height_mm=height, readings__corner="RR")
        yield Case(
            browser_of(person),
            path,
            {**typed, "heights__RR": height},
            within(site, recorded.exists),
            {"heights__RR": "19.8"},
            "heights-RR",
            "looks like inches",
        )


def strikes(house: House) -> Iterator[Case]:
    yield Case(
        browser_of(house.site.manager),
        house.strike_path,
        {"replacement__height_mm": "486,5", "reason": "Read at the wrong mark."},
        within(house.site, HeightCheckStrike.objects.filter(reading=house.reading).exists),
        {"replacement__height_mm": "19.8"},
        "replacement-height_mm",
        "looks like inches",
    )


def contact_of(house: House) -> Person:
    return house.site.person("operator_contact", operator=house.furnished.operator.pk)


def tablets(house: House) -> Iterator[Case]:
    site = house.site
    manager = browser_of(site.manager)
    tablet = house.tablet_id
    yield Case(
        manager,
        f"/tablets/{tablet}/",
        {"name": "By the door"},
        within(site, Tablet.objects.filter(name="By the door").exists),
        {"name": ""},
        "name",
        "required",
    )
    noted = record(site.technician, f"/jobs/{house.asked.job.pk}/readiness/", {"checks": {}})
    yield Case(
        manager,
        "/tablets/import/",
        {"file": SimpleUploadedFile("tablet.lbox", saved(site, [noted]))},
        within(site, house.files_handed_in),
        {"file": SimpleUploadedFile("tablet.lbox", b"no such file")},
        "file",
        "file",
    )


def presses(house: House) -> Iterator[Press]:
    site = house.site
    manager = browser_of(site.manager)
    yield Press(
        manager,
        "/parked-work/",
        f"/parked-work/{house.at_work.parked.pk}/retry/",
        within(site, lambda: OutboxItem.objects.filter(pk=house.at_work.parked.pk, state="waiting").exists()),
    )
    person = f"/people/{site.technician.membership.pk}/"
    asked = within(site, OutboxItem.objects.filter(kind="fleet.password_link_email").exists)
    yield Press(manager, person, f"{person}password-link/", asked)
    program = house.furnished.program.membership.pk
    tokens = f"/people/{program}/tokens/"
    send(manager, tokens, device="Fleet desk", scopes=["read"])
    with in_workshop(site.workshop.pk):
        token = AccessToken.objects.get(device="Fleet desk").pk
    revoked = within(site, lambda: AccessToken.objects.get(pk=token).revoked_at)
    yield Press(manager, tokens, f"{tokens}{token}/revocation/", revoked)
    yield Press(manager, "/exports/", "/exports/", within(site, lambda: Export.objects.count() == 2))
    hook = f"/webhooks/{house.at_work.webhook.pk}/"
    with in_workshop(site.workshop.pk):
        delivery = WebhookDelivery.objects.get(webhook=house.at_work.webhook).pk
    replayed = within(site, WebhookDelivery.objects.filter(pk=delivery, series=2).exists)
    yield Press(manager, hook, f"{hook}deliveries/{delivery}/replay/", replayed)
    yield Press(manager, hook, f"{hook}end/", within(site, Webhook.objects.filter(state="ended").exists))
    trial = f"/imports/{house.at_work.trial.pk}/"
    carried_out = within(site, Import.objects.filter(dry_run=False, time_zone="").exists)
    yield Press(manager, trial, f"{trial}carrying-out/", carried_out)
    sent = within(site, OutboxItem.objects.filter(payload__has_key="sending").exists)
    yield Press(manager, "/certificates/1/", "/certificates/1/sending/", sent)
    newcomer = empty_site()
    founder = browser_of(newcomer.manager)
    archive = SimpleUploadedFile("workshop.zip", exported(make_site()).read_bytes())
    founder.post("/archives/", {**form_of(founder.get("/archives/"), "").filled(), "file": archive})
    with in_workshop(newcomer.workshop.pk):
        intake = ArchiveIntake.objects.get().pk
    is_ended = within(newcomer, ArchiveIntake.objects.filter(state="refused").exists)
    yield Press(founder, "/archives/", f"/archives/{intake}/cancellation/", is_ended)
    tablet = house.tablet_id
    gone = within(site, lambda: Tablet.objects.get(pk=tablet).revoked_at)
    yield Press(manager, f"/tablets/{tablet}/", f"/tablets/{tablet}/revocation/", gone)
    yield Press(manager, "/tablets/", "/tablets/enrolment/", lambda: True)
    feed = within(site, CalendarFeed.objects.exists)
    yield Press(manager, "/account/calendar/", "/account/calendar/", feed)
    withdrawn = within(site, lambda: not CalendarFeed.objects.exists())
    yield Press(manager, "/account/calendar/", "/account/calendar/withdrawal/", withdrawn)
    yield Press(manager, "/account/", "/sign-out/", lambda: not is_in(manager))


def webhooks(house: House) -> Iterator[Case]:
    manager, hook = browser_of(house.site.manager), house.at_work.webhook
    yield Case(
        manager,
        f"/webhooks/{hook.pk}/",
        {"url": "https://desk.example.com/hooks"},
        within(house.site, Webhook.objects.filter(url="https://desk.example.com/hooks").exists),
        {"url": "https://localhost/"},
        "url",
        "internal network",
    )


def archives(_house: House) -> Iterator[Case]:
    """Of an empty workshop: only there is the form."""
    site, founder = empty_site(), make_site()
    manager = browser_of(site.manager)
    yield Case(
        manager,
        "/archives/",
        {"file": SimpleUploadedFile("workshop.zip", exported(founder).read_bytes())},
        within(site, ArchiveIntake.objects.filter(state="waiting").exists),
        {"file": SimpleUploadedFile("workshop.zip", b"no archive")},
        "file",
        "no ZIP file",
    )


def imports(house: House) -> Iterator[Case]:
    site, vin = house.site, house.at_work.done.vehicle.vin
    manager, right = browser_of(site.manager), csv_of([check_row(vin, "2025-05-05T09:30:00Z")])
    yield Case(
        manager,
        "/imports/new/",
        {"file": SimpleUploadedFile("checks.csv", right), "kind": "checks"},
        within(site, ImportFile.objects.filter(sha256=hashlib.sha256(right).hexdigest()).exists),
        {"file": SimpleUploadedFile("checks.csv", b"%PDF-1.7")},
        "file",
        "no table",
    )
    yield Case(
        manager,
        house.at_work.columns_path,
        {"column_vin": "vin", "time_zone": "UTC"},
        within(site, Import.objects.filter(dry_run=True, time_zone="UTC").exists),
        {"column_vin": ""},
        "column_vin",
        "Say which heading",
    )


def cases(house: House) -> list[Case]:
    site = house.site
    return [
        *decisions(house),
        *webhooks(house),
        *archives(house),
        *imports(house),
        *height_checks(house),
        *strikes(house),
        *tablets(house),
        *own_account(site),
        *at_the_door(house),
        *second_factor(site),
    ]


def posted(case: Case, typed: dict[str, Any]) -> tuple[dict[str, list[str]], Any]:
    page = case.browser.get(case.path)
    assert page.status_code == 200, (case.path, page.status_code)
    typed = {name: value(page) if callable(value) else value for name, value in typed.items()}
    files = {name: value for name, value in typed.items() if isinstance(value, SimpleUploadedFile)}
    sent = form_of(page, own_address(page, case.path)).filled(**{n: v for n, v in typed.items() if n not in files})
    for file in files.values():
        file.seek(0)
    return sent, case.browser.post(case.path, {**sent, **files})


def own_address(page: Any, path: str) -> str:
    """A form names its page's address, or none."""
    return path if any(form.action == path for form in forms_of(page)) else ""


def test_every_form_is_done_when_right_and_comes_back_when_wrong(house: House) -> None:
    for case in cases(house):
        sent, answer = posted(case, {**case.typed, **case.spoilt})
        told = errors_in(answer)
        field = next((name for name in told if name.startswith(case.in_error)), None)
        assert field is not None, (case.path, told)
        assert case.says in told[field], (case.path, told)
        kept = form_of(answer, own_address(answer, case.path)).values
        typed = {n for n in case.typed if n in sent and not any(each in n for each in SECRETS)}
        assert {n: kept.get(n) for n in typed} == {n: sent[n] for n in typed}, case.path
        _sent, answer = posted(case, case.typed)
        assert answer.status_code == 302, (case.path, errors_in(answer))
        assert case.is_done(), case.path


def test_everything_that_is_pressed_is_done(house: House) -> None:
    for press in presses(house):
        before = press.is_done()
        sent = form_of(press.browser.get(press.page), press.path).values
        assert press.browser.post(press.path, sent).status_code in (200, 302), press.path
        assert press.is_done(), press.path
        assert before is False or press.path == "/tablets/enrolment/", press.path


def test_no_form_is_left_out(house: House) -> None:
    def addresses(patterns: list[URLPattern | URLResolver], before: str = "") -> Iterator[tuple[str, Any]]:
        for each in patterns:
            path = before + str(each.pattern)
            if isinstance(each, URLResolver):
                yield from addresses(each.url_patterns, path)
            else:
                yield str(each.name), getattr(each.callback, "view_class", None)

    own = [each for each in get_resolver().url_patterns if not str(each.pattern).startswith(("api/", "admin/"))]
    with_form = {name for name, view in addresses(own) if hasattr(view, "post")}
    of_set_up = {name_of(case.path) for case in set_up.cases(house.furnished).values()}
    here = {name_of(case.path) for case in cases(house)} | {name_of(press.path) for press in presses(house)}
    elsewhere = {
        "person_new": "tests/fleet/pages/test_people.py",
        "person_invitation": "tests/fleet/pages/test_people.py",
        "own_preferences": "tests/fleet/pages/test_language.py",
        "own_notices": "tests/reports/pages/test_webhooks.py",
        "notice_stop": "tests/reports/test_notices_declined.py",
        "verify-ask": "tests/reports/pages/test_verify_file.py",
        "import_cancellation": "tests/reports/pages/test_imports.py",
        "webhook_new": "tests/reports/pages/test_webhooks.py",
        "webhook_rotation_page": "tests/reports/pages/test_webhooks.py",
        "choose_workshop": "tests/fleet/signin/test_sessions.py",
        "outbox_file_page": "tests/calibration/pages/test_outbox_import.py",
        "mfa_authenticate": "tests/fleet/signin/test_second_factor.py",
        "mfa_reauthenticate": "tests/fleet/signin/test_second_factor.py",
        "mfa_deactivate_totp": "tests/fleet/signin/test_second_factor.py",
        "mfa_generate_recovery_codes": "tests/fleet/signin/test_second_factor.py",
        "mfa_edit_webauthn": "tests/fleet/signin/test_passkeys.py",
        "mfa_remove_webauthn": "tests/fleet/signin/test_passkeys.py",
    }
    assert with_form - of_set_up - here - elsewhere.keys() - NEEDS_SCRIPT - FILES == set()
