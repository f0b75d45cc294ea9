"""The bench app around the job: enrolment, PIN, finding vehicles, opening a job, what is on the tablet only."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from fleet import services
from fleet.ids import new_id
from fleet.models import AccessToken, Installation, Tablet
from fleet.services.tokens import revoke_all
from fleet.tenancy import in_workshop
from tests.bench.bay import PATIENCE_MS, TABLET, TabletInBay
from tests.bench.conftest import NewTablet

HELD_ONE = "1 record is on this tablet only"
ALL_SENT = "All records sent"

END_TOKENS = """async () => {
  const database = await new Promise((done) => {
    const request = indexedDB.open("levelbook bench");
    request.onsuccess = () => done(request.result);
  });
  const table = database.transaction("kept", "readwrite").objectStore("kept");
  const keys = await new Promise((done) => { table.getAllKeys().onsuccess = (event) => done(event.target.result); });
  for (const key of keys.filter((each) => each.startsWith("person:"))) {
    table.get(key).onsuccess = ({ target }) => table.put({ ...target.result, expires_at: "2020-01-01T00:00:00Z" }, key);
  }
  await new Promise((done) => { table.transaction.oncomplete = done; });
  database.close();
}"""


UNTIL_KEPT = """async (job) => {
  const keys = () => new Promise((done) => {
    indexedDB.open("levelbook bench").onsuccess = ({ target: { result: database } }) => {
      database.transaction("kept").objectStore("kept").getAllKeys().onsuccess = ({ target }) => {
        database.close();
        done(target.result);
      };
    };
  });
  for (let attempt = 0; attempt < 600; attempt += 1) {
    if ((await keys()).includes(`read:/api/v1/jobs/${job}/`)) return;
    await new Promise((done) => setTimeout(done, 100));
  }
  throw new Error("the job was not kept");
}"""


def status(tablet: TabletInBay, words: str) -> None:
    """Wait until the head of the screen says it."""
    expect(tablet.page.locator(".bench-top")).to_contain_text(words, timeout=PATIENCE_MS)


def databases(page: Page) -> list[str]:
    names: list[str] = page.evaluate("async () => (await indexedDB.databases()).map((each) => each.name).sort()")
    return names


def open_job(tablet: TabletInBay) -> str:
    """Reception with network; gives the id of the job that the service has."""
    job = tablet.open_job()
    expect(tablet.page.get_by_role("group", name="Vehicle")).to_be_visible(timeout=PATIENCE_MS)
    return job


def open_job_offline(tablet: TabletInBay) -> str:
    """Reception without network; gives the job's id."""
    tablet.open(f"#/vehicle/{tablet.bay.vehicle.vin}")
    expect(tablet.page.get_by_role("button", name="Open a job")).to_be_visible()
    tablet.wait_until_worker_is_ready()
    tablet.context.set_offline(True)
    status(tablet, "no connection")
    job = tablet.open_job()
    status(tablet, HELD_ONE)
    return job


class TestEnrolment:
    def test_a_code_is_typed_as_people_write_it(self, new_tablet: NewTablet) -> None:
        tablet = new_tablet(is_enrolled=False)
        code = tablet.bay.enrolment_code().lower()
        tablet.open()
        tablet.page.get_by_label("Code").fill(f"{code[:4]}-{code[4:]}")
        tablet.page.get_by_label("Name of this tablet").fill(TABLET)
        tablet.press("Enrol")
        tablet.expect_heading("Who is at the tablet?")
        with in_workshop(tablet.bay.site.workshop.pk):
            assert Tablet.objects.get().name == TABLET

    def test_a_code_that_is_used_up_is_told_and_can_be_typed_again(self, new_tablet: NewTablet) -> None:
        tablet = new_tablet(is_enrolled=False)
        tablet.open("#enrol=AAAA-AAAA")
        expect(tablet.page.get_by_label("Code")).to_have_value("AAAA-AAAA")
        tablet.press("Enrol")
        expect(tablet.page.get_by_role("alert")).to_contain_text("unknown, used up or expired")
        tablet.enrol()

    def test_the_code_does_not_stay_in_the_address(self, new_tablet: NewTablet) -> None:
        tablet = new_tablet(is_signed_in=False)
        assert "enrol" not in tablet.page.url


