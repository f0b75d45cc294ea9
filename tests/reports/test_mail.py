"""E-mail: who gets what, once each, and recognisably the same when it is sent again."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core import mail
from django.core.mail import EmailMessage
from django.utils import timezone

from calibration.models import Finding
from calibration.services.decisions import approval_decide
from calibration.services.proposals import proposal_enter
from fleet import outbox
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import Invitation, Membership, OutboxItem, Workshop
from fleet.services import invitation_code, person_invite
from fleet.tenancy import in_workshop
from reports.models import Certificate
from tests.factories import Site

from . import jobs

Items = Callable[..., list[OutboxItem]]
Perform = Callable[[Site], list[str]]


def repeat(site: Site, item: OutboxItem) -> None:
    with in_workshop(site.workshop.pk):
        outbox.handlers()[item.kind](Actor.system(site.workshop.pk, timezone.now()), item.payload)


def sent_to(address: str) -> list[EmailMessage]:
    return [message for message in mail.outbox if message.to == [address]]


def message_ids(messages: list[EmailMessage]) -> set[str]:
    return {message.message()["Message-ID"] for message in messages}


class TestCertificate:
    def test_goes_with_its_pdf_to_the_operator_and_every_contact_once(self, site: Site, perform_all: Perform) -> None:
        operator = site.operator(email="fleet@strand.example")
        contact = site.person("operator_contact", operator=operator.pk)
        site.person("operator_contact", operator=site.operator().pk)
        mail.outbox.clear()
        perform_all(site)
        mail.outbox.clear()
        bench = jobs.left_alone(site, vehicle=site.vehicle(operator=operator))
        perform_all(site)
        assert sorted(to for message in mail.outbox for to in message.to) == sorted(
            ["fleet@strand.example", contact.email]
        )
        with in_workshop(site.workshop.pk):
            certificate = Certificate.objects.get()
            pdf = bytes(certificate.file.pdf)
        [message] = sent_to("fleet@strand.example")
        assert message.attachments == [("certificate-1.pdf", pdf, "application/pdf")]
        assert bench.vehicle.vin in message.subject
        assert certificate.code in message.body
        assert len(message_ids(mail.outbox)) == 2

    def test_contact_with_the_operators_own_address_gets_one(self, site: Site, perform_all: Perform) -> None:
        operator = site.operator()
        contact = site.person("operator_contact", operator=operator.pk, email=operator.email)
        perform_all(site)
        mail.outbox.clear()
        jobs.left_alone(site, vehicle=site.vehicle(operator=operator))
        perform_all(site)
        assert len(sent_to(contact.email)) == len(mail.outbox) == 1

    def test_an_operator_without_an_address_gets_none_and_the_certificate_says_so(
        self, site: Site, perform_all: Perform
    ) -> None:
        perform_all(site)
        mail.outbox.clear()
        jobs.left_alone(site, vehicle=site.vehicle(operator=site.operator(email="")))
        assert "reports.certificate_email" not in perform_all(site)
        assert not mail.outbox
        with in_workshop(site.workshop.pk):
            assert Certificate.objects.get().recipients == 0

    def test_its_contact_gets_it_all_the_same(self, site: Site, perform_all: Perform) -> None:
        operator = site.operator(email="")
        contact = site.person("operator_contact", operator=operator.pk)
        perform_all(site)
        mail.outbox.clear()
        jobs.left_alone(site, vehicle=site.vehicle(operator=operator))
        perform_all(site)
        assert [message.to for message in mail.outbox] == [[contact.email]]
        with in_workshop(site.workshop.pk):
            assert Certificate.objects.get().recipients == 1

    def test_sent_again_carries_the_same_message_id(self, site: Site, items: Items, perform_all: Perform) -> None:
        jobs.left_alone(site)
        perform_all(site)
        mail.outbox.clear()
        [item] = items(site, "reports.certificate_email")
        for _ in range(2):
            repeat(site, item)
        assert len(mail.outbox) == 2
        assert len(message_ids(mail.outbox)) == 1

    def test_contact_who_left_meanwhile_gets_none(self, site: Site, items: Items, perform_all: Perform) -> None:
        operator = site.operator()
        contact = site.person("operator_contact", operator=operator.pk)
        perform_all(site)
        jobs.left_alone(site, vehicle=site.vehicle(operator=operator))
        [signed_off] = items(site, "calibration.job_signed_off")
        outbox.perform(site.workshop.pk, signed_off.pk)
        [issued] = items(site, "reports.certificate_issued")
        outbox.perform(site.workshop.pk, issued.pk)
        with in_workshop(site.workshop.pk):
            Membership.objects.filter(pk=contact.membership.pk).update(is_active=False)
        mail.outbox.clear()
        perform_all(site)
        assert len(mail.outbox) == 1
        assert not sent_to(contact.email)

    def test_server_that_refuses_leaves_the_item_waiting_with_its_error_and_the_certificate_issued(
        self, site: Site, items: Items, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        jobs.left_alone(site)
        for kind in ("calibration.job_signed_off", "reports.certificate_issued"):
            for item in items(site, kind):
                assert outbox.perform(site.workshop.pk, item.pk)
        [item] = items(site, "reports.certificate_email")

        def refuse(*_args: Any, **_options: Any) -> int:
            raise ConnectionRefusedError("no server there")

        monkeypatch.setattr(EmailMessage, "send", refuse)
        assert not outbox.perform(site.workshop.pk, item.pk)
        [item] = items(site, "reports.certificate_email")
        assert (item.state, item.error) == ("waiting", "ConnectionRefusedError: no server there")
        with in_workshop(site.workshop.pk):
            assert Certificate.objects.get().state == "issued"


class TestApproval:
    @pytest.fixture
    def bench(self, site: Site, perform_all: Perform) -> jobs.Bench:
        """A technician entered a proposal that somebody else must look at."""
        bench = jobs.Bench.at(site)
        bench.receive()
        bench.check_readiness()
        bench.measure((Decimal(470), Decimal(486), Decimal(504), Decimal(504)))
        perform_all(site)
        mail.outbox.clear()
        with in_workshop(site.workshop.pk):
            proposal = proposal_enter(
                actor=bench.actor(),
                record_id=new_id(),
                job_id=bench.job_id,
                setpoints={**jobs.COUNTS, "FL": 146, "RR": 130},
                justification="Seen before on this model.",
            )
        assert proposal.outcome == "needs_approval"
        return bench

    def test_is_asked_of_those_who_may_decide_and_did_not_work_on_it(
        self, site: Site, bench: jobs.Bench, perform_all: Perform
    ) -> None:
        deputy = site.person("technician", may_approve=True)
        site.person("auditor")
        with in_workshop(site.workshop.pk):
            Membership.objects.filter(pk=deputy.membership.pk).update(language="de")
        perform_all(site)
        assert [message.to for message in mail.outbox if "Freigabe" in message.subject] == [[deputy.email]]
        mail.outbox[:] = [message for message in mail.outbox if message.to != [deputy.email]]
        mail.outbox[:] = [message for message in mail.outbox if "Approval" in message.subject]
        assert [message.to for message in mail.outbox] == [[site.manager.email]]
        assert bench.vehicle.vin in mail.outbox[0].body
        assert "This must be approved before it is written: " in mail.outbox[0].body

    def test_is_not_asked_once_it_is_decided(
        self, site: Site, bench: jobs.Bench, items: Items, perform_all: Perform
    ) -> None:
        approval = bench.case().approvals[0]
        [item] = items(site, "calibration.approval_requested")
        outbox.perform(site.workshop.pk, item.pk)
        with in_workshop(site.workshop.pk):
            approval_decide(
                actor=site.manager.actor(bench.now),
                record_id=new_id(),
                approval_id=approval.pk,
                decision="approve",
                reason="Right",
                content_sha256=approval.content_sha256,
            )
        perform_all(site)
        assert not [message for message in mail.outbox if "Approval" in message.subject]


class TestLateRecord:
    def test_is_put_before_the_manager(self, site: Site, perform_all: Perform) -> None:
        bench = jobs.left_alone(site)
        perform_all(site)
        mail.outbox.clear()
        bench.measure(jobs.WITHIN)
        with in_workshop(site.workshop.pk):
            assert Finding.objects.filter(code="recorded_after_close").exists()
        perform_all(site)
        [message] = mail.outbox
        assert message.to == [site.manager.email]
        assert "after job 1 was closed" in message.subject.lower()

    def test_sign_off_alone_is_none(self, site: Site, perform_all: Perform) -> None:
        perform_all(site)
        mail.outbox.clear()
        jobs.left_alone(site)
        perform_all(site)
        assert not [message for message in mail.outbox if message.to == [site.manager.email]]


class TestInvitation:
    @pytest.fixture
    def invited(self, site: Site, perform_all: Perform) -> tuple[Membership, Invitation]:
        perform_all(site)
        mail.outbox.clear()
        with in_workshop(site.workshop.pk):
            return person_invite(
                actor=site.manager.actor(),
                record_id=new_id(),
                email="new@workshop.example",
                name="New Person",
                roles=["technician"],
            )

    def test_carries_the_code_to_the_person(
        self, site: Site, invited: tuple[Membership, Invitation], perform_all: Perform
    ) -> None:
        with in_workshop(site.workshop.pk):
            Workshop.objects.update(time_zone="Pacific/Kiritimati")
        perform_all(site)
        [message] = mail.outbox
        assert message.to == ["new@workshop.example"]
        assert invitation_code(invited[1]) in message.body
        assert "(Pacific/Kiritimati)" in message.body, "the workshop's own zone"
        ends = invited[1].expires_at.astimezone(ZoneInfo("Pacific/Kiritimati"))
        assert f"{ends.day} {ends:%b %Y}, {ends:%H:%M} (" in message.body

    @pytest.mark.parametrize(
        ("of_the_workshop", "of_the_person", "subject"),
        [
            ("en", "", "Invitation to"),
            ("de", "", "Einladung"),
            ("en", "de", "Einladung"),
            ("de", "en", "Invitation to"),
        ],
    )
    def test_is_in_the_persons_language_or_else_in_the_workshops(
        self,
        site: Site,
        invited: tuple[Membership, Invitation],
        perform_all: Perform,
        of_the_workshop: str,
        of_the_person: str,
        subject: str,
    ) -> None:
        with in_workshop(site.workshop.pk):
            Workshop.objects.update(language=of_the_workshop)
            Membership.objects.filter(pk=invited[0].pk).update(language=of_the_person)
        perform_all(site)
        assert mail.outbox[0].subject.startswith(subject)

    def test_sent_again_carries_the_same_message_id(
        self, site: Site, invited: tuple[Membership, Invitation], items: Items
    ) -> None:
        [item] = items(site, "fleet.invitation_email", invitation=str(invited[1].pk))
        for _ in range(2):
            repeat(site, item)
        assert len(mail.outbox) == 2
        assert len(message_ids(mail.outbox)) == 1

    def test_that_was_accepted_or_has_expired_is_not_sent(
        self, site: Site, invited: tuple[Membership, Invitation], items: Items
    ) -> None:
        [item] = items(site, "fleet.invitation_email", invitation=str(invited[1].pk))
        with in_workshop(site.workshop.pk):
            Invitation.objects.filter(pk=invited[1].pk).update(expires_at=timezone.now())
        repeat(site, item)
        assert not mail.outbox


def test_name_with_a_line_break_cannot_add_a_header(site: Site, perform_all: Perform) -> None:
    perform_all(site)
    mail.outbox.clear()
    with in_workshop(site.workshop.pk):
        Workshop.objects.filter(pk=site.workshop.pk).update(name="Hollin\nBcc: all@workshop.example")
        person_invite(
            actor=site.manager.actor(),
            record_id=new_id(),
            email="new@workshop.example",
            name="New",
            roles=["auditor"],
        )
    perform_all(site)
    [message] = mail.outbox
    assert message.message()["Bcc"] is None
    assert message.subject == "Invitation to Hollin Bcc: all@workshop.example"


def test_invented_people_of_a_demo_workshop_get_nothing(db: None, no_hints: None, perform_all: Perform) -> None:
    from tests.factories import make_site

    site = make_site(is_demo=True)
    jobs.left_alone(site)
    mail.outbox.clear()
    assert "reports.certificate_email" in perform_all(site)
    assert not mail.outbox
