"""A forecast whose day has passed without a measurement is told of once, in the daily e-mail of alerts."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core import mail
from django.core.mail import EmailMessage
from django.db.models import QuerySet
from django.utils import timezone

from calibration.rules.drift_course import day_of
from calibration.services.drift import CHANGED_KIND
from fleet import outbox, services
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import Membership, OutboxItem, Vehicle
from fleet.tenancy import in_workshop
from reports.models import DriftAlert, Notice, WebhookDelivery
from reports.selectors.alerts import visible_alerts, with_has_passed
from reports.selectors.recipients import Recipient
from reports.services.alerts import forecasts_passed
from reports.services.daily_round import round_go
from reports.services.notices import notice_decline
from reports.services.webhooks import webhook_add
from tests.elsewhere import move
from tests.factories import Site

from . import drifting, jobs
from .rounds import Perform, alert, round_at, system, to

SUBJECT = "corner is to be measured now"
HEADING = "Measure now:"
TELLS = "a day that passed without a measurement: measure it now."
STANDS = "The last measurement does not bear that out"
ZONES = ["UTC", "Europe/Berlin", "America/Los_Angeles", "Pacific/Auckland", "Pacific/Kiritimati", "Asia/Kathmandu"]
DAY = timedelta(days=1)


def trend(
    site: Site, vehicle: Vehicle, expected: datetime, opened: datetime | None = None, **fields: Any
) -> DriftAlert:
    """Of a corner that was measured 100 days before the moment at which it is expected outside."""
    measured = expected - 100 * DAY
    details = {
        "level_mm": -5.0,
        "rate_mm_per_year": -5.0,
        "measured_day": day_of(measured),
        "expected_outside_day": day_of(expected),
    }
    return alert(site, vehicle, opened or measured, **{"kind": "trend", "details": details, **fields})


def passed_trend(site: Site, vehicle: Vehicle, **fields: Any) -> DriftAlert:
    """One whose day ended at least a day ago, wherever the workshop is."""
    return trend(site, vehicle, timezone.now() - 3 * DAY, **fields)


def change(site: Site, found: DriftAlert, **figures: float) -> None:
    with in_workshop(site.workshop.pk):
        DriftAlert.objects.filter(pk=found.pk).update(details={**found.details, **figures})


def managers_mail(site: Site, at: datetime, perform_all: Perform) -> list[EmailMessage]:
    """Those of alerts, in a round that covers a day."""
    sent = to(round_at(site, at, at - DAY, perform_all), site.manager.email)
    return [each for each in sent if "alert" in each.subject or "to be measured" in each.subject]


def days_told(site: Site, zone: str, first: date, days: int, perform_all: Perform) -> list[date]:
    """On which of so many days the morning's e-mail to the manager says that something is to be measured now."""
    mornings = [datetime.combine(first + each * DAY, time(6), ZoneInfo(zone)) for each in range(days)]
    return [
        morning.date()
        for morning in mornings
        for message in managers_mail(site, morning.astimezone(UTC), perform_all)
        if TELLS in str(message.body)
    ]


def sinking(site: Site, perform_all: Perform) -> Vehicle:
    """Measured 320 days ago, and forecast to leave within a few months of it; its alerts are not new."""
    vehicle = site.vehicle(operator=site.operator())
    drifting.sinking(site, vehicle, site.instrument(), last_days_ago=320)
    perform_all(site)
    with in_workshop(site.workshop.pk):
        DriftAlert.objects.update(opened_at=timezone.now() - 300 * DAY)
    return vehicle


