"""A tablet goes from hand to hand: whose readings are whose, whose records wait, and whose clock counts."""

from __future__ import annotations

from playwright.sync_api import expect

from fleet import services
from fleet.models import AccessToken
from fleet.services.tokens import revoke_all
from fleet.tenancy import in_workshop
from tests.bench.bay import PATIENCE_MS, TabletInBay
from tests.bench.conftest import NewTablet
from tests.bench.technician import opened
from tests.browser.seen import sideways_px, sticking_out
from tests.factories import Person

ALL_SENT = "All records sent"
THIRTY_HOURS_FAST = """(() => {
  const RealDate = Date, ahead_ms = 30 * 3_600_000;
  globalThis.Date = class extends RealDate {
    constructor(...args) { super(...(args.length ? args : [RealDate.now() + ahead_ms])); }
    static now() { return RealDate.now() + ahead_ms; }
  };
})()"""


def hand_over(tablet: TabletInBay, to: Person) -> None:
    """The one signs out, the other enters a PIN."""
    who = tablet.page.locator(".bench-person").inner_text()
    tablet.open("#/settings")
    tablet.press(f"Sign out {who}")
    tablet.expect_heading("Who is at the tablet?")
    tablet.sign_in(to)


def test_readings_stay_those_of_whoever_took_them(tablet: TabletInBay) -> None:
    first, second = tablet.bay.technician, tablet.bay.site.person("technician", name="Sunniva Pell")
    job_id, technician = opened(tablet, "Measure")
    for _ in range(4):
        technician.type_reading(str(tablet.bay.read(technician.corner_now() or "")))
    hand_over(tablet, second)
    tablet.open(f"#/job/{job_id}/measure")
    tablet.expect_heading("A round is begun")
    expect(tablet.page.locator(".measurers")).to_contain_text(f"4 readings by {first.membership.name}, ")
    technician.work(until=("Look it over",))
    expect(tablet.page.locator(".measurers")).to_contain_text("readings by Sunniva Pell, ")
    technician.work(until=("Where it stands",))
    (measured,) = tablet.bay.get(f"/jobs/{job_id}/")["rounds"]
    people = [each["measured_by"] for each in measured["readings"]]
    assert people[:4] == [str(first.membership.pk)] * 4
    assert set(people[4:]) == {str(second.membership.pk)}


def test_a_clock_thirty_hours_fast_keeps_nothing_from_being_sent(new_tablet: NewTablet) -> None:
    tablet = new_tablet(is_enrolled=False)
    tablet.context.add_init_script(THIRTY_HOURS_FAST)
    tablet.enrol()
    tablet.sign_in()
    tablet.expect_heading("Today")
    opened(tablet, "Before you measure")
    expect(tablet.page.get_by_text(ALL_SENT)).to_be_visible(timeout=PATIENCE_MS)


def test_records_of_somebody_who_is_not_there_say_whose_pin_they_wait_for(tablet: TabletInBay) -> None:
    """And where that person works here no more, who can do something about it."""
    first, second = tablet.bay.technician, tablet.bay.site.person("technician", name="Sunniva Pell")
    job_id, technician = opened(tablet, "Before you measure")
    hand_over(tablet, second)
    tablet.open(f"#/job/{job_id}")
    tablet.expect_heading("Before you measure")
    tablet.context.set_offline(True)
    technician.work(until=("Look it over",))
    technician.record_round()
    tablet.expect_heading("Kept on this tablet")
    revoke_tokens_of(tablet, second)
    sign_in_as(tablet, first, job_id)
    waits = tablet.page.get_by_text("1 record of Sunniva Pell waits for a PIN")
    expect(waits).to_be_visible(timeout=PATIENCE_MS)
    tablet.expect_heading("Kept on this tablet")
    expect(tablet.page.get_by_text("It is being sent")).to_have_count(0)
    tablet.open("#/tray")
    expect(waits).to_be_visible()
    tablet.page.get_by_role("link", name="Enter the PIN of Sunniva Pell").click()
    tablet.type_pin(second.pin)
    tablet.press("Send")
    expect(tablet.page.get_by_text(ALL_SENT)).to_be_visible(timeout=PATIENCE_MS)
    expect(tablet.page.locator(".bench-person")).to_have_text(first.membership.name)
    (measured,) = tablet.bay.get(f"/jobs/{job_id}/")["rounds"]
    assert {each["measured_by"] for each in measured["readings"]} == {str(second.membership.pk)}


