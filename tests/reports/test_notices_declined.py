"""Doing without e-mails: by choice, or by the link that each has."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.core import mail
from django.db import IntegrityError, transaction
from django.test import Client
from django.utils import timezone

from fleet import outbox
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from reports.models import DeclinedNotice, Notice
from reports.selectors.notices import notices_for, read_stop_code, stop_code
from reports.selectors.recipients import Recipient
from reports.services.daily_round import round_go
from reports.services.notices import notice_decline, notices_choose
from tests.factories import Person, Site

from .rounds import Perform, alert, round_at, system, to

Items = Callable[..., list[OutboxItem]]


class TestDoingWithout:
    def choose(self, site: Site, person: Person, *wanted: str) -> None:
        with in_workshop(site.workshop.pk):
            notices_choose(actor=person.actor(), wanted=wanted)

    def test_people_choose_by_kind_and_others_get_theirs(self, quiet: Site, perform_all: Perform) -> None:
        second = quiet.person("manager")
        perform_all(quiet)
        self.choose(quiet, quiet.manager, "checks")
        now = timezone.now()
        alert(quiet, quiet.vehicle(), now - timedelta(hours=1))
        sent = round_at(quiet, now, now - timedelta(days=1), perform_all)
        assert not to(sent, quiet.manager.email)
        assert to(sent, second.email)
        self.choose(quiet, quiet.manager, "checks", "alerts")
        assert to(round_at(quiet, now, now - timedelta(days=1), perform_all), quiet.manager.email)

    def test_a_choice_made_while_the_e_mail_waits_holds(self, quiet: Site, items: Items) -> None:
        now = timezone.now()
        alert(quiet, quiet.vehicle(), now - timedelta(hours=1))
        with in_workshop(quiet.workshop.pk):
            round_go(actor=system(quiet, now), since=now - timedelta(days=1))
        self.choose(quiet, quiet.manager)
        [item] = items(quiet, "reports.alerts_email", membership=str(quiet.manager.membership.pk))
        assert outbox.perform(quiet.workshop.pk, item.pk)
        assert not to(mail.outbox, quiet.manager.email)

    def test_roles_say_what_is_offered(self, quiet: Site) -> None:
        contact = quiet.person("operator_contact", operator=quiet.operator().pk)
        deputy = quiet.person("technician", may_approve=True)
        assert notices_for(contact.membership) == [
            Notice.CERTIFICATE,
            Notice.ALERTS,
            Notice.CHECKS,
            Notice.CHECKPOINT,
        ]
        assert notices_for(deputy.membership) == [Notice.APPROVAL]
        assert notices_for(quiet.technician.membership) == []

    def test_a_link_ends_one_kind_for_an_operator_without_signing_in(self, quiet: Site, perform_all: Perform) -> None:
        vehicle = quiet.vehicle()
        with in_workshop(quiet.workshop.pk):
            code = stop_code(Recipient("operator", vehicle.operator_id), Notice.ALERTS)
        browser = Client(enforce_csrf_checks=True)
        assert browser.get(f"/notices/{code}/").status_code == 200
        with in_workshop(quiet.workshop.pk):
            assert not DeclinedNotice.objects.exists(), "looking changes nothing"
        for _ in range(2):
            assert browser.post(f"/notices/{code}/", {"List-Unsubscribe": "One-Click"}).status_code == 200
        now = timezone.now()
        alert(quiet, vehicle, now - timedelta(hours=1))
        assert not to(round_at(quiet, now, now - timedelta(days=1), perform_all), vehicle.operator.email)
        with in_workshop(quiet.workshop.pk):
            assert DeclinedNotice.objects.get().kind == Notice.ALERTS

    @pytest.mark.parametrize("spoilt", ["", "x", "altered"])
    def test_an_altered_link_is_none(self, quiet: Site, spoilt: str) -> None:
        with in_workshop(quiet.workshop.pk):
            code = stop_code(Recipient("operator", quiet.operator().pk), Notice.ALERTS)
        bad = code[:-4] + ("AAAA" if not code.endswith("AAAA") else "BBBB") if spoilt == "altered" else code + spoilt
        assert (read_stop_code(bad) is None) == bool(spoilt)
        assert Client().get(f"/notices/{bad}/").status_code == (404 if spoilt else 200)

    def test_the_database_keeps_one_choice_of_one_recipient(self, quiet: Site) -> None:
        with in_workshop(quiet.workshop.pk):
            recipient = Recipient("membership", quiet.manager.membership.pk)
            notice_decline(actor=system(quiet), recipient=recipient, kind=Notice.ALERTS)
            notice_decline(actor=system(quiet), recipient=recipient, kind=Notice.ALERTS)
            for values in (
                {"membership_id": recipient.id, "kind": "alerts"},
                {"kind": "alerts"},
                {"membership_id": recipient.id, "operator_id": quiet.operator().pk, "kind": "checks"},
            ):
                with pytest.raises(IntegrityError), transaction.atomic():
                    DeclinedNotice.objects.create(declined_at=timezone.now(), **values)