class TestOnce:
    @pytest.mark.parametrize("zone", ZONES)
    @pytest.mark.parametrize("expected_at", [time(0), time(12), time(23, 59, 59)])
    @pytest.mark.parametrize("expected", [date(2027, 3, 27), date(2027, 10, 30), date(2027, 12, 31)])
    def test_in_the_morning_after_the_day_where_the_workshop_is(
        self, quiet: Site, zone: str, expected: date, expected_at: time, perform_all: Perform
    ) -> None:
        """Whenever on its day; where clocks are changed the night after, too."""
        move(quiet, zone)
        trend(quiet, quiet.vehicle(), datetime.combine(expected, expected_at, ZoneInfo(zone)).astimezone(UTC))
        assert days_told(quiet, zone, expected - DAY, 5, perform_all) == [expected + DAY]

    def test_not_a_minute_before_midnight_and_at_midnight(self, quiet: Site, perform_all: Perform) -> None:
        for zone in ZONES:
            move(quiet, zone)
            there = ZoneInfo(zone)
            noon, midnight = datetime(2027, 6, 9, 12, tzinfo=there), datetime(2027, 6, 10, tzinfo=there).astimezone(UTC)
            found = trend(quiet, quiet.vehicle(), noon.astimezone(UTC))
            assert not managers_mail(quiet, midnight - timedelta(minutes=1), perform_all)
            assert len(managers_mail(quiet, midnight, perform_all)) == 1
            with in_workshop(quiet.workshop.pk):
                DriftAlert.objects.filter(pk=found.pk).delete()

    def test_a_seeded_fault_that_forgets_what_was_told_is_found(
        self, quiet: Site, perform_all: Perform, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def forgetful(now: datetime, opened_by: datetime) -> QuerySet[Any]:
            return with_has_passed(DriftAlert.objects.all(), now).filter(has_passed=True, opened_at__lte=opened_by)

        monkeypatch.setattr("reports.services.alerts.passed_untold", forgetful)
        trend(quiet, quiet.vehicle(), datetime(2027, 3, 27, 12, tzinfo=UTC))
        move(quiet, "UTC")
        assert len(days_told(quiet, "UTC", date(2027, 3, 27), 4, perform_all)) == 3

    def test_of_one_measurement_no_other_day_is_told_again(self, quiet: Site, perform_all: Perform) -> None:
        """A model's fleet teaches another rate, or the workshop moves: the forecast's day moves, and passes again."""
        move(quiet, "Pacific/Auckland")
        noon = datetime(2027, 6, 9, 12, tzinfo=ZoneInfo("Pacific/Auckland")).astimezone(UTC)
        found = trend(quiet, quiet.vehicle(), noon)
        assert days_told(quiet, "Pacific/Auckland", date(2027, 6, 9), 3, perform_all) == [date(2027, 6, 10)]
        move(quiet, "America/Los_Angeles")
        assert not days_told(quiet, "America/Los_Angeles", date(2027, 6, 8), 5, perform_all)
        change(quiet, found, expected_outside_day=day_of(noon + 5 * DAY))
        assert not days_told(quiet, "America/Los_Angeles", date(2027, 6, 13), 5, perform_all)

    def test_measured_anew_the_next_forecast_is_told_when_it_passes(self, quiet: Site, perform_all: Perform) -> None:
        move(quiet, "UTC")
        noon = datetime(2027, 6, 9, 12, tzinfo=UTC)
        found = trend(quiet, quiet.vehicle(), noon)
        assert days_told(quiet, "UTC", date(2027, 6, 9), 3, perform_all) == [date(2027, 6, 10)]
        later = {"measured_day": day_of(noon + 3 * DAY), "expected_outside_day": day_of(noon + 20 * DAY)}
        change(quiet, found, **later)
        assert days_told(quiet, "UTC", date(2027, 6, 12), 30, perform_all) == [date(2027, 6, 30)]
        change(quiet, found)  # the later one was struck
        assert not days_told(quiet, "UTC", date(2027, 7, 12), 3, perform_all)

    def test_many_of_long_ago_come_in_one_e_mail(self, quiet: Site, perform_all: Perform) -> None:
        """As after an upgrade from a version that told of none."""
        vehicles = [quiet.vehicle() for _ in range(4)]
        for months, vehicle in enumerate(vehicles, start=1):
            for place in ("FL", "RR"):
                trend(quiet, vehicle, timezone.now() - months * 30 * DAY, place=place)
        now = timezone.now()
        [message] = managers_mail(quiet, now, perform_all)
        assert message.subject == "8 corners are to be measured now"
        assert str(message.body).count(TELLS) == 8
        assert all(str(message.body).count(vehicle.vin) == 2 for vehicle in vehicles)
        assert not managers_mail(quiet, now + DAY, perform_all)

    def test_beside_what_is_new_and_what_is_new_only_there(self, quiet: Site, perform_all: Perform) -> None:
        now, vehicle = timezone.now(), quiet.vehicle()
        passed_trend(quiet, vehicle)
        passed_trend(quiet, vehicle, place="RR", opened=now - timedelta(hours=2))
        passed_trend(quiet, vehicle, place="RL", opened=now - timedelta(minutes=1))  # not settled
        [message] = managers_mail(quiet, now, perform_all)
        assert message.subject == "1 corner is to be measured now, 1 alert was opened, 0 were resolved"
        earlier, _, new = str(message.body).partition("Opened:")
        assert earlier.count(TELLS) == new.count(TELLS) == 1
        assert HEADING in earlier
        [message] = managers_mail(quiet, now + DAY - timedelta(minutes=10), perform_all)
        assert message.subject.startswith("1 alert was opened")
        assert HEADING not in message.body
        assert not managers_mail(quiet, now + 2 * DAY, perform_all)

    def test_sent_again_days_later_it_says_the_same(self, quiet: Site, perform_all: Perform) -> None:
        """A forecast that passes while the mail server is down is told of with the next e-mail, and only there."""
        move(quiet, "UTC")
        morning = datetime(2027, 6, 9, 6, tzinfo=UTC)
        trend(quiet, quiet.vehicle(), morning, opened=morning - timedelta(hours=3))
        [message] = managers_mail(quiet, morning, perform_all)
        with in_workshop(quiet.workshop.pk):
            item = OutboxItem.objects.filter(kind="reports.alerts_email", payload__has_key="membership").last()
            assert item is not None
            mail.outbox.clear()
            outbox.handlers()[item.kind](system(quiet, morning + 2 * DAY), item.payload)
        [again] = mail.outbox
        assert str(again.body).partition("/notices/")[0] == str(message.body).partition("/notices/")[0]
        assert TELLS not in again.body
        assert again.message()["Message-ID"] == message.message()["Message-ID"]

    def test_a_round_that_is_gone_twice_notes_nothing_twice(self, quiet: Site) -> None:
        passed_trend(quiet, quiet.vehicle())
        now = timezone.now()
        with in_workshop(quiet.workshop.pk):
            found = [forecasts_passed(actor=system(quiet, now), opened_by=now) for _ in range(2)]
        assert [len(each) for each in found] == [1, 0]


class TestNotAtAll:
    def test_once_measured(self, quiet: Site, perform_all: Perform) -> None:
        vehicle = sinking(quiet, perform_all)
        drifting.checked(quiet, vehicle, days_ago=0.1, instrument=quiet.instrument(), FL=486)
        perform_all(quiet)
        assert not any(TELLS in str(each.body) for each in managers_mail(quiet, timezone.now() + DAY, perform_all))

    def test_told_where_it_was_not_measured(self, quiet: Site, perform_all: Perform) -> None:
        """Negative control of those around it."""
        vehicle = sinking(quiet, perform_all)
        [message] = managers_mail(quiet, timezone.now(), perform_all)
        assert SUBJECT in message.subject
        assert vehicle.vin in message.body

    @pytest.mark.parametrize(("seeded", "told"), [(False, 0), (True, 1)])
    def test_where_the_alert_stands_though_its_corner_was_measured(
        self, quiet: Site, perform_all: Perform, monkeypatch: pytest.MonkeyPatch, seeded: bool, told: int
    ) -> None:
        """Pages do not say so either; a seeded fault, to which no measurement is later, does."""
        vehicle = sinking(quiet, perform_all)
        drifting.checked(quiet, vehicle, days_ago=0.1, instrument=quiet.instrument(), FL=488)
        perform_all(quiet)
        if seeded:
            monkeypatch.setattr("reports.selectors.alerts.SAME_TIME", 1e6)
        with in_workshop(quiet.workshop.pk):
            stands = visible_alerts(quiet.manager.actor()).get(vehicle=vehicle, kind="trend", state="open")
            assert (stands.has_passed, stands.is_outdated) == (seeded, not seeded)
        bodies = "".join(str(each.body) for each in managers_mail(quiet, timezone.now(), perform_all))
        assert bodies.count(TELLS) == told
        detail = quiet.manager.client().get(f"/api/v1/alerts/{stands.pk}/").json()["detail"]
        assert (STANDS in detail, TELLS in detail) == (not seeded, seeded)

    def test_where_a_measurement_waits_to_be_taken_in(self, quiet: Site, perform_all: Perform) -> None:
        """A worker that was away goes the round first."""
        vehicle = sinking(quiet, perform_all)
        drifting.checked(quiet, vehicle, days_ago=0.1, instrument=quiet.instrument(), FL=488)
        now = timezone.now()
        with in_workshop(quiet.workshop.pk):
            assert OutboxItem.objects.filter(kind=CHANGED_KIND, state="waiting").exists()
            assert not forecasts_passed(actor=system(quiet, now), opened_by=now)
            OutboxItem.objects.filter(kind=CHANGED_KIND).update(state="done", finished_at=now)
            assert forecasts_passed(actor=system(quiet, now), opened_by=now), "it was that which held it up"

    @pytest.mark.parametrize(("measured", "told"), [(True, 0), (False, 1)])
    def test_where_it_was_measured_between_round_and_sending(
        self, quiet: Site, perform_all: Perform, measured: bool, told: int
    ) -> None:
        vehicle, now = sinking(quiet, perform_all), timezone.now()
        mail.outbox.clear()
        with in_workshop(quiet.workshop.pk):
            round_go(actor=system(quiet, now), since=now - DAY)
            waiting = OutboxItem.objects.filter(kind="reports.alerts_email", state="waiting")
            assert waiting.count() == 2, "to manager and operator"
            waiting.update(due_at=now + DAY)
        if measured:
            drifting.checked(quiet, vehicle, days_ago=0.1, instrument=quiet.instrument(), FL=486)
        perform_all(quiet)
        with in_workshop(quiet.workshop.pk):
            waiting.update(due_at=now)
        perform_all(quiet)
        assert [TELLS in str(each.body) for each in to(mail.outbox, quiet.manager.email)].count(True) == told

    def test_of_an_alert_that_is_resolved(self, quiet: Site, perform_all: Perform) -> None:
        now = timezone.now()
        resolved = {"state": "resolved", "resolution": "put_right", "resolved_at": now - 2 * DAY}
        passed_trend(quiet, quiet.vehicle(), **resolved)
        assert not managers_mail(quiet, now, perform_all)

    def test_in_the_bay_it_waits_until_the_job_ended_without_a_measurement(
        self, quiet: Site, perform_all: Perform
    ) -> None:
        vehicle = quiet.vehicle()
        passed_trend(quiet, vehicle)
        bench = jobs.Bench.at(quiet, vehicle=vehicle)
        bench.receive()
        perform_all(quiet)
        now = timezone.now()
        assert not managers_mail(quiet, now, perform_all)
        bench.end()
        with in_workshop(quiet.workshop.pk):  # nothing of it is judged here
            OutboxItem.objects.filter(kind=CHANGED_KIND, state="waiting").update(state="done", finished_at=now)
        assert SUBJECT in managers_mail(quiet, now + DAY, perform_all)[0].subject


class TestWhom:
    def test_operators_are_told_of_what_is_theirs_now(self, quiet: Site, perform_all: Perform) -> None:
        """Whoever had a vehicle when its alert was opened learns of it for other reasons only."""
        theirs, sold = quiet.vehicle(operator=quiet.operator(email="a@example.com")), quiet.vehicle()
        before, now = sold.operator, timezone.now()
        for vehicle in (theirs, sold):
            passed_trend(quiet, vehicle, opened=now - timedelta(hours=3))
        with in_workshop(quiet.workshop.pk):
            services.vehicle_update(
                actor=quiet.manager.actor(now),
                vehicle_id=sold.pk,
                expected_versions=[sold.version],
                changes={"operator": theirs.operator_id},
            )
        alert(quiet, quiet.vehicle(operator=before), now - timedelta(hours=1))
        perform_all(quiet)
        sent = round_at(quiet, now, now - timedelta(hours=2), perform_all)
        [manager], [operator], [former] = (
            to(sent, who) for who in (quiet.manager.email, "a@example.com", before.email)
        )
        assert manager.subject.startswith("2 corners are to be measured now")
        assert (theirs.vin in operator.body, sold.vin in operator.body) == (True, False)
        assert sold.vin not in former.body
        assert not to(sent, quiet.technician.email)

    def test_who_does_without_e_mails_of_alerts_is_not_told(self, quiet: Site, perform_all: Perform) -> None:
        passed_trend(quiet, quiet.vehicle())
        with in_workshop(quiet.workshop.pk):
            recipient = Recipient("membership", quiet.manager.membership.pk)
            notice_decline(actor=system(quiet), recipient=recipient, kind=Notice.ALERTS)
        assert not managers_mail(quiet, timezone.now(), perform_all)

    def test_it_is_in_the_readers_language(self, quiet: Site, perform_all: Perform) -> None:
        with in_workshop(quiet.workshop.pk):
            Membership.objects.filter(pk=quiet.manager.membership.pk).update(language="de")
        passed_trend(quiet, quiet.vehicle())
        now = timezone.now()
        [message] = to(round_at(quiet, now, now - DAY, perform_all), quiet.manager.email)
        assert message.subject == "1 Ecke ist jetzt zu messen"
        assert "Jetzt messen:" in message.body


class TestWebhooks:
    @pytest.mark.parametrize("event", ["alert.passed", "alert.opened"])
    def test_are_told_once_for_each_measurement(self, quiet: Site, event: str) -> None:
        vehicle, now = quiet.vehicle(), timezone.now()
        found = passed_trend(quiet, vehicle)
        with in_workshop(quiet.workshop.pk):
            webhook_add(
                actor=quiet.manager.actor(), record_id=new_id(), url="https://hooks.example.com/", events=[event]
            )

        def told(at: datetime) -> list[dict[str, Any]]:
            with in_workshop(quiet.workshop.pk):
                forecasts_passed(actor=Actor.system(quiet.workshop.pk, at), opened_by=at)
                return [json.loads(each.body) for each in WebhookDelivery.objects.order_by("created_at")]

        wanted = int(event == "alert.passed")
        assert [len(told(now)), len(told(now + DAY))] == [wanted, wanted]
        figures = found.details
        change(quiet, found, measured_day=figures["measured_day"] + 5)
        bodies = told(now + 2 * DAY)
        assert len(bodies) == 2 * wanted
        for body in bodies:
            assert body["data"]["alert"] == str(found.pk)
            assert date.fromisoformat(body["data"]["expected_outside_on"]) < now.date()
            assert vehicle.vin not in json.dumps(body)
