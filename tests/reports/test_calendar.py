"""The calendar: what is due on which day, for whom, at an address that only they know."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Callable
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.utils import timezone
from icalendar import Calendar

from calibration.models import DriftSeries
from deploy.logs import conceal_secrets
from fleet import services
from fleet.ids import new_id
from fleet.models import CalendarFeed, Membership, Vehicle, Workshop
from fleet.tenancy import in_workshop
from tests.elsewhere import move
from tests.factories import Person, Site
from tests.fleet.signin.browsers import browser_of

from . import drifting, jobs

Perform = Callable[[Site], list[str]]
LONG_SERIAL = "Übermaß-Stahlband " + "ä" * 40


def address_of(person: Person) -> str:
    answer = person.client().put("/api/v1/me/calendar/", {})
    assert answer.status_code == 200, answer.content
    assert answer["Cache-Control"] == "no-store"
    address: str = answer.json()["address"]
    return address.removeprefix("http://127.0.0.1:8000")


def read(address: str, **headers: Any) -> Any:
    return Client().get(address, **headers)


def events_of(person: Person) -> dict[str, Any]:
    """By what each is called."""
    answer = read(address_of(person))
    assert answer.status_code == 200
    assert broken_rules(answer.content) == []
    return {str(each["summary"]): each for each in Calendar.from_ical(answer.content).walk("VEVENT")}


def broken_rules(content: bytes) -> list[str]:
    """RFC 5545 of lines (3.1), of the object (3.6) and of events (3.6.1), by what is there, not by any library."""
    if not content.endswith(b"\r\n") or content.replace(b"\r\n", b"").count(b"\n") or b"\r\r" in content:
        return ["lines end with CRLF"]
    lines = content.split(b"\r\n")[:-1]
    found = [f"folded at 75 octets: {line!r}" for line in lines if len(line) > 75]
    unfolded = content.replace(b"\r\n ", b"").decode().split("\r\n")
    names = Counter(line.partition(":")[0].partition(";")[0] for line in unfolded)
    blocks = "\n".join(unfolded).split("BEGIN:VEVENT\n")[1:]
    if (unfolded[0], unfolded[-2], unfolded[-1]) != ("BEGIN:VCALENDAR", "END:VCALENDAR", ""):
        found.append("one calendar")
    found += [f"{name} once" for name in ("PRODID", "VERSION") if names[name] != 1]
    for block in blocks:
        own = Counter(line.partition(":")[0].partition(";")[0] for line in block.split("END:VEVENT")[0].split("\n"))
        wanted = ("UID", "DTSTAMP", "DTSTART", "SUMMARY", "SEQUENCE", "LAST-MODIFIED")
        found += [f"{name} once in an event" for name in wanted if own[name] != 1]
        found += [] if "\nDTSTART;VALUE=DATE:" in f"\n{block}" else ["a whole day"]
    uids = [line for block in blocks for line in block.split("\n") if line.startswith("UID:")]
    return found + ["each UID once"] * (len(uids) != len(set(uids)))


@pytest.fixture
def measured(site: Site, perform_all: Perform) -> Vehicle:
    """A vehicle whose check is due in some months: every six."""
    vehicle = site.vehicle()
    drifting.checked(site, vehicle, days_ago=30, instrument=site.instrument())
    perform_all(site)
    return vehicle


@pytest.fixture
def contact(site: Site, measured: Vehicle) -> Person:
    return site.person("operator_contact", operator=measured.operator_id)


class TestContent:
    def test_checks_and_calibrations_stand_on_their_days(self, site: Site, measured: Vehicle) -> None:
        due_on = timezone.now().date() + timedelta(days=50)
        site.instrument(serial=LONG_SERIAL, calibration_due_on=due_on)
        events = events_of(site.technician)
        check = events[f"Height check due: {measured.registration}"]
        assert check["dtend"].dt - check["dtstart"].dt == timedelta(days=1)
        assert timedelta(days=145) < check["dtstart"].dt - timezone.now().date() < timedelta(days=160)
        assert measured.vin in check["description"]
        assert check["url"] == f"http://127.0.0.1:8000/vehicles/{measured.vin}/"
        assert check["transp"] == "TRANSPARENT"
        calibration = events[f"Calibration due: tape {LONG_SERIAL}"]
        assert calibration["dtstart"].dt == due_on

    def test_what_is_due_by_kilometres_says_so(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        for days_ago, km in ((60, 10_000), (30, 22_000)):
            drifting.checked(site, vehicle, days_ago=days_ago, odometer_km=km)
        perform_all(site)
        check = events_of(site.manager)[f"Height check due: {vehicle.registration}"]
        assert "Due at 42\u202f000 km" in check["description"]
        assert abs(check["dtstart"].dt - (timezone.now().date() + timedelta(days=20))) <= timedelta(days=1)

    def test_what_is_overdue_stays_on_its_day(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        drifting.checked(site, vehicle, days_ago=300)
        perform_all(site)
        check = events_of(site.manager)[f"Height check due: {vehicle.registration}"]
        assert check["dtstart"].dt < timezone.now().date()

    def test_by_months_it_is_the_same_day_wherever_the_workshop_is(
        self, site: Site, measured: Vehicle, perform_all: Perform
    ) -> None:
        days = set()
        for zone in ("Pacific/Auckland", "America/Los_Angeles"):
            with in_workshop(site.workshop.pk):
                Workshop.objects.update(time_zone=zone)
            days.add(events_of(site.manager)[f"Height check due: {measured.registration}"]["dtstart"].dt)
        assert len(days) == 1

    def test_no_person_or_operator_is_named(self, site: Site, measured: Vehicle) -> None:
        content = read(address_of(site.manager)).content.decode()
        operator = measured.operator
        for private in (operator.name, operator.email, site.manager.email, site.manager.membership.name):
            assert private not in content

    def test_it_is_in_the_readers_language(self, site: Site, measured: Vehicle) -> None:
        with in_workshop(site.workshop.pk):
            Membership.objects.filter(pk=site.manager.membership.pk).update(language="de")
        answer = read(address_of(site.manager), HTTP_ACCEPT_LANGUAGE="en")
        calendar: Any = Calendar.from_ical(answer.content)
        [check] = [each for each in calendar.walk("VEVENT") if measured.vin in each["description"]]
        assert check["summary"] == f"Höhenprüfung fällig: {measured.registration}"
        assert check["summary"].params["LANGUAGE"] == "de"
        assert f"NAME;LANGUAGE=de:Fällig bei {site.workshop.name}" in answer.content.decode()

    def test_programs_are_told_when_to_read_again(self, site: Site) -> None:
        assert b"REFRESH-INTERVAL;VALUE=DURATION:PT6H" in read(address_of(site.manager)).content

    @pytest.mark.parametrize(
        ("right", "spoilt", "rule"),
        [
            (b"\r\n", b"\n", "lines end with CRLF"),
            (b"\r\n ", b"", "folded at 75 octets"),
            (b"DTSTAMP", b"CREATED", "DTSTAMP once in an event"),
            (b"DTSTART;VALUE=DATE:", b"DTSTART:", "a whole day"),
            (b"END:VCALENDAR", b"", "one calendar"),
        ],
    )
    def test_the_rules_above_find_what_is_seeded(
        self, site: Site, measured: Vehicle, right: bytes, spoilt: bytes, rule: str
    ) -> None:
        content = read(address_of(site.manager)).content
        assert any(each.startswith(rule) for each in broken_rules(content.replace(right, spoilt)))


class TestChange:
    def test_what_is_due_another_day_is_the_same_event_with_a_later_sequence(
        self, site: Site, measured: Vehicle, perform_all: Perform, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        name = f"Height check due: {measured.registration}"
        before = events_of(site.manager)[name]
        later = timezone.now() + timedelta(minutes=1)
        monkeypatch.setattr(timezone, "now", lambda: later)
        drifting.checked(site, measured, days_ago=0)
        perform_all(site)
        after = events_of(site.manager)[name]
        assert after["uid"] == before["uid"]
        assert after["dtstart"].dt > before["dtstart"].dt
        assert after["sequence"] > before["sequence"]
        assert after["last-modified"].dt > before["last-modified"].dt

    def test_by_kilometres_the_day_may_be_another_in_another_zone(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        for days_ago, km in ((60, 10_000), (30, 22_000)):
            drifting.checked(site, vehicle, days_ago=days_ago, odometer_km=km)
        events = []
        for zone in ("Pacific/Kiritimati", "Pacific/Pago_Pago"):  # 25 hours apart
            move(site, zone, timezone.now())
            perform_all(site)
            events.append(events_of(site.manager)[f"Height check due: {vehicle.registration}"])
            with in_workshop(site.workshop.pk):
                DriftSeries.objects.update(due_changed_at=timezone.now() - timedelta(hours=1))
        before, after = events
        assert after["dtstart"].dt < before["dtstart"].dt
        assert after["last-modified"].dt > timezone.now() - timedelta(minutes=30)

    def test_one_known_outside_says_so_on_its_day_until_it_is_not(
        self, site: Site, measured: Vehicle, perform_all: Perform, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        before = events_of(site.manager)[f"Height check due: {measured.registration}"]
        found = {}
        for name, minutes, height in (("outside", 1, 470), ("within", 2, 486)):
            later = timezone.now() + timedelta(minutes=minutes)
            monkeypatch.setattr(timezone, "now", lambda at=later: at)
            drifting.checked(site, measured, days_ago=0, instrument=site.instrument(), FL=height)
            perform_all(site)
            found[name] = next(each for each in events_of(site.manager).values() if each["uid"] == before["uid"])
        assert found["outside"]["summary"] == f"Outside tolerance: {measured.registration}; height check due"
        assert before["sequence"] < found["outside"]["sequence"]

    def test_a_report_that_leaves_something_undone_changes_the_event(
        self, site: Site, measured: Vehicle, perform_all: Perform
    ) -> None:
        before = events_of(site.manager)[f"Height check due: {measured.registration}"]
        bench = jobs.Bench.at(site, vehicle=measured)
        bench.now = timezone.now() + timedelta(minutes=1)
        bench.receive()
        bench.end("The lift is out of order.")
        after = events_of(site.manager)[f"Adjustment not completed: {measured.registration}; height check due"]
        assert after["uid"] == before["uid"]
        assert after["sequence"] > before["sequence"]

    def test_what_is_looked_at_again_and_stays_is_not_changed(
        self, site: Site, measured: Vehicle, perform_all: Perform, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from calibration.services.drift import drift_bring_up_to_date
        from fleet.actor import Actor

        before = events_of(site.manager)
        later = timezone.now() + timedelta(hours=1)
        with in_workshop(site.workshop.pk):
            drift_bring_up_to_date(actor=Actor.system(site.workshop.pk, later), vehicle_id=measured.pk)
        assert events_of(site.manager) == before

    def test_a_calibrated_instrument_moves_and_a_withdrawn_one_is_gone(self, site: Site) -> None:
        today = timezone.now().astimezone(ZoneInfo(site.workshop.time_zone)).date()
        instrument = site.instrument(serial="T-MOVES", calibration_due_on=today + timedelta(days=3))
        before = events_of(site.manager)["Calibration due: tape T-MOVES"]
        with in_workshop(site.workshop.pk):
            services.instrument_calibrate(
                actor=site.manager.actor(),
                record_id=new_id(),
                instrument=instrument,
                calibrated_on=today,
                calibration_due_on=today + timedelta(days=300),
            )
        after = events_of(site.manager)["Calibration due: tape T-MOVES"]
        assert (after["uid"], after["sequence"] > before["sequence"]) == (before["uid"], True)
        assert after["dtstart"].dt == today + timedelta(days=300)
        with in_workshop(site.workshop.pk):
            services.instrument_withdraw(
                actor=site.manager.actor(),
                record_id=new_id(),
                instrument=instrument,
                kind="lost",
                since=today,
                reason="Not found.",
            )
        assert "Calibration due: tape T-MOVES" not in events_of(site.manager)


class TestWhoSeesWhat:
    def test_a_contact_has_their_operators_vehicles_and_no_instruments(
        self, site: Site, measured: Vehicle, contact: Person, perform_all: Perform
    ) -> None:
        other = site.vehicle(operator=site.operator())
        drifting.checked(site, other, days_ago=10)
        perform_all(site)
        assert set(events_of(contact)) == {f"Height check due: {measured.registration}"}
        assert len(events_of(site.manager)) >= 3

    def test_a_vehicle_that_was_sold_leaves_the_contacts_calendar(
        self, site: Site, measured: Vehicle, contact: Person
    ) -> None:
        assert events_of(contact)
        with in_workshop(site.workshop.pk):
            vehicle = Vehicle.objects.get(pk=measured.pk)
            services.vehicle_update(
                actor=site.manager.actor(),
                vehicle_id=vehicle.pk,
                expected_versions=[vehicle.version],
                changes={"operator": site.operator().pk},
            )
        assert not events_of(contact)

    def test_another_workshops_calendar_is_another_ones(self, site: Site, measured: Vehicle, other_site: Site) -> None:
        assert not [name for name in events_of(other_site.manager) if measured.registration in name]


class TestAddress:
    def test_is_kept_as_a_hash_only(self, site: Site) -> None:
        address = address_of(site.manager)
        code = address.split("/")[2]
        with in_workshop(site.workshop.pk):
            feed = CalendarFeed.objects.get(membership=site.manager.membership)
        assert len(bytes(feed.digest)) == 32
        assert code.encode() not in bytes(feed.digest)
        assert len(code) == 64

    def test_another_one_ends_the_one_before(self, site: Site) -> None:
        first, second = address_of(site.manager), address_of(site.manager)
        assert (read(first).status_code, read(second).status_code) == (404, 200)

    def test_withdrawn_it_leads_nowhere_and_may_be_withdrawn_again(self, site: Site) -> None:
        address, client = address_of(site.manager), site.manager.client()
        assert client.get("/api/v1/me/calendar/").json()["last_read_at"] is None
        read(address)
        assert client.get("/api/v1/me/calendar/").json()["last_read_at"]
        for _ in range(2):
            assert client.delete("/api/v1/me/calendar/").status_code == 204
        assert client.get("/api/v1/me/calendar/").status_code == 404
        assert read(address).status_code == 404

    def test_dies_with_the_membership_and_does_not_come_back_with_it(self, site: Site) -> None:
        person = site.person("auditor")
        address = address_of(person)
        for is_active, status in ((False, 404), (True, 404)):
            with in_workshop(site.workshop.pk):
                known = Membership.objects.get(pk=person.membership.pk)
                services.person_update(
                    actor=site.manager.actor(),
                    person_id=known.pk,
                    expected_versions=[known.version],
                    changes={"is_active": is_active},
                )
            assert read(address).status_code == status

    def test_is_of_one_person(self, site: Site) -> None:
        """Making and withdrawing one's own touches nobody else's."""
        mine, theirs = address_of(site.manager), address_of(site.technician)
        site.technician.client().delete("/api/v1/me/calendar/")
        assert (read(mine).status_code, read(theirs).status_code) == (200, 404)

    def test_what_is_no_address_is_not_found(self, site: Site) -> None:
        code = address_of(site.manager).split("/")[2]
        other = code[:-2] + ("AA" if code[-2:] != "AA" else "BB")
        for bad in (other, code[:-4], code + "AAAA", "x", "%00", "ä" * 64, "=" * 64, "A" * 64, code.lower()):
            assert read(f"/calendar/{bad}/levelbook.ics").status_code == 404, bad

    def test_is_read_whoever_is_signed_in_in_that_browser(self, site: Site, other_site: Site) -> None:
        browser = browser_of(other_site.manager)
        browser.get("/choose-workshop/")
        assert browser.get(address_of(site.manager)).status_code == 200

    def test_nothing_can_be_sent_there(self, site: Site) -> None:
        assert Client().post(address_of(site.manager)).status_code == 405

    def test_without_rights_there_is_none(self, site: Site) -> None:
        assert Client().put("/api/v1/me/calendar/").status_code == 401

    def test_is_never_in_a_log(self, site: Site, caplog: pytest.LogCaptureFixture) -> None:
        address = address_of(site.manager)
        code = address.split("/")[2]
        with caplog.at_level(logging.INFO):
            read(address)
            read(address.replace(code, code[::-1]))
        said = [conceal_secrets(None, "", each.msg) for each in caplog.records if isinstance(each.msg, dict)]
        assert said, "requests are logged"
        assert code not in str(said)
        assert code[::-1] not in str(said)
        assert code not in "".join(each.getMessage() for each in caplog.records if not isinstance(each.msg, dict))

    def test_the_database_keeps_one_of_a_person(self, site: Site) -> None:
        address_of(site.manager)
        with in_workshop(site.workshop.pk), pytest.raises(IntegrityError), transaction.atomic():
            CalendarFeed.objects.create(membership=site.manager.membership, digest=b"x" * 32, made_at=timezone.now())


class TestTransport:
    def test_what_has_not_changed_is_not_sent_again(self, site: Site, measured: Vehicle, perform_all: Perform) -> None:
        address = address_of(site.manager)
        first = read(address)
        assert first["Content-Type"] == "text/calendar; charset=utf-8"
        assert first["Cache-Control"] == "private, max-age=900"
        again = read(address, HTTP_IF_NONE_MATCH=first["ETag"])
        assert (again.status_code, again.content, again["ETag"]) == (304, b"", first["ETag"])
        assert again["Cache-Control"] == "private, max-age=900"
        drifting.checked(site, measured, days_ago=0)
        perform_all(site)
        changed = read(address, HTTP_IF_NONE_MATCH=first["ETag"])
        assert changed.status_code == 200
        assert changed["ETag"] != first["ETag"]

    def test_head_has_no_body(self, site: Site) -> None:
        answer = Client().head(address_of(site.manager))
        assert (answer.status_code, answer.content) == (200, b"")


@pytest.fixture(autouse=True)
def _public_url(settings: Any) -> None:
    settings.PUBLIC_URL = "http://127.0.0.1:8000"