class TestPin:
    def test_a_wrong_pin_says_how_many_attempts_are_left(self, new_tablet: NewTablet) -> None:
        tablet = new_tablet(is_signed_in=False)
        tablet.sign_in(pin="1234")
        expect(tablet.page.get_by_role("alert")).to_contain_text("4 more attempts")
        tablet.type_pin(tablet.bay.technician.pin)
        tablet.press("Start")
        tablet.expect_heading("Today")

    def test_the_pin_is_kept_nowhere(self, tablet: TabletInBay) -> None:
        kept = tablet.page.evaluate(
            """async () => {
              const database = await new Promise((done) => {
                const request = indexedDB.open("levelbook bench");
                request.onsuccess = () => done(request.result);
              });
              const all = await new Promise((done) => {
                const request = database.transaction("kept").objectStore("kept").getAll();
                request.onsuccess = () => done(request.result);
              });
              database.close();
              return JSON.stringify([all, { ...localStorage }, { ...sessionStorage }, location.href]);
            }"""
        )
        assert tablet.bay.technician.membership.name in kept
        assert f'"{tablet.bay.technician.pin}"' not in kept

    def test_signed_out_by_the_service_one_enters_the_pin_again_and_nothing_is_lost(self, tablet: TabletInBay) -> None:
        open_job_offline(tablet)
        with in_workshop(tablet.bay.site.workshop.pk):
            tokens = AccessToken.objects.filter(kind=AccessToken.Kind.PERSON_ON_TABLET)
            revoke_all(tablet.bay.technician.actor(), tokens)
        tablet.context.set_offline(False)
        tablet.expect_heading("Who is at the tablet?")
        status(tablet, HELD_ONE)
        tablet.sign_in()
        status(tablet, ALL_SENT)
        assert len(tablet.bay.get("/jobs/")["results"]) == 1

    def test_a_token_that_is_over_stops_nobody_while_there_is_no_network(self, tablet: TabletInBay) -> None:
        tablet.open(f"#/vehicle/{tablet.bay.vehicle.vin}")
        expect(tablet.page.get_by_role("button", name="Open a job")).to_be_visible()
        tablet.wait_until_worker_is_ready()
        tablet.context.set_offline(True)
        tablet.page.evaluate(END_TOKENS)
        tablet.page.reload()
        tablet.open_job()
        status(tablet, HELD_ONE)
        tablet.context.set_offline(False)
        tablet.expect_heading("Who is at the tablet?")
        tablet.sign_in()
        status(tablet, ALL_SENT)
        assert len(tablet.bay.get("/jobs/")["results"]) == 1

    def test_refused_while_reading_one_enters_the_pin_again(self, tablet: TabletInBay) -> None:
        with in_workshop(tablet.bay.site.workshop.pk):
            tokens = AccessToken.objects.filter(kind=AccessToken.Kind.PERSON_ON_TABLET)
            revoke_all(tablet.bay.technician.actor(), tokens)
        tablet.page.reload()
        tablet.expect_heading("Who is at the tablet?")
        expect(tablet.page.get_by_text("Enter your PIN again")).to_be_visible()


class TestFindingAVehicle:
    def test_a_job_is_opened_from_the_vehicles_page(self, tablet: TabletInBay) -> None:
        vehicle = tablet.bay.vehicle
        tablet.page.get_by_label("Find a vehicle").fill(vehicle.vin[-6:])
        tablet.page.get_by_role("link", name=vehicle.registration).click()
        tablet.press("Open a job")
        tablet.page.get_by_label("Odometer").fill("48210,5")
        tablet.press("Open the job")
        tablet.page.wait_for_url("**/#/job/*")
        expect(tablet.page.get_by_role("group", name="Vehicle")).to_contain_text(vehicle.vin[-6:])
        (job,) = tablet.bay.get("/jobs/")["results"]
        assert job["id"] == tablet.page.url.rpartition("/")[2]
        assert float(job["odometer_km"]) == 48210.5

    def test_a_wrong_check_digit_is_told_while_it_is_typed(self, tablet: TabletInBay) -> None:
        tablet.page.get_by_label("Find a vehicle").press_sequentially("1m8gdm9a0kp042788")
        expect(tablet.page.get_by_text("the other characters need X")).to_be_visible()

    def test_an_open_job_is_gone_on_with(self, tablet: TabletInBay) -> None:
        job = open_job(tablet)
        tablet.open(f"#/vehicle/{tablet.bay.vehicle.vin}")
        tablet.press("Go on with the open job")
        tablet.page.wait_for_url(f"**/#/job/{job}")

    def test_the_day_s_jobs_are_listed(self, tablet: TabletInBay) -> None:
        job = open_job(tablet)
        tablet.open("#/")
        tablet.page.get_by_role("link", name=tablet.bay.vehicle.registration).click()
        tablet.page.wait_for_url(f"**/#/job/{job}")

    def test_no_odometer_is_told_at_the_field(self, tablet: TabletInBay) -> None:
        tablet.open(f"#/open/{tablet.bay.vehicle.vin}")
        tablet.page.get_by_label("Odometer").fill("far")
        tablet.press("Open the job")
        expect(tablet.page.get_by_label("Odometer")).to_have_attribute("aria-invalid", "true")
        expect(tablet.page.get_by_label("Odometer")).to_be_focused()


