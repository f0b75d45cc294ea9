"""Beside the straight way of a job: other targets, decisions by PIN, paper, hexadecimal, tyres, the wrong vehicle."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from django.utils import timezone
from playwright.sync_api import Locator, expect

from tests.bench.bay import TabletInBay
from tests.bench.technician import NAMES, opened, turn_to
from tests.bench.test_job_screens import Looked
from tests.factories import Person


def job_of(tablet: TabletInBay, job_id: str) -> Any:
    return tablet.bay.get(f"/jobs/{job_id}/")


def sent(tablet: TabletInBay) -> None:
    expect(tablet.page.get_by_text("All records sent")).to_be_visible()


def by_pin(tablet: TabletInBay, person: Person, reason: str, last_key: str, label: str) -> None:
    """Reason, name, PIN: what whoever decides does on the technician's tablet."""
    tablet.page.get_by_label(label).fill(reason)
    tablet.page.get_by_label("Who decides", exact=True).select_option(label=person.membership.name)
    tablet.type_pin(person.pin)
    tablet.press(last_key)


def refusal(tablet: TabletInBay) -> Locator:
    return tablet.page.locator("#pin-error")


def test_other_targets_are_asked_for_decided_by_pin_and_named_where_it_is_signed(tablet: TabletInBay) -> None:
    manager, technician_of_the_bay = tablet.bay.site.manager, tablet.bay.technician
    job_id, technician = opened(tablet, "What to write")
    turn_to(technician, "Ask for other targets")
    tablet.press("Ask for it")
    expect(tablet.page.get_by_text("Type the target that is to differ.")).to_be_visible()
    expect(tablet.page.get_by_text("Name who agreed to it.")).to_be_visible()
    tablet.page.get_by_label("Target at the front").fill("489,5")
    tablet.page.get_by_label("Why other targets").fill("A winch of 60 kg is to come")
    tablet.page.get_by_label("Who agreed to it for the operator").fill("The fleet office")
    tomorrow = (timezone.localtime() + timedelta(days=2)).date().isoformat()
    tablet.page.get_by_label("Day on which they agreed").fill(tomorrow)
    tablet.press("Ask for it")
    expect(tablet.page.get_by_text("That day is still to come.")).to_be_visible()
    tablet.page.get_by_label("Day on which they agreed").fill(timezone.localtime().date().isoformat())
    tablet.press("Ask for it")
    tablet.expect_heading("Waits for another person")
    sent(tablet)
    expect(tablet.page.get_by_role("row", name="Front")).to_contain_text("+3.5")
    expect(tablet.page.get_by_text("Write nothing.")).to_be_visible()
    looked = Looked()
    looked.at(tablet.page, "waits")
    technician.follow("Decide here, by PIN")
    tablet.expect_heading("Decide")
    looked.at(tablet.page, "decide")
    assert looked.wrong == {}
    why = "Why it is decided so"
    by_pin(tablet, technician_of_the_bay, "Mine", "Decide", why)
    expect(refusal(tablet)).to_have_text("Choose what is decided.")
    tablet.page.get_by_label("approved: it may be done").check()
    by_pin(tablet, technician_of_the_bay, "Mine", "Decide", why)
    expect(refusal(tablet)).to_contain_text("This needs a manager")
    tablet.page.get_by_label("Who decides", exact=True).select_option(label=manager.membership.name)
    tablet.type_pin("0000")
    tablet.press("Decide")
    expect(refusal(tablet)).to_contain_text("PIN")
    by_pin(tablet, manager, "The load stays aboard", "Decide", why)
    technician.left("Decide")
    job = job_of(tablet, job_id)
    (decision,) = [each["decision"] for each in job["approvals"] if each["concession"] == job["concession"]["id"]]
    assert decision["recorded_by"] == str(manager.membership.pk)
    assert (job["concession"]["front_target_mm"], job["concession"]["rear_target_mm"]) == (489.5, 504)
    assert job["concession"]["acknowledged_by"] == "The fleet office"
    tablet.open("#/settings")
    expect(tablet.page.get_by_role("button", name=f"Sign out {technician_of_the_bay.membership.name}")).to_be_visible()
    tablet.open(f"#/job/{job_id}")
    technician.left("Settings")
    technician.work(until=("Sign off",))
    told = tablet.page.get_by_text("Judged by other targets than the specification's")
    expect(told).to_be_visible()
    expect(
        tablet.page.get_by_text(f"The fleet office agreed to it, {manager.membership.name} approved it.")
    ).to_be_visible()
    technician.work()
    assert job_of(tablet, job_id)["state"] == "signed_off"


