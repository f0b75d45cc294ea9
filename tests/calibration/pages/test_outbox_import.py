"""A tablet that will not come online again: its file is looked at, and recorded once, in the noters' names."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.core.cache import cache
from django.db import connection
from django.test import Client

from calibration.models import Concession, Job, LeakTest, Photo, Readiness, Round
from calibration.outbox_file import opening
from calibration.outbox_file.carrying_out import takes
from calibration.pages.outbox_import import KINDS
from deploy.embedded.folder import CHECKOUT
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxFile, OutboxKey, ServiceEvent
from fleet.tenancy import in_workshop
from tests.calibration.api.http_bench import ON_TARGET, ONE_HIGH, READY, HttpBench, moment
from tests.calibration.outbox_files import encrypted, key_handed_out, key_of, record, saved
from tests.calibration.pages.handing_in import (
    PAGE,
    carried_out,
    count,
    hand_in,
    looked_at,
    picture,
    text,
    text_without_tokens,
)
from tests.factories import TYRE, Person, Site, make_site
from tests.fleet.signin.browsers import browser_of

SENDING = CHECKOUT / "calibration/static/bench/app/sending.js"


@pytest.fixture(autouse=True)
def no_sign_ins_counted() -> None:
    """All people of all tests sign in from one address."""
    cache.clear()


@pytest.fixture
def bench(site: Site) -> HttpBench:
    return HttpBench.of(site)


@pytest.fixture
def of_a_job(site: Site, bench: HttpBench) -> list[dict[str, Any]]:
    """A whole visit that no service knows: reception, readiness, a round with its photo, work on the vehicle."""
    who = site.technician
    job = record(who, "/jobs/", {"vehicle": bench.vehicle.vin, "reason": "routine", "odometer_km": 48210.5})
    measured = record(who, f"/jobs/{job['id']}/rounds/", bench.round_body())
    return [
        job,
        record(who, f"/jobs/{job['id']}/readiness/", {"checks": READY}),
        measured,
        record(who, f"/rounds/{measured['id']}/photos/", {}, file=picture()),
        record(
            site.manager,
            f"/vehicles/{bench.vehicle.vin}/events/",
            {"kind": "leak_repaired", "corner": "RR", "happened_at": moment(-600), "note": "Line at the rear right."},
        ),
    ]


class TestCarriedOut:
    def test_what_is_in_it_is_shown_and_nothing_recorded_before_it_is_confirmed(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]
    ) -> None:
        page = text(manager.get(looked_at(manager, saved(site, of_a_job))))
        for kind in ("Reception of a vehicle", "Readiness checks", "Round of measurement", "Photo with a picture"):
            assert kind in page
        assert site.technician.membership.name in page
        assert "Record all of it" in page
        assert count(site, Job, Round) == [0, 0]

    def test_a_leak_test_is_recorded_too(self, site: Site, manager: Client, bench: HttpBench) -> None:
        bench.open_job()
        parked = {
            "instrument": str(bench.tape.pk),
            "start": {"at": moment(-2), "heights": ON_TARGET},
            "end": {"at": moment(), "heights": ON_TARGET},
        }
        file = saved(site, [record(site.technician, f"/jobs/{bench.job}/leak-tests/", parked)])
        assert "Leak test" in text(manager.get(looked_at(manager, file)))
        assert carried_out(manager, file) == ["recorded now"]
        assert count(site, LeakTest) == [1]

    def test_tyres_and_the_wish_for_a_concession_are_recorded_too(
        self, site: Site, manager: Client, bench: HttpBench
    ) -> None:
        bench.measured(ONE_HIGH)
        wish = {"front_target_mm": 490, "rear_target_mm": 508, "reason": "Ramp.", "acknowledged_by": "A. Reeve"}
        tyres = {"fitted_on": "2026-05-04", "tyres": dict.fromkeys(ON_TARGET, TYRE)}
        file = saved(
            site,
            [
                record(site.technician, f"/vehicles/{bench.vehicle.vin}/fitments/", tyres),
                record(site.technician, f"/jobs/{bench.job}/concession/", {**wish, "acknowledged_on": "2026-01-02"}),
            ],
        )
        page = text(manager.get(looked_at(manager, file)))
        assert "Tyres fitted" in page
        assert "Wish for a concession" in page
        assert carried_out(manager, file) == ["recorded now"] * 2
        assert count(site, Concession) == [1]

    def test_each_kind_that_a_tablet_keeps_is_taken_and_named(self) -> None:
        listed = re.search(r"const KINDS = {(.*?)};", SENDING.read_text(), re.DOTALL)
        assert listed is not None
        parts = set(re.findall(r'^  "?([a-z-]+)"?:', listed[1], re.MULTILINE)) - {"sign-off"}
        assert len(parts) > 15
        some_id = new_id()
        above = ("", f"jobs/{some_id}/", f"rounds/{some_id}/", f"readings/{some_id}/", "vehicles/1LB000/")
        taken = {part for part in parts for each in above if takes(f"/api/v1/{each}{part}/")}
        assert taken == parts
        assert set(KINDS) >= parts

    def test_each_record_is_of_the_person_who_noted_it(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]
    ) -> None:
        assert carried_out(manager, saved(site, of_a_job)) == ["recorded now"] * 5
        with in_workshop(site.workshop.pk):
            job, measured = Job.objects.get(), Round.objects.get()
            assert (str(job.pk), str(measured.pk)) == (of_a_job[0]["id"], of_a_job[2]["id"])
            assert job.opened_by == measured.recorded_by == site.technician.membership.pk
            assert ServiceEvent.objects.get().recorded_by == site.manager.membership.pk
            assert str(Photo.objects.get().round_id) == of_a_job[2]["id"]

    def test_the_ledger_keeps_who_had_it_carried_out_and_what_came_of_it(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]
    ) -> None:
        carried_out(manager, saved(site, of_a_job))
        with in_workshop(site.workshop.pk):
            entry = LedgerEntry.objects.get(kind="outbox_file_carried_out")
            (row,) = entry.payload["rows"]["fleet.outboxfile"]
            assert entry.actor == site.manager.membership.pk
            assert [each["id"] for each in row["outcomes"]] == [each["id"] for each in of_a_job]
            assert "content" not in row
            assert bytes(OutboxFile.objects.get().content) == b"", "what is recorded is not kept a second time"

    def test_importing_twice_changes_nothing(self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]) -> None:
        file = saved(site, of_a_job)
        carried_out(manager, file)
        before = count(site, Job, Readiness, Round, Photo, ServiceEvent)
        assert carried_out(manager, file) == ["was here already"] * 5
        assert count(site, Job, Readiness, Round, Photo, ServiceEvent) == before == [1, 1, 1, 1, 1]

    def test_confirming_twice_changes_nothing(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]
    ) -> None:
        address = looked_at(manager, saved(site, of_a_job))
        pages = []
        for _ in range(2):
            manager.post(address)
            pages.append(bytes(manager.get(address).content))
        assert text_without_tokens(pages[0]) == text_without_tokens(pages[1])
        assert count(site, Job, Round) == [1, 1]

    def test_the_tablet_that_comes_online_all_the_same_is_answered_with_what_is_here(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]], bench: HttpBench
    ) -> None:
        carried_out(manager, saved(site, of_a_job))
        sent = [bench.client.post(each["path"], each["content"]["fields"]) for each in of_a_job[:3]]
        assert [each.status_code for each in sent] == [200, 200, 200]
        assert count(site, Job, Readiness, Round) == [1, 1, 1]


class TestRefused:
    def test_what_is_refused_is_listed_with_its_problem_and_leaves_nothing(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]], bench: HttpBench
    ) -> None:
        job, ready, measured, photo, event = of_a_job
        wrong = bench.round_body()
        wrong["readings"] = wrong["readings"][:3]
        bad = record(site.technician, f"/jobs/{job['id']}/rounds/", wrong)
        behind = record(site.technician, f"/rounds/{bad['id']}/photos/", {}, file=picture())
        file = saved(site, [job, ready, bad, behind, measured, photo, event])
        address = looked_at(manager, file)
        manager.post(address)
        page = manager.get(address)
        words = re.findall(r'<span class="state[^"]*">([^<]+)</span>', page.content.decode())
        assert words == ["recorded now", "recorded now", "not accepted", "not accepted", *["recorded now"] * 3]
        assert "/readings: " in text(page)
        assert "5 recorded now, 2 not accepted" in text(page)
        assert count(site, Round, Photo) == [1, 1]

    def test_a_record_of_somebody_who_left_is_refused(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]
    ) -> None:
        with in_workshop(site.workshop.pk):
            type(site.technician.membership).objects.filter(pk=site.technician.membership.pk).update(is_active=False)
        assert carried_out(manager, saved(site, of_a_job[:1])) == ["not accepted"]
        assert count(site, Job) == [0]

    def test_a_record_of_another_workshop_s_person_is_refused(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]
    ) -> None:
        stranger = str(make_site().technician.membership.pk)
        assert carried_out(manager, saved(site, [{**of_a_job[0], "person": stranger}])) == ["not accepted"]

    def test_nobody_gets_rights_by_a_file(self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]) -> None:
        auditor = site.person("auditor")
        assert carried_out(manager, saved(site, [{**of_a_job[0], "person": str(auditor.membership.pk)}])) == [
            "not accepted"
        ]

    @pytest.mark.parametrize(
        "path",
        [
            "/people/",
            "/jobs/{job}/sign-off/",
            "/jobs/{job}/rulings/",
            "/approvals/{job}/decision/",
            "/jobs/{job}/rounds/../sign-off/",
            "/jobs/not-an-id/rounds/",
        ],
    )
    def test_what_a_tablet_does_not_record_is_not_done(
        self, site: Site, manager: Client, bench: HttpBench, path: str
    ) -> None:
        job = bench.open_job()["id"]
        file = saved(site, [record(site.manager, path.format(job=job), {"reason": "x"})])
        address = looked_at(manager, file)
        manager.post(address)
        assert "This is nothing that is recorded from a file." in text(manager.get(address))

    def test_an_intent_to_sign_asks_for_the_person_s_pin(self, site: Site, manager: Client, bench: HttpBench) -> None:
        bench.measured()
        intent = record(site.technician, f"/jobs/{bench.job}/sign-off/", {"content_sha256": "0" * 64}, state="to_sign")
        assert carried_out(manager, saved(site, [intent])) == ["to be signed again"]
        assert bench.state()["sign_off"] is None


class TestFiles:
    """What is no file of this workshop says so, and nothing is kept of it."""

    def refusal(self, site: Site, browser: Client, file: bytes) -> str:
        answer = hand_in(browser, file)
        assert answer.status_code == 422
        assert count(site, OutboxFile) == [0]
        page = text(answer)
        assert "File from the tablet" in page
        return page

    def test_of_another_workshop(self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]) -> None:
        other = make_site()
        page = self.refusal(site, manager, saved(other, of_a_job))
        assert "This file was saved by a tablet of another workshop" in page

    def test_that_was_encrypted_to_this_workshop_and_speaks_of_another(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]
    ) -> None:
        file = saved(site, of_a_job, workshop=str(make_site().workshop.pk))
        assert "The file is damaged" in self.refusal(site, manager, file)

    @pytest.mark.parametrize("place", [13, 40, 80, 90, -1])
    def test_damaged_in_one_byte(self, site: Site, manager: Client, of_a_job: list[dict[str, Any]], place: int) -> None:
        file = bytearray(saved(site, of_a_job))
        file[place] ^= 1
        assert "The file is damaged" in self.refusal(site, manager, bytes(file))

    def test_cut_short(self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]) -> None:
        file = saved(site, of_a_job)
        assert "The file is damaged" in self.refusal(site, manager, file[:-20])
        assert "This is no file that a tablet saved" in self.refusal(site, manager, file[:60])

    def test_something_else(self, site: Site, manager: Client) -> None:
        assert "This is no file that a tablet saved" in self.refusal(site, manager, b"a letter " * 50)

    @pytest.mark.parametrize(
        "manifest",
        [
            b"\xff",
            b"[]",
            b"{}",
            b"[" * 100_000,
            b'{"version": 2}',
            b'{"records": NaN}',
        ],
        ids=["no UTF-8", "a list", "empty", "deep", "version 2", "no number"],
    )
    def test_whose_manifest_is_none(self, site: Site, manager: Client, manifest: bytes) -> None:
        file = encrypted(manifest, b"", key_of(site))
        assert "The file is damaged" in self.refusal(site, manager, file)

    @pytest.mark.parametrize(
        "change",
        [
            {"content": {"fields": {}, "file": None}},
            {"content": {"fields": {"id": "0"}, "file": None}},
            {"content": None},
            {"content": {"fields": [], "file": None}},
            {"content": {"fields": {}, "file": {"name": "x", "type": "y", "size": 10**9}}},
            {"noted_at": 10**17},
            {"noted_at": "x"},
            {"person": 7.5},
            {"state": "sent"},
            {"path": None},
        ],
        ids=str,
    )
    def test_whose_records_are_none(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]], change: dict[str, Any]
    ) -> None:
        file = saved(site, [{**of_a_job[0], **change}])
        assert "The file is damaged" in self.refusal(site, manager, file)

    def test_whose_pictures_are_not_all_there(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]
    ) -> None:
        assert "The file is damaged" in self.refusal(site, manager, saved(site, [{**of_a_job[3], "bytes": b"x"}]))

    def test_with_more_records_than_one_may_hold(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(opening, "MOST_RECORDS", 4)
        assert "The file holds 5 records; one may hold 4." in self.refusal(site, manager, saved(site, of_a_job))

    def test_larger_than_one_may_be(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(opening, "LARGEST_FILE_BYTES", 200)
        assert "The file is larger than 200 bytes." in self.refusal(site, manager, saved(site, of_a_job))

    def test_none_chosen(self, site: Site, manager: Client) -> None:
        answer = manager.post(PAGE)
        assert (answer.status_code, "Choose the file." in text(answer)) == (422, True)

    def test_that_is_only_looked_at_goes_after_a_day(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]
    ) -> None:
        file = saved(site, of_a_job)
        first = looked_at(manager, file)
        with in_workshop(site.workshop.pk):
            kept = OutboxFile.objects.get()
            OutboxFile.objects.update(handed_in_at=kept.handed_in_at - timedelta(days=1, minutes=1))
        looked_at(manager, file)
        assert manager.get(first).status_code == 404


class TestKeys:
    def test_every_tablet_of_a_workshop_is_told_the_same_key_and_another_workshop_s_another(self, site: Site) -> None:
        keys = [key_handed_out(each) for each in (site, site, make_site())]
        assert keys[0] == keys[1] != keys[2]
        assert (len(keys[0]), keys[0][0]) == (65, 4)

    def test_the_private_key_lies_encrypted(self, site: Site) -> None:
        key_of(site)
        with in_workshop(site.workshop.pk):
            sealed = OutboxKey.objects.get().sealed_private_key
        assert sealed.startswith("gAAAA"), "a Fernet token"

    def test_no_other_workshop_sees_it(self, site: Site) -> None:
        key_of(site)
        with in_workshop(make_site().workshop.pk), connection.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM fleet_outboxkey")
            assert cursor.fetchone() == (0,)

    def test_under_another_key_of_the_installation_a_new_one_is_made_and_old_files_say_why_not(
        self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]
    ) -> None:
        file, old = saved(site, of_a_job), key_of(site)
        with in_workshop(site.workshop.pk):
            OutboxKey.objects.update(sealed_private_key="gAAAAA-sealed-under-another-key")
        answer = hand_in(manager, file)
        assert (answer.status_code, "put the old SECRET_KEY back" in text(answer)) == (409, True)
        new = key_of(site)
        assert new != old
        assert carried_out(manager, saved(site, of_a_job[:1], new)) == ["recorded now"]


class TestAccess:
    @pytest.fixture
    def address(self, site: Site, manager: Client, of_a_job: list[dict[str, Any]]) -> str:
        return looked_at(manager, saved(site, of_a_job))

    def test_nobody_is_led_to_the_sign_in(self, address: str) -> None:
        for path in (PAGE, address):
            assert Client().get(path)["Location"] == f"/sign-in/?next={path}"
            assert Client().post(path).status_code == 302

    @pytest.mark.parametrize("role", ["technician", "auditor", "operator_contact"])
    def test_only_managers(self, site: Site, address: str, another: Callable[..., Client], role: str) -> None:
        browser = another(role, **({"operator": site.operator().pk} if role == "operator_contact" else {}))
        for path in (PAGE, address):
            assert browser.get(path).status_code == 403
            assert browser.post(path).status_code == 403
        assert count(site, Job) == [0]

    def test_another_workshop_s_manager_finds_no_file(self, site: Site, address: str) -> None:
        stranger: Person = make_site().manager
        browser = browser_of(stranger)
        assert browser.get(address).status_code == browser.post(address).status_code == 404
        assert count(site, Job) == [0]