class TestWithoutNetwork:
    def test_what_was_recorded_is_kept_through_a_reload_and_sent_once(self, tablet: TabletInBay) -> None:
        job = open_job_offline(tablet)
        tablet.page.reload()
        status(tablet, HELD_ONE)
        tablet.expect_heading("The job is being opened")
        assert tablet.bay.get("/jobs/")["results"] == []
        tablet.context.set_offline(False)
        status(tablet, ALL_SENT)
        assert [each["id"] for each in tablet.bay.get("/jobs/")["results"]] == [job]

    def test_today_s_jobs_can_be_opened_though_nobody_looked_at_them_before(self, new_tablet: NewTablet) -> None:
        first, second = new_tablet(), new_tablet()
        job = open_job(first)
        second.open("#/")
        second.page.reload()
        second.page.evaluate(UNTIL_KEPT, job)
        expect(second.page.get_by_role("link", name=first.bay.vehicle.registration)).to_be_visible()
        second.wait_until_worker_is_ready()
        second.context.set_offline(True)
        second.page.reload()
        second.page.get_by_role("link", name=first.bay.vehicle.registration).click()
        expect(second.page.get_by_role("group", name="Vehicle")).to_contain_text(first.bay.vehicle.vin[-6:])

    def test_answers_of_the_service_are_in_no_cache_of_the_worker(self, tablet: TabletInBay) -> None:
        open_job(tablet)
        tablet.wait_until_worker_is_ready()
        kept = tablet.page.evaluate(
            """async () => (await Promise.all((await caches.keys()).map(async (name) =>
                 (await (await caches.open(name)).keys()).map(({ url }) => new URL(url).pathname)))).flat()"""
        )
        assert "/bench/" in kept
        assert not [path for path in kept if path.startswith("/api/")]