def test_records_of_somebody_who_left_say_that_a_manager_is_needed(tablet: TabletInBay) -> None:
    first, second = tablet.bay.technician, tablet.bay.site.person("technician", name="Sunniva Pell")
    job_id, technician = opened(tablet, "Before you measure")
    hand_over(tablet, second)
    tablet.open(f"#/job/{job_id}")
    tablet.expect_heading("Before you measure")
    tablet.context.set_offline(True)
    technician.work(until=("Look it over",))
    technician.record_round()
    tablet.expect_heading("Kept on this tablet")
    with in_workshop(tablet.bay.site.workshop.pk):
        manager = tablet.bay.site.manager.actor()
        versions = [second.membership.version]
        services.person_update(
            actor=manager, person_id=second.membership.pk, expected_versions=versions, changes={"is_active": False}
        )
    sign_in_as(tablet, first, job_id)
    expect(tablet.page.get_by_text("1 record of Sunniva Pell cannot be sent")).to_be_visible(timeout=PATIENCE_MS)
    expect(tablet.page.get_by_text("A manager lets Sunniva Pell in again")).to_be_visible()


def revoke_tokens_of(tablet: TabletInBay, person: Person) -> None:
    with in_workshop(tablet.bay.site.workshop.pk):
        of_person = AccessToken.objects.filter(kind=AccessToken.Kind.PERSON_ON_TABLET, membership=person.membership)
        revoke_all(person.actor(), of_person)


def sign_in_as(tablet: TabletInBay, person: Person, job_id: str) -> None:
    """The connection is back, and the service takes the token of whoever was there no longer."""
    tablet.context.set_offline(False)
    tablet.expect_heading("Who is at the tablet?")
    tablet.sign_in(person)
    expect(tablet.page.locator(".bench-person")).to_be_visible(timeout=PATIENCE_MS)
    tablet.open(f"#/job/{job_id}")


def test_a_long_name_stays_in_its_place(new_tablet: NewTablet) -> None:
    tablet = new_tablet(is_signed_in=False)
    unbroken = tablet.bay.site.person("technician", name="Unbroken" * 15)
    tablet.page.reload()
    button = tablet.page.get_by_role("button", name=unbroken.membership.name)
    expect(button).to_be_visible()
    sizes = ((1180, 820), (820, 1180), (390, 844))
    for width, height in sizes:
        tablet.page.set_viewport_size({"width": width, "height": height})
        assert sticking_out(tablet.page, ".bench-names .button") == []
        assert sideways_px(tablet.page) == 0
    tablet.sign_in(unbroken)
    tablet.expect_heading("Today")
    for width, height in sizes:
        tablet.page.set_viewport_size({"width": width, "height": height})
        assert sticking_out(tablet.page, ".bench-person") == []
        assert sideways_px(tablet.page) == 0


def test_a_proposal_is_written_once_also_without_network_and_by_the_way_back(tablet: TabletInBay) -> None:
    """And counts beyond any control unit are said to be so."""
    job_id, technician = opened(tablet, "Read back")
    tablet.context.set_offline(True)
    field = tablet.page.get_by_label("Set-point, Front left")
    field.fill("9999999999999")
    tablet.press("Record the write")
    expect(tablet.page.get_by_text("9999999999999 is beyond what any control unit stores")).to_be_visible()
    technician.read_back()
    tablet.expect_heading("Let it settle")
    tablet.open(f"#/job/{job_id}/write")
    expect(tablet.page.get_by_text("This proposal was written on")).to_be_visible()
    expect(tablet.labelled("Last four of the VIN")).to_have_count(0)
    technician.follow("Go on with the job")
    tablet.expect_heading("Let it settle")
    tablet.context.set_offline(False)
    expect(tablet.page.get_by_text(ALL_SENT)).to_be_visible(timeout=PATIENCE_MS)
    tablet.open(f"#/job/{job_id}/write")
    expect(tablet.page.get_by_text("There is no open proposal")).to_be_visible()
    assert len(tablet.bay.get(f"/jobs/{job_id}/")["writes"]) == 1


def test_a_vin_that_the_workshop_does_not_know_is_said_to_be_unknown(tablet: TabletInBay) -> None:
    tablet.open("#/open/WXX00000000000000")
    expect(tablet.page.get_by_text("This workshop does not know the VIN WXX00000000000000")).to_be_visible()
    tablet.wait_until_worker_is_ready()
    tablet.context.set_offline(True)
    tablet.open("#/open/WXX00000000000001")
    expect(tablet.page.get_by_text("This vehicle is not on the tablet")).to_be_visible()
