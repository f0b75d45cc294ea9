"""Every page of the service in the states that people meet it in, and how each is opened."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, Final
from uuid import UUID

from allauth.mfa.models import Authenticator
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, resolve
from django.utils import timezone

from calibration.models import HeightCheckReading
from calibration.services.height_checks import height_check_record
from fleet import services
from fleet.actor import Actor
from fleet.checkpoint_keys import origin_of
from fleet.ids import new_id
from fleet.models import HeadConflict, Invitation, Membership, OutboxFile, Vehicle
from fleet.signed_heads import Head, signed
from fleet.tenancy import in_workshop
from reports.models import Certificate, Notice
from reports.selectors.notices import stop_code
from reports.selectors.recipients import Recipient
from tests.calibration.outbox_files import record, saved
from tests.calibration.pages.conftest import Asked, asked_in
from tests.calibration.pages.handing_in import looked_at
from tests.factories import Site, make_site
from tests.fleet.pages.conftest import Furnished, furnish
from tests.fleet.signin.browsers import browser_of, confirm_password, set_up_app, sign_in
from tests.fleet.signin.test_passkeys import Passkey, options_in
from tests.fleet.signin.test_tablets import tablet_of

from .conftest import AtWork, at_work_in

NOT_OF_THE_WORKSHOP: Final = ("api/", "admin/")
"""Programs' interface with its description, and the deployer's own pages."""
FILES: Final = frozenset(
    {
        "healthz",
        "readyz",
        "metrics",
        "bench-manifest",
        "bench-looks",
        "bench-worker",
        "bench-texts",
        "bench-later-texts",
        "bench-parcel",
        "trust_certificate",
        "trust_certificate_text",
        "certificate_pdf_page",
        "certificate_schema",
        "certificate_script",
        "operator_summary_pdf_page",
        "calendar_file",
        "export_file_page",
        "import_errors",
        "import_example",
        "mfa_download_recovery_codes",
        "mfa_login_webauthn",
    }
)
"""What is no page but a file, or an answer for a script."""
STEPS: Final = frozenset(
    {
        "password_link",
        "tablet_revocation",
        "parked_work_retry_page",
        "person_token_revocation",
        "certificate_sending_page",
        "archive_cancellation",
        "import_cancellation",
        "import_carrying_out",
        "webhook_end_page",
        "webhook_replay_page",
        "own_calendar_withdrawal",
    }
)
"""What is pressed on another page and leads to one."""
NEVER_REFUSED: Final = frozenset(
    {
        "account_logout",
        "choose_workshop",
        "exports_page",
        "mfa_add_webauthn",
        "mfa_deactivate_totp",
        "mfa_generate_recovery_codes",
        "mfa_reauthenticate_webauthn",
        "mfa_remove_webauthn",
        "outbox_file_page",
        "notice_stop",
        "own_calendar",
        "own_notices",
        "own_preferences",
        "person_invitation",
        "webhook_rotation_page",
    }
)
"""Forms with nothing to type or with one field that may stay empty; a passkey's are filled in by the browser."""


def names_in_the_table() -> set[str]:
    """Of every address but those of programs, deployers and files."""

    def below(patterns: list[URLPattern | URLResolver], before: str) -> Iterator[str]:
        for each in patterns:
            path = before + str(each.pattern)
            if path.startswith(NOT_OF_THE_WORKSHOP):
                continue
            if isinstance(each, URLResolver):
                yield from below(each.url_patterns, path)
            else:
                yield each.name or path.strip("/")

    return set(below(get_resolver().url_patterns, "")) - {"verify/<str:code>"}  # as one may type it, of the same view


def name_of(path: str) -> str:
    match = resolve(path.partition("?")[0])
    return match.url_name or path.strip("/")


@dataclass(frozen=True)
class Visit:
    """One page as somebody opens it. `pressed` is the button that leads to what is looked at."""

    path: str
    status: int = 200
    pressed: str = ""

    @property
    def said(self) -> str:
        return f"{self.path} {self.pressed}".strip()


@dataclass(frozen=True)
class Person:
    """Whose browser it is, by the session's cookie, and what they look at."""

    who: str
    session: str
    visits: list[Visit]
    forms: list[str] = field(default_factory=list)
    """Pages whose form is sent with everything in it emptied."""