class TestNewRelease:
    def test_a_newer_app_takes_the_place_of_the_old_one_and_is_told(
        self, tablet: TabletInBay, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        tablet.wait_until_worker_is_ready()
        tablet.page.reload()  # from here on the worker is in control
        tablet.expect_heading("Today")
        monkeypatch.setattr("calibration.bench.views.version_of", lambda _contents: "later")
        tablet.page.evaluate("async () => { await (await navigator.serviceWorker.getRegistration()).update(); }")
        expect(tablet.page.get_by_text("A newer version of the app is here")).to_be_visible(timeout=PATIENCE_MS)
        tablet.page.wait_for_function("async () => (await caches.keys()).join() === 'levelbook bench later'")


class TestNotAccepted:
    @pytest.fixture
    def with_one_refused(self, tablet: TabletInBay) -> TabletInBay:
        """The vehicle got an open job elsewhere while this tablet opened one without network."""
        open_job_offline(tablet)
        body = {"id": str(new_id()), "vehicle": tablet.bay.vehicle.vin, "reason": "complaint", "odometer_km": 48210}
        opened = tablet.bay.technician.client().post("/api/v1/jobs/", body, format="json")
        assert opened.status_code == 201
        tablet.context.set_offline(False)
        status(tablet, "1 not accepted")
        tablet.open("#/tray")
        return tablet

    def test_it_says_why_and_of_which_vehicle(self, with_one_refused: TabletInBay) -> None:
        card = with_one_refused.page.get_by_role("listitem").filter(has_text="Reception of a vehicle")
        expect(card).to_contain_text("has an open job")
        expect(card).to_contain_text(with_one_refused.bay.vehicle.vin[-6:])

    def test_it_is_sent_again_on_demand(self, with_one_refused: TabletInBay) -> None:
        (job,) = with_one_refused.bay.get("/jobs/")["results"]
        client = with_one_refused.bay.technician.client()
        ended = client.post(f"/api/v1/jobs/{job['id']}/end/", {"reason": "opened twice"}, format="json")
        assert ended.status_code == 200, ended.content
        with_one_refused.press("Send it again")
        status(with_one_refused, ALL_SENT)
        assert len(with_one_refused.bay.get("/jobs/")["results"]) == 2

    def test_it_is_saved_to_a_file(self, with_one_refused: TabletInBay, tmp_path: Path) -> None:
        with with_one_refused.page.expect_download() as download:
            with_one_refused.press("Save to a file")
        download.value.save_as(tmp_path / "record.json")
        saved = json.loads((tmp_path / "record.json").read_text())
        assert saved["path"] == "/api/v1/jobs/"
        assert saved["fields"]["vehicle"] == with_one_refused.bay.vehicle.vin

    def test_it_is_thrown_away_only_after_a_second_press(self, with_one_refused: TabletInBay) -> None:
        with_one_refused.page.get_by_text("Throw away", exact=True).click()
        with_one_refused.context.set_offline(True)
        status(with_one_refused, "no connection")  # What is unfolded stays so.
        with_one_refused.page.wait_for_timeout(300)
        status(with_one_refused, "1 not accepted")
        with_one_refused.press("Throw it away for good")
        status(with_one_refused, ALL_SENT)


def test_what_is_pressed_is_not_drawn_again_before_the_finger_is_lifted(tablet: TabletInBay) -> None:
    """On a screen that is drawn anew when the network goes."""
    job = open_job(tablet)
    tablet.open(f"#/job/{job}/other")
    tablet.expect_heading("Other steps")
    page = tablet.page
    page.get_by_role("link", name="Take a photo").hover()  # Once it stays where it is.
    page.mouse.down()
    tablet.context.set_offline(True)
    page.wait_for_timeout(300)  # In which it would be drawn again.
    page.mouse.up()
    page.wait_for_url(f"**/#/job/{job}/photo")


class TestTheServiceChanges:
    @pytest.fixture
    def epoch_put_back(self, committed_db: None) -> object:
        before = Installation.objects.get().epoch
        yield
        Installation.objects.update(epoch=before)

    def test_a_restored_service_is_told_and_gets_what_was_sent_once_more(
        self, tablet: TabletInBay, epoch_put_back: object
    ) -> None:
        open_job(tablet)
        Installation.objects.update(epoch=new_id())
        with tablet.page.expect_request(
            lambda request: request.method == "POST" and request.url.endswith("/api/v1/jobs/")
        ):
            tablet.page.evaluate("() => dispatchEvent(new Event('online'))")
        expect(tablet.page.get_by_text("restored from a backup")).to_be_visible(timeout=PATIENCE_MS)
        status(tablet, ALL_SENT)
        assert len(tablet.bay.get("/jobs/")["results"]) == 1

    def test_a_service_that_does_not_know_the_tablet_asks_for_another_enrolment_and_nothing_is_lost(
        self, tablet: TabletInBay
    ) -> None:
        open_job_offline(tablet)
        with in_workshop(tablet.bay.site.workshop.pk):
            revoke_all(tablet.bay.technician.actor(), Tablet.objects.get().tokens.all())
        tablet.context.set_offline(False)
        tablet.expect_heading("Enrol this tablet")
        status(tablet, HELD_ONE)
        tablet.enrol()
        tablet.sign_in()
        status(tablet, ALL_SENT)
        assert len(tablet.bay.get("/jobs/")["results"]) == 1

    def test_a_revoked_tablet_holds_nothing_of_the_workshop_any_more(self, tablet: TabletInBay) -> None:
        open_job(tablet)
        assert [name for name in databases(tablet.page) if "outbox" in name]
        with in_workshop(tablet.bay.site.workshop.pk):
            services.tablet_revoke(actor=tablet.bay.technician.actor(), tablet_id=Tablet.objects.get().pk)
        tablet.page.evaluate("() => dispatchEvent(new Event('online'))")
        tablet.expect_heading("Enrol this tablet")
        expect(tablet.page.get_by_text("This tablet was revoked")).to_be_visible()
        assert databases(tablet.page) in ([], ["levelbook bench"])
        content = tablet.page.content()
        assert tablet.bay.vehicle.vin[-6:] not in content
        tablet.page.reload()
        tablet.expect_heading("Enrol this tablet")
        tablet.enrol()
