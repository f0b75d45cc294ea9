"""A job in its vehicle's history: every step in a line with its figures."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path
from typing import Any

from django.utils import timezone

from calibration import services
from fleet import history
from tests.calibration.api.http_bench import ON_TARGET, ONE_HIGH, HttpBench, moment, readings
from tests.factories import Site


def lines(bench: HttpBench, vin: str = "", client: Any = None) -> list[str]:
    """What the history says, oldest first, without the number of the job."""
    answer = bench.get(f"/vehicles/{vin or bench.vehicle.vin}/history/", client=client, page_size="200")
    return [re.sub(r"^Job \d+: ", "", row["summary"]) for row in reversed(answer.json()["results"])]


def test_every_height_and_every_set_point_stands_in_the_history(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    proposal = bench.propose()
    bench.write(proposal)
    bench.measure(ON_TARGET)
    assert bench.sign_off().status_code == 200

    after = proposal["to_setpoints"]
    told = lines(bench)
    assert told[:4] == [
        f"Vehicle added with VIN {bench.vehicle.vin}.",
        "opened (routine check) at 48\u202f210.5 km.",
        "readiness checked, 11 items in order.",
        "measured FL 498.0 mm (+12.0), FR 486.0 mm (0.0), RL 504.0 mm (0.0), RR 504.0 mm (0.0): "
        "outside tolerance; set-points FL 128, FR 131, RL 119, RR 122.",
    ]
    assert told[4] == f"proposed FL 128 → {after['FL']} (within all limits).", "what stays as it is needs no line"
    counts = ", ".join(f"{corner} {after[corner]}" for corner in ("FL", "FR", "RL", "RR"))
    assert told[5] == f"written, read back as {counts}."
    assert told[6].startswith("measured FL ")
    assert told[6].endswith(f"within tolerance; set-points {counts}.")
    assert told[7] == "signed off as complete."


def test_a_round_tells_how_it_had_settled(bench: HttpBench) -> None:
    bench.open_job()
    bench.make_ready()
    bench.measure(ON_TARGET)
    bench.measure(ONE_HIGH, settling_cut_short_s=35)
    bench.measure(ON_TARGET, settled=False, ride_position="raised")

    first, second, third = lines(bench)[-3:]
    assert first.endswith("RR 122.")
    assert second.endswith("RR 122. The wait for it to settle was cut short after 35 s.")
    assert third.endswith("RR 122. It had not settled, and is not judged.")


def test_a_step_names_its_job(bench: HttpBench) -> None:
    number = bench.open_job()["number"]

    newest = bench.get(f"/vehicles/{bench.vehicle.vin}/history/").json()["results"][0]

    assert newest["summary"].startswith(f"Job {number}: opened")
    assert newest["rows"]["calibration.job"][0]["number"] == number
    assert len(newest["hash"]) == 64


def test_what_goes_otherwise_is_told_with_its_reason(site: Site, bench: HttpBench) -> None:
    bench.open_job()
    bench.made(
        f"/jobs/{bench.job}/readiness/", {"checks": {"floor": {"outcome": "fail", "note": "Slopes to the door."}}}
    )
    bench.make_ready()
    measured = bench.measure(ONE_HIGH)
    bench.made(f"/rounds/{measured['id']}/readings/", {"readings": readings({"FL": 498}, 1)})
    strike = {"reason": "Wrong mark.", "replacement": {"height_mm": 498}}
    bench.made(f"/readings/{measured['readings'][0]['id']}/strike/", strike, client=bench.manager)
    proposal = bench.propose()
    bench.write(proposal, read_back={**proposal["to_setpoints"], "RR": 121})
    bench.made(f"/jobs/{bench.job}/pause/", {"reason": "Rod ordered."})
    again = {"reason": "Rod here.", "setpoints": bench.setpoints, "nothing_changed": True}
    bench.made(f"/jobs/{bench.job}/resumption/", again)
    end = {"reason": "Owner took it away.", "setpoints": bench.setpoints}
    bench.made(f"/jobs/{bench.job}/end/", end)

    told = lines(bench)
    for words in (
        "readiness checked, failed or not done: level floor (Slopes to the door).",
        "read again: FL 498.0 mm (+12.0), FR",
        "a reading struck out and replaced: Wrong mark.",
        "not as intended at RR.",
        "paused: Rod ordered.",
        "resumed; set-points FL ",
        "ended without sign-off: Owner took it away.",
    ):
        assert any(words in line for line in told), (words, told)


def test_decisions_are_told_with_their_reasons(site: Site, bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    asked = {"front_target_mm": 490, "rear_target_mm": 508, "reason": "Ferry ramp."}
    concession = bench.made(
        f"/jobs/{bench.job}/concession/", {**asked, "acknowledged_by": "A. Reeve", "acknowledged_on": "2026-01-02"}
    )
    shown = bench.state()["approval"]
    body = {"decision": "refuse", "reason": "Too high.", "content_sha256": shown["content_sha256"]}
    bench.made(f"/approvals/{concession['approval']}/decision/", body, client=bench.manager)
    reset = {"corners": ["FL", "RR"], "reason": "New sensors."}
    bench.made(f"/vehicles/{bench.vehicle.vin}/baseline-reset/", reset, client=bench.manager)
    bench.made(f"/jobs/{bench.job}/writes/", {"written_at": moment(), "read_back": bench.setpoints})
    finding = next(f for f in bench.state()["findings"] if f["code"] == "write_without_proposal")
    ruling = {"finding": finding["id"], "decision": "accept", "reason": "Tried out."}
    bench.made(f"/jobs/{bench.job}/rulings/", ruling, client=bench.manager)
    other = site.vehicle()
    bench.made(f"/jobs/{bench.job}/refiling/", {"vehicle": other.vin, "reason": "Plates mixed up."}, bench.manager)

    told = lines(bench)
    for words in (
        "concession asked for: targets front 490 mm, rear 508 mm.",
        "approval refused: Too high.",
        "Shift limits count anew from the set-points read next at FL, RR: New sensors.",
        "finding accepted: Tried out.",
        "A job was moved from here to another vehicle: Plates mixed up.",
    ):
        assert words in told, (words, told)
    assert "moved here from another vehicle: Plates mixed up." in lines(bench, other.vin)


def test_who_asked_and_who_decided_are_named(site: Site, bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    body = {"front_target_mm": 490, "rear_target_mm": 508, "reason": "Ramp.", "acknowledged_by": "A. Reeve"}
    bench.made(f"/jobs/{bench.job}/concession/", {**body, "acknowledged_on": "2026-01-02"})
    (approval,) = bench.get("/approvals/", client=bench.manager, state="open").json()["results"]
    assert approval["requested_by_name"] == site.technician.membership.name

    decision = {"decision": "approve", "reason": "Seen.", "content_sha256": approval["content_sha256"]}
    decided = bench.made(f"/approvals/{approval['id']}/decision/", decision, client=bench.manager)

    assert decided["decision"]["recorded_by_name"] == site.manager.membership.name


def test_every_step_of_a_job_has_its_line() -> None:
    """Kinds as the services write them; one without a line would be shown by its slug."""
    sources = [path.read_text() for path in (Path(services.__file__).parent).glob("*.py")]
    kinds = {kind for source in sources for kind in re.findall(r'(?:conclude|conclude_closed)\("(\w+)"', source)}

    assert len(kinds) > 12
    assert kinds <= set(history.summaries())


def test_an_event_dated_before_the_open_job_is_kept_with_a_finding(bench: HttpBench) -> None:
    bench.open_job()
    events = f"/vehicles/{bench.vehicle.vin}/events/"
    body = {"kind": "sensor_replaced", "corner": "FL"}

    def codes(at: str) -> list[str]:
        return [each["code"] for each in bench.made(events, {**body, "happened_at": at})["findings"]]

    assert codes(moment()) == []
    assert codes(moment(-60)) == ["clock_wrong"]
    assert codes(moment(60)) == ["clock_wrong"]
    shown = [[each["code"] for each in event["findings"]] for event in bench.state()["events"]]
    assert sorted(shown) == [[], ["clock_wrong"], ["clock_wrong"]]


def test_without_an_open_job_an_old_event_is_just_old(bench: HttpBench) -> None:
    old = (timezone.now() - timedelta(days=400)).isoformat()
    body = {"kind": "spring_replaced", "corner": "FL", "happened_at": old}

    assert bench.made(f"/vehicles/{bench.vehicle.vin}/events/", body)["findings"] == []