@dataclass(frozen=True)
class House:
    """A workshop in which there is something of everything, and one in which there is nothing yet."""

    furnished: Furnished
    asked: Asked
    at_work: AtWork

    tablet_id: str
    conflict: HeadConflict
    reading: HeightCheckReading
    """Of a height check that a technician recorded."""

    @classmethod
    def of(cls, site: Site) -> House:
        asked, tablet = asked_in(site), tablet_of(site)[1]
        furnished = furnish(site)
        reading = reading_of(site, furnished.vehicle)
        return cls(furnished, asked, at_work_in(site), tablet, conflict_on(site, tablet), reading)

    @property
    def conflict_path(self) -> str:
        return f"/head-conflicts/{self.conflict.pk}/"

    @property
    def site(self) -> Site:
        return self.furnished.site

    @property
    def strike_path(self) -> str:
        return f"/check-readings/{self.reading.pk}/strike/"

    @property
    def check_path(self) -> str:
        return f"/vehicles/{self.furnished.vehicle.vin}/checks/new/"

    def people(self) -> list[Person]:
        return [self._nobody(), self._manager(), self._secured(), self._half_signed_in(), self._barred(), self._new()]

    def _nobody(self) -> Person:
        wanted = ["/sign-in/", "/account/closed/", "/verify/", f"/verify/{self._code()}"]
        looks = ["/looks/", "/looks/errors/", "/looks/bench/", "/looks/bench-result/", "/looks/worksheet/"]
        links = [self.invitation(), self.password_link()]
        stop = self.stop_link()
        accepted = self.accepted_invitation()
        unknown = ["/invitation/no-such/", "/new-password/no-such/", "/verify/0000000000000000", "/no/such/page/"]
        gone = [Visit(path, 404) for path in unknown]
        visits = [Visit(path) for path in [*wanted, *looks, *links, stop, accepted, "/trust/", "/bench/"]]
        return Person("nobody", "", [*visits, *gone], ["/sign-in/", "/verify/", *links])

    def stop_link(self) -> str:
        with in_workshop(self.site.workshop.pk):
            recipient = Recipient("membership", self.site.manager.membership.pk)
            return f"/notices/{stop_code(recipient, Notice.ALERTS)}/"

    def _manager(self) -> Person:
        browser = signed_in(self.site.manager)
        body: dict[str, Any] = {"checks": {}}
        in_a_file = [record(self.site.technician, f"/jobs/{self.asked.job.pk}/readiness/", body)]
        file = looked_at(browser, saved(self.site, in_a_file))
        of_work = [path for path in self.at_work.pages() if not path.endswith("/pdf/")]
        decisions = [
            "/approvals/",
            "/measurements/",
            self.asked.approval_path,
            self.asked.finding_path,
            f"/jobs/{self.asked.job.pk}/",
        ]
        own = [
            "/account/",
            "/account/password/",
            "/account/pin/",
            "/account/confirm/",
            "/account/preferences/",
            "/account/notices/",
            "/account/calendar/",
            "/account/sign-ins/",
        ]
        others = ["/choose-workshop/", "/sign-out/", "/sign-ins/", "/tablets/", f"/tablets/{self.tablet_id}/"]
        files = ["/tablets/import/", file, self.check_path, "/head-conflicts/", self.conflict_path]
        files += [self.at_work.columns_path, f"/checks/{self.reading.height_check_id}/", self.strike_path]
        again = f"/people/{self.invited('Rowan Ash').pk}/"  # being invited again ends the earlier link
        paths = [*of_work, *decisions, *self.furnished.pages(), *own, *others, *files, again, f"{again}invitation/"]
        searched = [
            "/people/?q=no-such",
            "/vehicles/?q=no-such",
            "/certificates/?q=no-such",
            "/alerts/?q=no-such",
            "/sign-ins/?q=no-such",
        ]
        made = [Visit("/tablets/", pressed="Enrol a tablet"), Visit(f"{again}invitation/", pressed="Invite again")]
        made.append(Visit("/account/calendar/", pressed="Make an address"))
        visits = [*map(Visit, [*paths, *searched]), Visit("/vehicles/?sort=price", 422), *made]
        forms = [*self._forms(), "/tablets/import/", f"/tablets/{self.tablet_id}/", *own[1:4]]
        return Person("manager", session_of(browser), visits, forms)

    def _forms(self) -> list[str]:
        of_furniture = [path for path in self.furnished.pages() if has_form(path)]
        decided = [f"/alerts/{self.at_work.alert.pk}/", self.asked.approval_path, self.asked.finding_path]
        decided.append(self.conflict_path)
        hook = f"/webhooks/{self.at_work.webhook.pk}/"
        webhooks = ["/webhooks/new/", hook]
        imports = ["/imports/new/", self.at_work.columns_path]
        return [*of_furniture, self.check_path, self.strike_path, "/certificates/1/", *decided, *webhooks, *imports]

    def _secured(self) -> Person:
        """Who has an authenticator app, a passkey, and recovery codes, and has just proved who they are."""
        person = self.site.person("manager")
        browser = signed_in(person)
        set_up_app(browser, person)
        confirm_password(browser, person, "/account/")
        within = "/account/second-factor/"
        made = Passkey().made(options_in(browser.get(f"{within}webauthn/add/"), "creation_options"))
        browser.post(f"{within}webauthn/add/", {"name": "Telephone", "credential": made})
        key = Authenticator.objects.get(user_id=person.membership.user_id, type="webauthn")
        parts = ["", "reauthenticate/", "totp/deactivate/", "recovery-codes/", "recovery-codes/generate/"]
        keys = ["", "add/", "reauthenticate/", f"keys/{key.pk}/edit/", f"keys/{key.pk}/remove/"]
        paths = [within + part for part in parts] + [f"{within}webauthn/{part}" for part in keys]
        forms = [f"{within}reauthenticate/", f"{within}webauthn/keys/{key.pk}/edit/"]
        return Person("with a second factor", session_of(browser), [Visit(path) for path in paths], forms)

    def _half_signed_in(self) -> Person:
        person = self.site.person("technician")
        set_up_app(signed_in(person), person)
        browser, _answer = sign_in(person.email, person.password)
        path = "/account/second-factor/authenticate/"
        return Person("with the password only", session_of(browser), [Visit(path)], [path])

    def _barred(self) -> Person:
        """A technician, and who sets up a first second factor."""
        technician = signed_in(self.site.technician)
        confirm_password(technician, self.site.technician, "/account/")
        app = "/account/second-factor/totp/activate/"
        visits = [Visit("/people/", 403), Visit("/account/second-factor/"), Visit(app), Visit("/"), Visit("/tablets/")]
        return Person("technician", session_of(technician), visits, [app])

    def _new(self) -> Person:
        lists = ["/", "/vehicles/", "/due/", "/certificates/", "/parked-work/", "/approvals/", "/operators/", "/bays/"]
        setting_up = [
            "/instruments/",
            "/measurements/",
            "/vehicle-models/",
            "/tablets/",
            "/first-steps/",
            "/people/",
            "/sign-ins/",
            "/exports/",
            "/archives/",
        ]
        paths = [*lists, *setting_up, "/imports/", "/vehicles/new/", "/vehicles/labels/", "/worksheet/"]
        session = session_of(signed_in(make_site().manager))
        return Person("manager of an empty workshop", session, [*map(Visit, paths)], ["/archives/"])

    def invited(self, name: str = "Kim Arden") -> Membership:
        with in_workshop(self.site.workshop.pk):
            found = Membership.objects.select_related("user").filter(name=name).first()
            if found is not None:
                return found
        body = {"email": f"{name[:3]}-{self.site.workshop.pk.hex}@example.com", "name": name, "roles": ["technician"]}
        made = self.site.manager.client().post("/api/v1/people/", body).json()
        with in_workshop(self.site.workshop.pk):
            return Membership.objects.select_related("user").get(pk=made["id"])

    def invitation(self) -> str:
        person = self.invited()
        with in_workshop(self.site.workshop.pk):
            return f"/invitation/{services.invitation_code(Invitation.objects.get(membership=person))}/"

    def accepted_invitation(self) -> str:
        person = self.invited("Robin Birch")
        with in_workshop(self.site.workshop.pk):
            path = f"/invitation/{services.invitation_code(Invitation.objects.get(membership=person))}/"
        accepted: str = Client().post(path, {"password": "slate-harbour-lamp-77", "pin": "0471"})["Location"]
        return accepted

    def password_link(self) -> str:
        person = self.site.person("technician")
        with in_workshop(self.site.workshop.pk):
            services.password_link_ask(actor=self.site.manager.actor(), person=person.membership)
            user = Membership.objects.select_related("user").get(pk=person.membership.pk).user
        return f"/new-password/{services.password_link_code(user)}/"

    def files_handed_in(self) -> bool:
        return OutboxFile.objects.exists()

    def _code(self) -> str:
        with in_workshop(self.site.workshop.pk):
            return Certificate.objects.get(number=1).code