def test_a_manager_rules_by_pin_on_what_was_written_without_a_proposal(tablet: TabletInBay) -> None:
    job_id, technician = opened(tablet, "What to write")
    stored = tablet.bay.simulated.read_setpoints()
    turn_to(technician, "Set-points were written otherwise")
    written = {**stored, "FL": stored["FL"] + 2}
    tablet.bay.simulated.write(written)
    technician.type_counts(written)
    tablet.page.get_by_label("Time of the write").fill("")
    tablet.press("Record it")
    expect(tablet.page.get_by_text("The time is missing.")).to_be_visible()
    later = timezone.localtime() + timedelta(minutes=30)
    tablet.page.get_by_label("Day of the write").fill(later.date().isoformat())
    tablet.page.get_by_label("Time of the write").fill(later.strftime("%H:%M"))
    tablet.press("Record it")
    expect(tablet.page.get_by_text("still to come")).to_be_visible()
    now = timezone.localtime()
    tablet.page.get_by_label("Day of the write").fill(now.date().isoformat())
    tablet.page.get_by_label("Time of the write").fill(now.strftime("%H:%M"))
    tablet.press("Record it")
    technician.left("Written otherwise")
    sent(tablet)
    job = job_of(tablet, job_id)
    (write,) = job["writes"]
    assert (write["proposal"], write["read_back"]) == (None, written)
    (finding,) = [each for each in job["findings"] if each["code"] == "write_without_proposal"]
    tablet.open(f"#/job/{job_id}/findings")
    rules = tablet.page.get_by_role("link", name="A manager rules here, by PIN").first
    tablet.context.set_offline(True)
    rules.click()
    tablet.expect_heading("Rule on a finding")
    expect(tablet.page.get_by_text("Deciding needs the network")).to_be_visible()
    tablet.context.set_offline(False)
    expect(tablet.page.get_by_text("Deciding needs the network")).to_have_count(0)
    looked = Looked()
    looked.at(tablet.page, "rule")
    assert looked.wrong == {}
    tablet.open(f"#/job/{job_id}/decide/{finding['id']}")
    tablet.page.get_by_label("accepted: the job may go on").check()
    by_pin(tablet, tablet.bay.site.manager, "Seen on the tool", "Decide", "Why it is decided so")
    technician.left("Rule on a finding")
    (ruled,) = [each for each in job_of(tablet, job_id)["findings"] if each["code"] == "write_without_proposal"]
    assert (ruled["ruling"]["decision"], ruled["in_force"]) == ("accept", False)
    assert ruled["ruling"]["recorded_by"] == str(tablet.bay.site.manager.membership.pk)


def test_a_round_is_copied_from_the_paper_worksheet_with_set_points_in_hexadecimal(tablet: TabletInBay) -> None:
    measurer = tablet.bay.site.person("technician", name="Measurer")
    job_id, technician = opened(tablet, "Before you measure")
    technician.follow("Copy from paper")
    tablet.press("Begin copying")
    expect(tablet.page.get_by_text("The time is missing.")).to_be_visible()
    earlier, later = (timezone.localtime() + timedelta(minutes=each) for each in (-20, 30))
    note_moment(tablet, later)
    tablet.press("Begin copying")
    expect(tablet.page.get_by_text("still to come")).to_be_visible()
    note_moment(tablet, earlier)
    expect(tablet.page.get_by_text("That is before the job was opened")).to_be_visible()
    tablet.page.get_by_label("Who measured").select_option(label="Measurer")
    tablet.press("Begin copying")
    tablet.expect_heading("Copy the worksheet")
    technician.type_reading("490")
    expect(tablet.page.locator(".plan-FL")).to_contain_text("490.0")
    technician.type_reading("496")
    expect(tablet.page.locator(".notice-review")).to_contain_text("Where the sheet has a third reading")
    assert technician.corner_now() == "FR"
    while (corner := technician.corner_now()) is not None:
        technician.type_reading(str(tablet.bay.read(corner)))
    tablet.press("Go on")
    technician.left("Copy the worksheet")
    tablet.expect_heading("Stored set-points")
    type_in_hexadecimal(tablet)
    tablet.press("Look it over")
    tablet.expect_heading("Look it over")
    expect(tablet.page.get_by_text("From the paper worksheet, measured on")).to_be_visible()
    stored = tablet.bay.simulated.read_setpoints()
    shown = f"{stored['FL']} ({stored['FL']:X} hex)"
    expect(tablet.page.get_by_role("row", name="Front left")).to_contain_text(shown)
    technician.record_round()
    technician.left("Look it over")
    sent(tablet)
    (round_,) = job_of(tablet, job_id)["rounds"]
    assert (round_["recorded_from"], round_["setpoints"]) == ("paper", stored)
    assert {each["measured_by"] for each in round_["readings"]} == {str(measurer.membership.pk)}
    assert abs((datetime.fromisoformat(round_["taken_at"]) - earlier).total_seconds()) < 60


