"""E-mails that come at most once a day: what they tell of, and to whom."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core import mail
from django.core.mail import EmailMessage
from django.db import IntegrityError, transaction
from django.utils import timezone

from fleet import outbox, services
from fleet.checkpoint_keys import known_keys
from fleet.ids import new_id
from fleet.models import Checkpoint, Membership, Operator, OutboxItem, Workshop
from fleet.signed_heads import public_key, verified
from fleet.tenancy import in_workshop
from reports.models import DriftAlert, Notice, Reminder
from reports.selectors.recipients import Recipient
from reports.services.certificates import certificate_send_again
from reports.services.daily_round import round_go
from reports.services.notices import notice_decline
from tests.elsewhere import move
from tests.factories import Site

from . import drifting, jobs
from .rounds import Perform, alert, round_at, system, to

Items = Callable[..., list[OutboxItem]]


def following(site: Site, due: datetime, late: Sequence[timedelta]) -> list[datetime]:
    """For when a round is planned by the one before, the first of which is due at a time; each goes so much later."""
    found = []
    with in_workshop(site.workshop.pk):
        rounds = OutboxItem.objects.filter(kind="reports.daily_round")
        for each in late:
            rounds.update(state="done", finished_at=timezone.now())
            round_go(actor=system(site, due.astimezone(UTC) + each), since=due - timedelta(days=1))
            due = rounds.get(state="waiting").due_at.astimezone(due.tzinfo)
            found.append(due)
    return found


class TestRound:
    def test_is_planned_for_the_next_morning_of_a_new_workshop(
        self, site: Site, perform_all: Perform, items: Items
    ) -> None:
        perform_all(site)
        [planned] = items(site, "reports.daily_round")
        with in_workshop(site.workshop.pk):
            zone = ZoneInfo(Workshop.objects.get().time_zone)
        assert planned.state == "waiting"
        assert planned.due_at.astimezone(zone).strftime("%H:%M") == "06:00"
        assert timedelta(0) < planned.due_at - planned.created_at <= timedelta(hours=25)

    def test_plans_the_next_one_and_only_one(self, quiet: Site, items: Items) -> None:
        now = timezone.now()
        with in_workshop(quiet.workshop.pk):
            OutboxItem.objects.filter(kind="reports.daily_round").update(state="done", finished_at=now)
            for _ in range(3):
                round_go(actor=system(quiet, now), since=now - timedelta(days=1))
        assert len([each for each in items(quiet, "reports.daily_round") if each.state == "waiting"]) == 1

    @pytest.mark.parametrize(
        "zone",
        ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Pacific/Kiritimati", "Pacific/Pago_Pago"],
    )
    @pytest.mark.parametrize(
        ("first", "days"),
        [(date(2027, 3, 12), 30), (date(2027, 10, 29), 12), (date(2027, 12, 30), 4), (date(2028, 2, 27), 4)],
    )
    def test_comes_once_on_each_day_of_the_workshop(self, quiet: Site, zone: str, first: date, days: int) -> None:
        """At six, though some days have 23 or 25 hours; over the ends of months and years, and a leap day."""
        move(quiet, zone)
        there = ZoneInfo(zone)
        expected = [datetime.combine(first + timedelta(days=each), time(6), there) for each in range(days)]
        assert following(quiet, expected[0], [timedelta()] * (days - 1)) == expected[1:]

    def test_comes_in_the_morning_of_another_zone_as_soon_as_the_workshop_is_there(
        self, quiet: Site, perform_all: Perform
    ) -> None:
        for zone in ("Pacific/Auckland", "America/New_York"):
            with in_workshop(quiet.workshop.pk):  # not due while this test runs
                OutboxItem.objects.filter(kind="reports.daily_round", state="waiting").update(
                    due_at=timezone.now() + timedelta(hours=12)
                )
            move(quiet, zone)
            assert "reports.daily_round" not in perform_all(quiet)
            with in_workshop(quiet.workshop.pk):
                planned = OutboxItem.objects.get(kind="reports.daily_round", state="waiting")
            assert planned.due_at.astimezone(ZoneInfo(zone)).strftime("%H:%M") == "06:00"
            assert planned.due_at - timezone.now() <= timedelta(hours=25)

    def test_a_worker_that_was_away_over_midnight_goes_the_missed_round_and_then_that_of_the_day(
        self, quiet: Site
    ) -> None:
        """Of two days without it goes one round."""
        move(quiet, "Europe/Berlin")
        there = ZoneInfo("Europe/Berlin")
        due, late = datetime(2027, 3, 27, 6, tzinfo=there), [timedelta(hours=20), timedelta(), timedelta(hours=50)]
        assert [each.day for each in following(quiet, due, late)] == [28, 29, 1]

    def test_a_demo_has_none(self, db: None, no_hints: None, perform_all: Perform, items: Items) -> None:
        from tests.factories import make_site

        site = make_site(is_demo=True)
        perform_all(site)
        assert not items(site, "reports.daily_round")

    def test_with_nothing_new_nobody_is_told(self, quiet: Site, perform_all: Perform) -> None:
        now = timezone.now()
        assert not round_at(quiet, now, now - timedelta(days=1), perform_all)

    def test_an_e_mail_that_fails_holds_up_no_other(
        self, quiet: Site, perform_all: Perform, items: Items, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        now = timezone.now()
        alert(quiet, quiet.vehicle(), now - timedelta(hours=1))
        with in_workshop(quiet.workshop.pk):
            round_go(actor=system(quiet, now), since=now - timedelta(days=1))
        manager, operator = items(quiet, "reports.alerts_email")
        with in_workshop(quiet.workshop.pk):
            OutboxItem.objects.filter(pk=manager.pk).update(payload={"since": "never"})
        assert not outbox.perform(quiet.workshop.pk, manager.pk)
        assert outbox.perform(quiet.workshop.pk, operator.pk)


class TestAlerts:
    def test_what_changed_goes_to_managers_and_to_the_vehicles_operator(
        self, quiet: Site, perform_all: Perform
    ) -> None:
        now, vehicle = timezone.now(), quiet.vehicle()
        other = quiet.vehicle(operator=quiet.operator(email="other@example.com"), vin="0LBWAGNX0RA900001")
        alert(quiet, vehicle, now - timedelta(hours=1))
        alert(quiet, other, now - timedelta(hours=1))
        perform_all(quiet)
        sent = round_at(quiet, now, now - timedelta(days=1), perform_all)
        [manager] = to(sent, quiet.manager.email)
        [operator] = to(sent, vehicle.operator.email)
        [another] = to(sent, "other@example.com")
        assert manager.subject.startswith("2 alerts were opened")
        assert vehicle.vin in operator.body
        assert other.vin not in operator.body
        assert other.vin in another.body
        assert vehicle.vin not in another.body
        assert not to(sent, quiet.technician.email)

    def test_the_next_day_says_only_what_is_new_then(self, quiet: Site, perform_all: Perform) -> None:
        now, vehicle = timezone.now(), quiet.vehicle()
        old = alert(quiet, vehicle, now - timedelta(days=2))
        assert not round_at(quiet, now, now - timedelta(days=1), perform_all)
        with in_workshop(quiet.workshop.pk):
            DriftAlert.objects.filter(pk=old.pk).update(
                state="resolved", resolution="checked", resolved_at=now - timedelta(hours=2)
            )
        [message] = to(round_at(quiet, now, now - timedelta(days=1), perform_all), quiet.manager.email)
        assert "0 alerts were opened, 1 was resolved" in message.subject
        assert "checked since" in message.body

    def test_windows_meet_without_gap_or_overlap(self, quiet: Site, perform_all: Perform) -> None:
        now, vehicle = timezone.now(), quiet.vehicle()
        places = ["FL", "FR", "RL", "RR"]
        for hours, place in zip((1, 3, 5, 7), places, strict=True):
            alert(quiet, vehicle, now - timedelta(hours=hours), place=place)
        told: list[str] = []
        since = now - timedelta(hours=9)
        with in_workshop(quiet.workshop.pk):
            OutboxItem.objects.filter(kind="reports.daily_round").update(state="done", finished_at=now)
        for hours in (8, 6, 4, 2, 0):
            sent = round_at(quiet, now - timedelta(hours=hours), since, perform_all)
            lines = [line for each in to(sent, quiet.manager.email) for line in str(each.body).splitlines()]
            told += [line for line in lines if line.startswith("- ")]
            with in_workshop(quiet.workshop.pk):
                planned = OutboxItem.objects.get(kind="reports.daily_round", state="waiting")
                since = datetime.fromisoformat(planned.payload["since"])
                OutboxItem.objects.filter(kind="reports.daily_round").update(state="done", finished_at=now)
        assert len(told) == len(set(told)) == 4

    def test_sent_again_it_is_the_same_message(self, quiet: Site, perform_all: Perform, items: Items) -> None:
        now = timezone.now()
        alert(quiet, quiet.vehicle(), now - timedelta(hours=1))
        round_at(quiet, now, now - timedelta(days=1), perform_all)
        item = items(quiet, "reports.alerts_email")[0]
        mail.outbox.clear()
        for _ in range(2):
            with in_workshop(quiet.workshop.pk):
                outbox.handlers()[item.kind](system(quiet), item.payload)
        first, second = mail.outbox
        assert first.message()["Message-ID"] == second.message()["Message-ID"]
        bodies = [
            re.sub(r"/notices/\S+", "", str(each.body)) for each in (first, second)
        ]  # links are signed with the time
        assert bodies[0] == bodies[1]

    def test_it_is_in_the_readers_language(self, quiet: Site, perform_all: Perform) -> None:
        now = timezone.now()
        with in_workshop(quiet.workshop.pk):
            Membership.objects.filter(pk=quiet.manager.membership.pk).update(language="de")
        alert(quiet, quiet.vehicle(), now - timedelta(hours=1))
        message: Any
        [message] = to(round_at(quiet, now, now - timedelta(days=1), perform_all), quiet.manager.email)
        assert message.subject.startswith("1 Warnung")
        [page] = [content for content, kind in message.alternatives if kind == "text/html"]
        assert '<html lang="de">' in page


class TestChecks:
    @pytest.fixture
    def measured(self, quiet: Site, perform_all: Perform) -> Any:
        """A vehicle whose check is due in five days: every six months."""
        vehicle = quiet.vehicle()
        drifting.checked(quiet, vehicle, days_ago=178, instrument=quiet.instrument())
        perform_all(quiet)
        return vehicle

    def test_are_noted_once_when_due_and_once_when_overdue(
        self, quiet: Site, measured: Any, perform_all: Perform
    ) -> None:
        now = timezone.now()
        days = []
        for day in range(40):
            sent = round_at(quiet, now + timedelta(days=day), now, perform_all)
            days += [(day, each.subject) for each in to(sent, quiet.manager.email) if "check" in each.subject]
        assert len(days) == 2
        assert days[0][0] == 0
        assert 2 <= days[1][0] <= 8
        with in_workshop(quiet.workshop.pk):
            noted = Reminder.objects.filter(vehicle=measured).order_by("noted_at")
            assert list(noted.values_list("stage", flat=True)) == ["due", "overdue"]

    def test_go_to_the_operator_too(self, quiet: Site, measured: Any, perform_all: Perform) -> None:
        now = timezone.now()
        [message] = to(round_at(quiet, now, now, perform_all), measured.operator.email)
        assert measured.vin in message.body
        assert "Due soon" in message.body

    def test_rest_while_the_vehicle_is_in_the_bay(self, quiet: Site, measured: Any, perform_all: Perform) -> None:
        bench = jobs.Bench.at(quiet, vehicle=measured)
        bench.receive()
        perform_all(quiet)
        now = timezone.now()
        assert not to(round_at(quiet, now, now, perform_all), measured.operator.email)

    def test_measured_anew_it_is_noted_anew(self, quiet: Site, measured: Any, perform_all: Perform) -> None:
        now = timezone.now()
        round_at(quiet, now, now, perform_all)
        drifting.checked(quiet, measured, days_ago=1)
        perform_all(quiet)
        assert not to(round_at(quiet, now + timedelta(days=1), now, perform_all), measured.operator.email)
        later = now + timedelta(days=172)
        assert to(round_at(quiet, later, later, perform_all), measured.operator.email)

    def test_the_database_keeps_one_reminder_of_one_thing(self, quiet: Site, measured: Any) -> None:
        day = timezone.localdate()
        fields = {"stage": "due", "done_on": day, "due_on": day, "noted_at": timezone.now()}
        with in_workshop(quiet.workshop.pk):
            Reminder.objects.create(vehicle=measured, **fields)
            for values in (
                {"vehicle": measured},
                {},
                {"vehicle": measured, "instrument": quiet.instrument(serial="T-BOTH")},
            ):
                with pytest.raises(IntegrityError, match="reports_reminder"), transaction.atomic():
                    Reminder.objects.create(**values, **fields)


class TestInstruments:
    def test_managers_are_told_when_due_and_when_overdue(self, quiet: Site, perform_all: Perform) -> None:
        now = timezone.now()
        with in_workshop(quiet.workshop.pk):
            zone = ZoneInfo(Workshop.objects.get().time_zone)
        today = now.astimezone(zone).date()
        for serial, days in (("T-DUE", 7), ("T-LATE", -1)):
            due_on = today + timedelta(days=days)
            quiet.instrument(serial=serial, calibrated_on=due_on - timedelta(days=365), calibration_due_on=due_on)

        def told(day: int) -> list[EmailMessage]:
            sent = round_at(quiet, now + timedelta(days=day), now, perform_all)
            return [each for each in sent if "calibration" in each.subject]

        [message] = told(0)
        assert message.to == [quiet.manager.email]
        overdue, due = str(message.body).index("T-LATE"), str(message.body).index("T-DUE")
        assert str(message.body).index("Overdue") < overdue < str(message.body).index("Due soon") < due
        assert not told(1)
        [later] = told(8)
        assert "T-DUE" in later.body
        assert "T-LATE" not in later.body


class TestHeads:
    @pytest.fixture
    def head(self, quiet: Site) -> Checkpoint:
        """Made an hour ago."""
        quiet.vehicle()
        with in_workshop(quiet.workshop.pk):
            made = services.checkpoint_make(actor=system(quiet, timezone.now() - timedelta(hours=1)))
        assert made is not None
        return made

    def told(self, site: Site, perform_all: Perform, days: int = 0) -> list[EmailMessage]:
        now = timezone.now() + timedelta(days=days)
        sent = round_at(site, now, now - timedelta(days=1), perform_all)
        return [each for each in sent if each.subject.startswith("Signed head")]

    def test_go_daily_to_managers_and_operators_and_can_be_checked(
        self, quiet: Site, head: Checkpoint, perform_all: Perform, tmp_path: Path
    ) -> None:
        sent = self.told(quiet, perform_all)
        with in_workshop(quiet.workshop.pk):
            operators = set(Operator.objects.filter(vehicles__isnull=False).values_list("email", flat=True))
        assert {each.to[0] for each in sent} == {quiet.manager.email, *operators}
        message = sent[0]
        [(name, content, _type)] = message.attachments
        assert name == f"head-{head.size}.txt"
        kept = tmp_path / name
        kept.write_text(content if isinstance(content, str) else content.decode(), encoding="utf-8")
        assert verified(kept.read_text(encoding="utf-8"), known_keys()).size == head.size
        assert head.note.strip() in message.body, "as text, too, for whoever prints it"
        assert f"verify_records --workshop {quiet.workshop.pk} --head {name}" in message.body
        [key] = re.findall(r"levelbook/workshops/\S+\+[0-9a-f]{8}\+\S+", str(message.body))
        assert verified(head.note, [public_key(key)]).size == head.size, "the key in it is the one that signed"

    def test_with_no_new_head_nobody_is_told(self, quiet: Site, head: Checkpoint, perform_all: Perform) -> None:
        assert self.told(quiet, perform_all)
        assert not self.told(quiet, perform_all, days=2)

    def test_can_be_done_without(self, quiet: Site, head: Checkpoint, perform_all: Perform) -> None:
        with in_workshop(quiet.workshop.pk):
            recipient = Recipient("membership", quiet.manager.membership.pk)
            notice_decline(actor=system(quiet), recipient=recipient, kind=Notice.CHECKPOINT)
        sent = self.told(quiet, perform_all)
        assert sent
        assert not to(sent, quiet.manager.email)


class TestSendingAgain:
    def test_goes_out_once_more_as_another_message_and_tells_no_webhook(
        self, quiet: Site, perform_all: Perform
    ) -> None:
        bench = jobs.left_alone(quiet)
        perform_all(quiet)
        with in_workshop(quiet.workshop.pk):
            certificate_send_again(actor=quiet.technician.actor(), record_id=new_id(), number=1)
        perform_all(quiet)
        messages = to(mail.outbox, bench.vehicle.operator.email)
        assert len(messages) == 2
        assert len({each.message()["Message-ID"] for each in messages}) == 2
        assert messages[0].attachments == messages[1].attachments