def conflict_on(site: Site, tablet_id: str) -> HeadConflict:
    """A head that no known key signed, as a tablet offers it."""
    with in_workshop(site.workshop.pk):
        head = Head(origin_of(site.workshop.pk), 9, b"r" * 32, timezone.now(), 0)
        note = signed(head, Ed25519PrivateKey.generate())
        actor = Actor.system(site.workshop.pk, timezone.now())
        assert services.heads_compare(actor=actor, tablet_id=UUID(tablet_id), notes=[note]) == ["unknown_key"]
        return HeadConflict.objects.get()


def reading_of(site: Site, vehicle: Vehicle) -> HeightCheckReading:
    with in_workshop(site.workshop.pk):
        check = height_check_record(
            actor=site.technician.actor(),
            record_id=new_id(),
            vehicle=vehicle,
            taken_at=timezone.now(),
            readings=[{"corner": corner, "height_mm": Decimal(495)} for corner in ("FL", "FR", "RL", "RR")],
            loading="as_specified",
        )
        return HeightCheckReading.objects.get(height_check=check, corner="FL")


def signed_in(person: Any) -> Client:
    browser = browser_of(person)
    browser.get("/choose-workshop/")
    return browser


def session_of(browser: Client) -> str:
    return browser.cookies["sessionid"].value


def has_form(path: str) -> bool:
    """Whether the page's view takes a form of its own."""
    view = resolve(path.partition("?")[0]).func
    return hasattr(getattr(view, "view_class", None), "post")