def test_a_worksheet_whose_screen_stands_open_over_midnight_is_of_the_new_day(tablet: TabletInBay) -> None:
    _job, technician = opened(tablet, "Before you measure")
    noon = datetime.now(UTC).replace(hour=12)
    evening, night = (noon + each for each in (timedelta(0), timedelta(days=1)))
    tablet.page.clock.set_fixed_time(evening)
    technician.follow("Copy from paper")
    day, at = (tablet.page.get_by_label(f"{each} on the sheet") for each in ("Day", "Time"))
    expect(day).to_have_value(evening.date().isoformat())
    tablet.page.clock.set_fixed_time(night)
    at.focus()
    expect(day).to_have_value(night.date().isoformat())
    expect(day).to_have_attribute("max", night.date().isoformat())
    day.fill(evening.date().isoformat())
    at.focus()
    expect(day).to_have_value(evening.date().isoformat())


def note_moment(tablet: TabletInBay, at: Any) -> None:
    tablet.page.get_by_label("Day on the sheet").fill(at.date().isoformat())
    tablet.page.get_by_label("Time on the sheet").fill(at.strftime("%H:%M"))


def type_in_hexadecimal(tablet: TabletInBay) -> None:
    """By the keys at one corner, by a keyboard at the others; what is no number is told."""
    stored, page = tablet.bay.simulated.read_setpoints(), tablet.page
    page.get_by_label("My tool shows hexadecimal").check()
    page.get_by_label("Set-point, Front left").fill("1G")
    tablet.press("Look it over")
    expect(page.get_by_text("A number of the figures 0–9 and A–F is missing.").first).to_be_visible()
    page.get_by_label("Set-point, Front left").fill("")
    for figure in f"{stored['FL']:X}":
        tablet.press(figure)
    for corner in ("FR", "RL", "RR"):
        page.get_by_label(f"Set-point, {NAMES[corner]}").fill(f"{stored[corner]:x}")
    for corner, count in stored.items():
        expect(page.locator(f".plan-{corner} .count-meaning")).to_have_text(f"= {count} decimal")
    for is_hexadecimal, figures in ((False, str(stored["FL"])), (True, f"{stored['FL']:X}")):
        page.get_by_label("My tool shows hexadecimal").set_checked(is_hexadecimal)
        expect(page.get_by_label("Set-point, Front left")).to_have_value(figures)


def test_what_to_write_and_what_was_read_back_are_shown_in_hexadecimal_too(tablet: TabletInBay) -> None:
    job_id, technician = opened(tablet, "Stored set-points")
    type_in_hexadecimal(tablet)
    tablet.press("Look it over")
    technician.left("Stored set-points")
    technician.work(until=("What to write",))
    wanted = job_of(tablet, job_id)["proposal"]["to_setpoints"]
    expect(tablet.page.locator(".count-other").first).to_have_text(f"{wanted['FL']:X} hex")
    technician.follow("Go on to the write")
    tablet.page.get_by_label("Last four of the VIN").fill(tablet.bay.vehicle.vin[-4:])
    tablet.press("This is the vehicle")
    expect(tablet.page.locator(".count-other").first).to_have_text(f"{wanted['FL']:X} hex")
    tablet.bay.simulated.write(wanted)
    tablet.press("They are written")
    tablet.expect_heading("Read back")
    expect(tablet.page.locator(".plan-FL")).to_contain_text(f"to be stored: {wanted['FL']} ({wanted['FL']:X} hex)")
    for corner, count in wanted.items():
        tablet.page.get_by_label(f"Set-point, {NAMES[corner]}").fill(f"{count:X}")
    expect(tablet.page.get_by_text("All as it was to be stored")).to_be_visible()
    tablet.press("Record the write")
    technician.left("Read back")
    sent(tablet)
    (write,) = job_of(tablet, job_id)["writes"]
    assert (write["read_back"], write["verified"]) == (wanted, True)


