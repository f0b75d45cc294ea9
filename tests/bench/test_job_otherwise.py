"""Jobs that do not go straight on: paused, mended, entered by hand, struck, gone back, ended, or cut off by a kill."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import Playwright, expect

from fleet.models import Workshop
from fleet.tenancy import in_workshop
from reports.demo.simulated_vehicle import CORNER_NAMES
from tests.bench.bay import Bay, TabletInBay
from tests.bench.technician import NAMES, TechnicianAtTablet, opened, turn_to
from tests.bench.test_handover import hand_over
from tests.bench.test_job_beside import by_pin
from tests.browser.killable import Chromium
from tests.simulator.scenarios import ESTATE, FAULTY, draw_case


def test_a_paused_job_goes_on_where_it_stood(tablet: TabletInBay) -> None:
    job_id, technician = opened(tablet, "What to write")
    turn_to(technician, "Pause the job")
    tablet.press("Pause")
    expect(tablet.page.get_by_text("Say why. It stays on record.")).to_be_visible()
    tablet.page.get_by_label("What is waited for").fill("A linkage rod")
    tablet.press("Pause")
    technician.left("Pause the job")
    tablet.expect_heading("The job is paused")
    expect(tablet.page.get_by_text("All records sent")).to_be_visible()
    assert tablet.bay.get(f"/jobs/{job_id}/")["state"] == "paused"
    tablet.page.get_by_label("nothing was changed").check()
    technician.type_counts(tablet.bay.simulated.read_setpoints())
    tablet.page.get_by_label("Why it goes on").fill("The rod has come and was not needed")
    tablet.press("Go on with the job")
    technician.left("The job is paused")
    technician.work()
    assert tablet.bay.get(f"/jobs/{job_id}/")["state"] == "signed_off"


def test_work_on_the_vehicle_asks_for_readiness_and_a_new_round(tablet: TabletInBay) -> None:
    job_id, technician = opened(tablet, "What to write")
    turn_to(technician, "Record what was mended")
    tablet.page.get_by_label("Linkage repaired").check()
    tablet.page.get_by_label("Rear left").check()
    tablet.page.get_by_label("What was done").fill("Rod renewed")
    tablet.press("Record it")
    technician.left("What was mended")
    technician.work(until=("Is the vehicle ready?",))
    (event,) = tablet.bay.get(f"/jobs/{job_id}/")["events"]
    assert (event["kind"], event["corner"], event["note"]) == ("linkage_repaired", "RL", "Rod renewed")
    technician.work()


def test_set_points_by_hand_wait_for_another_person(tablet: TabletInBay) -> None:
    job_id, technician = opened(tablet, "What to write")
    technician.follow("Set-points by hand")
    stored = tablet.bay.simulated.read_setpoints()
    technician.type_counts({**stored, "FR": stored["FR"] + 3})
    tablet.press("Have them checked")
    expect(tablet.page.get_by_text("Say why: whoever approves it")).to_be_visible()
    tablet.page.get_by_label("Why these, and not the computed ones").fill("To see which way it moves")
    tablet.press("Have them checked")
    tablet.expect_heading("Waits for another person")
    decide(tablet.bay, tablet.bay.get(f"/jobs/{job_id}/")["approval"])
    tablet.press("Look again")
    technician.left("Waits for another person")
    technician.work(until=("Read back",))
    assert tablet.bay.simulated.read_setpoints()["FR"] == stored["FR"] + 3


def test_where_one_person_approves_alone_nobody_else_is_said_to_be_waited_for(tablet: TabletInBay) -> None:
    manager = tablet.bay.site.manager
    with in_workshop(tablet.bay.site.workshop.pk):
        Workshop.objects.update(single_person=True)
    hand_over(tablet, manager)
    job_id, technician = opened(tablet, "What to write")
    enter_by_hand(tablet, technician)
    tablet.expect_heading("To be decided")
    expect(tablet.page.get_by_text("Whoever approves in this workshop decides here, by PIN")).to_be_visible()
    expect(tablet.page.get_by_text("Whoever may decide is told")).to_have_count(0)
    technician.follow("Decide here, by PIN")
    expect(tablet.page.get_by_text("on their own work too: the record says that it is self-approved")).to_be_visible()
    tablet.page.get_by_label("approved: it may be done").check()
    by_pin(tablet, manager, "Mine to say", "Decide", "Why it is decided so")
    technician.left("Decide")
    (approval,) = tablet.bay.get(f"/jobs/{job_id}/")["approvals"]
    assert approval["decision"]["self_approved"] is True


def enter_by_hand(tablet: TabletInBay, technician: TechnicianAtTablet) -> dict[str, int]:
    technician.follow("Set-points by hand")
    stored = tablet.bay.simulated.read_setpoints()
    technician.type_counts({**stored, "FR": stored["FR"] + 3})
    tablet.page.get_by_label("Why these, and not the computed ones").fill("To see which way it moves")
    tablet.press("Have them checked")
    return stored


def test_set_points_beyond_a_limit_are_refused_with_the_limit(tablet: TabletInBay) -> None:
    job_id, technician = opened(tablet, "What to write")
    technician.follow("Set-points by hand")
    stored = tablet.bay.simulated.read_setpoints()
    technician.type_counts({**stored, "FR": stored["FR"] - 30})
    tablet.page.get_by_label("Why these, and not the computed ones").fill("To be done in one go")
    tablet.press("Have them checked")
    told = tablet.page.locator(".notice-stop")
    expect(told).to_contain_text("change of 30 counts, at most 20 in one write")
    tablet.expect_heading("What to write")
    assert tablet.bay.get(f"/jobs/{job_id}/")["proposal"]["kind"] == "computed"


def decide(bay: Bay, approval: dict[str, Any]) -> None:
    body = {"decision": "approve", "reason": "Seen", "content_sha256": approval["content_sha256"]}
    answer = bay.site.manager.client().post(f"/api/v1/approvals/{approval['id']}/decision/", body, format="json")
    assert answer.status_code == 200, answer.content


def test_going_back_ends_with_a_round_at_the_set_points_as_found(tablet: TabletInBay) -> None:
    found = tablet.bay.simulated.read_setpoints()
    job_id, technician = opened(tablet, "Let it settle")
    turn_to(technician, "Go back to the set-points as found")
    tablet.page.get_by_label("Why it goes back").fill("The customer wants it as it was")
    tablet.page.get_by_text("Go back …").click()
    tablet.press("Go back")
    technician.left("Back to the set-points as found")
    technician.work()
    job = tablet.bay.get(f"/jobs/{job_id}/")
    assert job["state"] == "reverted"
    assert tablet.bay.simulated.read_setpoints() == found
    assert technician.screens[-1] == "Back at earlier set-points"


def test_a_job_that_is_ended_after_a_write_says_what_is_stored(tablet: TabletInBay) -> None:
    job_id, technician = opened(tablet, "Let it settle")
    turn_to(technician, "End the job without sign-off")
    technician.type_counts(tablet.bay.simulated.read_setpoints())
    tablet.page.get_by_text("End the job …").click()
    tablet.press("End it")
    expect(tablet.page.get_by_text("Choose why it ends here.")).to_be_visible()
    tablet.page.get_by_label("Something else").check()
    tablet.press("End it")
    expect(tablet.page.get_by_text("Say why. It stays on record.")).to_be_visible()
    tablet.page.get_by_label("Sent away to be repaired first").check()
    tablet.page.get_by_label("More about it").fill("Rear damper")
    tablet.press("End it")
    tablet.expect_heading("Ended")
    job = tablet.bay.get(f"/jobs/{job_id}/")
    assert (job["state"], job["end"]["setpoints"]) == ("ended", tablet.bay.simulated.read_setpoints())
    assert job["end"]["reason"] == "Sent away to be repaired first: Rear damper"
    expect(tablet.page.get_by_text("no measurement confirmed the heights")).to_be_visible()


def test_who_measured_may_not_strike_a_reading_whose_verdict_was_shown(tablet: TabletInBay) -> None:
    job_id, _technician = opened(tablet, "Where it stands")
    strike_first_reading(tablet)
    expect(tablet.page.get_by_text("A record was not accepted")).to_be_visible()
    assert struck(tablet, job_id) == []


def test_another_person_strikes_a_reading(tablet: TabletInBay) -> None:
    other = tablet.bay.site.person("technician", name="Second person")
    job_id, _technician = opened(tablet, "Where it stands")
    tablet.open("#/settings")
    tablet.press(f"Sign out {tablet.bay.technician.membership.name}")
    tablet.sign_in(other)
    tablet.open(f"#/job/{job_id}")
    strike_first_reading(tablet)
    tablet.expect_heading("Where it stands")
    expect(tablet.page.get_by_text("All records sent")).to_be_visible()
    assert struck(tablet, job_id) == ["Tape was not upright"]


def strike_first_reading(tablet: TabletInBay) -> None:
    tablet.page.get_by_text("Every reading").first.click()
    tablet.page.get_by_role("button", name="Strike out").first.click()
    tablet.press("Strike it out")
    expect(tablet.page.get_by_text("Read the corner again and type the height.")).to_be_visible()
    tablet.page.get_by_label("What the tape shows now").fill(str(tablet.bay.read("FL")))
    tablet.page.get_by_label("What was wrong with it").fill("Tape was not upright")
    tablet.press("Strike it out")


def struck(tablet: TabletInBay, job_id: str) -> list[str]:
    rounds = tablet.bay.get(f"/jobs/{job_id}/")["rounds"]
    return [each["strike"]["reason"] for one in rounds for each in one["readings"] if each["struck"]]


def test_who_calls_the_readings_is_recorded_with_them(tablet: TabletInBay) -> None:
    caller = tablet.bay.site.person("technician", name="Caller")
    job_id, technician = opened(tablet, "Before you measure")
    tablet.page.get_by_label("Who reads the tape").select_option(label="Caller calls, I type")
    tablet.page.get_by_label("Once round the vehicle").check()
    tablet.press("Begin measuring")
    tablet.expect_heading("Measure: one calls, one types")
    order = []
    while (corner := technician.corner_now()) is not None:
        order.append(corner)
        technician.type_reading(str(tablet.bay.read(corner)))
    tablet.press("Go on")
    technician.left("Measure: one calls, one types")
    technician.work(until=("Where it stands",))
    readings = tablet.bay.get(f"/jobs/{job_id}/")["rounds"][0]["readings"]
    assert {each["measured_by"] for each in readings} == {str(caller.membership.pk)}
    assert order[:8] == ["FL", "FR", "RR", "RL"] * 2


def test_large_keys_type_the_reading(tablet: TabletInBay) -> None:
    _job_id, _technician = opened(tablet, "Measure")
    for key in ("4", "8", "7", ".", "5", "Rub out"):
        tablet.page.locator(".keypad").get_by_role(
            "button", name=key if key != "." else "Decimal sign", exact=True
        ).click()
    expect(tablet.page.locator("#reading")).to_have_value("487.")
    tablet.page.locator(".keypad").get_by_role("button", name="0", exact=True).click()
    tablet.press("Take this reading")
    expect(tablet.page.locator(".plan-FL")).to_contain_text("1 taken, 1 to take")
    expect(tablet.page.locator("#reading")).to_be_focused()


def test_records_that_were_not_sent_outlive_a_killed_browser(
    playwright: Playwright, chromium_path: str, bay: Bay, tmp_path: Path
) -> None:
    with Chromium(playwright, chromium_path, tmp_path) as chromium:
        tablet = TabletInBay.unpacked(bay, chromium.context)
        tablet.enrol()
        tablet.sign_in()
        job_id, technician = opened(tablet, "Before you measure")
        tablet.context.set_offline(True)
        technician.work(until=("Look it over",))
        technician.record_round()
        tablet.expect_heading("Kept on this tablet")
        chromium.kill()
    assert bay.get(f"/jobs/{job_id}/")["rounds"] == []
    with Chromium(playwright, chromium_path, tmp_path) as chromium:
        tablet = TabletInBay.unpacked(bay, chromium.context)
        tablet.open(f"#/job/{job_id}")
        technician = TechnicianAtTablet(tablet)
        technician.work()
    job = bay.get(f"/jobs/{job_id}/")
    assert job["state"] == "signed_off"
    assert len(job["rounds"]) == 1 + technician.screens.count("Look it over")


def test_a_record_is_kept_once_however_often_it_is_pressed(tablet: TabletInBay) -> None:
    job_id, _technician = opened(tablet, "Look it over")
    tablet.page.get_by_label("stood still").check()
    tablet.page.locator(".bench-bar .button-main").evaluate("button => { button.click(); button.click(); }")
    tablet.expect_heading("Where it stands")
    assert len(tablet.bay.get(f"/jobs/{job_id}/")["rounds"]) == 1


NO_ROOM = """() => {
  const { add } = IDBObjectStore.prototype;
  IDBObjectStore.prototype.add = () => { throw new DOMException('no room', 'QuotaExceededError'); };
  window.roomAgain = () => Object.assign(IDBObjectStore.prototype, { add });
}"""


def test_a_round_that_could_not_be_kept_is_still_there_to_be_kept(tablet: TabletInBay) -> None:
    job_id, technician = opened(tablet, "Look it over")
    tablet.page.get_by_label("stood still").check()
    tablet.page.evaluate(NO_ROOM)
    tablet.press("Record this round")
    expect(tablet.page.get_by_text("No room: this record was not kept")).to_be_visible()
    tablet.expect_heading("Look it over")
    tablet.page.evaluate("() => window.roomAgain()")
    tablet.press("Record this round")
    technician.left("Look it over")
    technician.work(until=("Where it stands",))
    assert len(tablet.bay.get(f"/jobs/{job_id}/")["rounds"]) == 1


def test_a_dead_corner_is_looked_at_mended_and_the_job_goes_on(tablet: TabletInBay) -> None:
    rng = np.random.default_rng(3)
    dead = next(each for each in FAULTY if each.name == "dead corner")
    case = draw_case(dead, ESTATE, rng)
    tablet.bay.simulated = case.vehicle
    corner = CORNER_NAMES[case.faults.index("dead")]
    job_id, technician = opened(tablet, "Stop and look")
    expect(tablet.page.locator(".notice-stop").first).to_be_visible()
    expect(tablet.page.locator("main")).to_contain_text(f"{corner} did not respond")
    technician.follow("Record what was mended")
    tablet.page.get_by_label("Height sensor replaced").check()
    expect(tablet.page.get_by_label(NAMES[corner])).to_be_checked()
    tablet.bay.simulated.repair(corner)
    tablet.press("Record it")
    technician.left("What was mended")
    technician.work()
    job = tablet.bay.get(f"/jobs/{job_id}/")
    assert job["state"] == "signed_off"
    assert [(each["kind"], each["corner"]) for each in job["events"]] == [("sensor_replaced", corner)]


def test_whoever_reads_inches_types_sixteenths_and_sees_inches(tablet: TabletInBay) -> None:
    tablet.open("#/settings")
    tablet.page.get_by_label("inches").check()
    expect(tablet.page.get_by_label("inches")).to_be_checked()
    job_id, technician = opened(tablet, "Measure")
    technician.type_reading("487")
    expect(tablet.page.locator("#reading-error")).to_contain_text("It looks like millimetres; type inches.")
    tablet.page.locator("#reading").fill("")
    while (corner := technician.corner_now()) is not None:
        sixteenths = round(tablet.bay.read(corner) / 25.4 * 16)
        technician.type_reading(f"{sixteenths // 16} {sixteenths % 16}/16")
    tablet.press("Go on")
    technician.left("Measure")
    technician.work(until=("Where it stands",))
    heights = [float(each["height_mm"]) for each in tablet.bay.get(f"/jobs/{job_id}/")["rounds"][0]["readings"]]
    assert all(abs(height / 25.4 * 16 - round(height / 25.4 * 16)) < 0.01 for height in heights)
    expect(tablet.page.locator(".plan-FL .unit")).to_have_text("in")