def test_tyres_are_noted_axle_by_axle_and_a_job_on_the_wrong_vehicle_is_moved_by_a_manager(tablet: TabletInBay) -> None:
    right = tablet.bay.site.vehicle(vehicle_model=tablet.bay.vehicle.vehicle_model)
    job_id, technician = opened(tablet, "Before you measure")
    turn_to(technician, "Record the tyres fitted")
    tablet.press("Record the tyres")
    expect(tablet.page.get_by_text("The size is missing.")).to_be_visible()
    for wrong, said in (("235/65 16", "The letter before the rim diameter"), ("235/65 R16 115", "The speed symbol is")):
        tablet.page.get_by_label("Size, as the sidewall says").fill(wrong)
        tablet.press("Record the tyres")
        expect(tablet.page.locator("#size-all-error")).to_contain_text(said)
    tablet.page.get_by_label("others at the front").check()
    front, rear = job_of(tablet, job_id)["specification"]["allowed_tyres"]
    type_tyre(axle(tablet, "Front"), front)
    axle(tablet, "Rear").get_by_label("Size, as the sidewall says").fill(f"{rear.lower()} 115/113 q")
    expect(axle(tablet, "Rear")).to_contain_text("Load index 115, speed symbol Q")
    expect(axle(tablet, "Rear").get_by_label("Load index")).not_to_be_visible()
    tablet.press("Record the tyres")
    technician.left("Tyres fitted")
    sent(tablet)
    fitment = tablet.bay.get(f"/vehicles/{tablet.bay.vehicle.vin}/fitments/")["results"][0]
    sizes = {corner: each["size"] for corner, each in fitment["tyres"].items()}
    assert sizes == {"FL": front, "FR": front, "RL": rear, "RR": rear}
    assert (fitment["tyres"]["FL"]["load_index"], fitment["odometer_km"]) == (112, 48210)
    assert (fitment["tyres"]["RR"]["load_index"], fitment["tyres"]["RR"]["speed_symbol"]) == (115, "Q")
    tablet.open(f"#/job/{job_id}")
    turn_to(technician, "It is the wrong vehicle")
    move_to(tablet, right.vin)
    technician.left("Wrong vehicle")
    expect(tablet.page.get_by_text(right.vin[-6:]).first).to_be_visible()
    job = job_of(tablet, job_id)
    assert job["vehicle"]["vin"] == right.vin
    assert [each["reason"] for each in job["refilings"]] == ["Two of them side by side"]


def axle(tablet: TabletInBay, name: str) -> Locator:
    heading = tablet.page.get_by_role("heading", name=name, exact=True)
    return tablet.page.locator("section.stack", has=heading)


def type_tyre(place: Locator, size: str) -> None:
    place.get_by_role("button", name=size).click()
    place.get_by_label("Load index").fill("112")
    place.get_by_label("Speed symbol").select_option("H")


def move_to(tablet: TabletInBay, vin: str) -> None:
    page, label = tablet.page, "How it came to the wrong vehicle"
    for wrong, told in (("AAAAAAAAAAAAAAAAA", "No vehicle of the workshop"), (tablet.bay.vehicle.vin, "filed now")):
        page.get_by_label("VIN of the vehicle").fill(wrong)
        tablet.press("Look it up")
        expect(page.locator("#vin-error")).to_contain_text(told)
    page.get_by_label("VIN of the vehicle").fill(vin.lower())
    tablet.press("Look it up")
    expect(page.get_by_text("To be filed under")).to_be_visible()
    by_pin(tablet, tablet.bay.technician, "Two of them side by side", "Move it", label)
    expect(refusal(tablet)).to_contain_text("manager")
    by_pin(tablet, tablet.bay.site.manager, "Two of them side by side", "Move it", label)


def test_after_sign_off_a_new_job_goes_back_to_the_set_points_as_found(tablet: TabletInBay) -> None:
    found = tablet.bay.simulated.read_setpoints()
    first, technician = opened(tablet, "Signed off")
    tablet.open(f"#/vehicle/{tablet.bay.vehicle.vin}")
    earlier = tablet.page.get_by_role("link", name="Routine check")
    expect(earlier).to_be_visible()
    looked = Looked()
    looked.at(tablet.page, "vehicle with an earlier job")
    earlier.click()
    technician.follow("Go back to as found, in a new job")
    expect(tablet.page.get_by_text("To go back to the set-points as found")).to_be_visible()
    looked.at(tablet.page, "reception for the way back")
    assert looked.wrong == {}
    tablet.page.get_by_label("Odometer").fill("48300")
    tablet.press("Open the job")
    tablet.page.wait_for_url("**/#/job/*")
    job_id = tablet.page.url.rpartition("/")[2]
    technician.work()
    job = job_of(tablet, job_id)
    assert (job["reason"], job["to_job"], job["state"]) == ("reversion", first, "reverted")
    assert tablet.bay.simulated.read_setpoints() == found
