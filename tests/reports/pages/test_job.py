"""One job, readable from reception to its end."""

from __future__ import annotations

import re
import uuid
from decimal import Decimal
from io import BytesIO
from pathlib import Path
from typing import Any

from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from PIL import Image

from calibration.models import Reading
from calibration.services import jobs as job_services
from calibration.services.photos import photo_add
from calibration.services.rounds import reading_strike
from fleet import services
from fleet.ids import new_id
from fleet.models import Workshop
from fleet.tenancy import in_workshop
from tests.factories import Site, make_site
from tests.fleet.signin.browsers import browser_of
from tests.reports import jobs

from .conftest import AtWork

QUERIES = 60


def page_of(browser: Client, bench: jobs.Bench) -> str:
    answer = browser.get(f"/jobs/{bench.job_id}/")
    assert answer.status_code == 200
    return str(answer.content.decode())


def test_a_round_says_how_it_had_settled(manager: Client, at_work: AtWork) -> None:
    at_work.open.measure(jobs.WITHIN, settling_cut_short_s=35)
    at_work.open.measure(jobs.WITHIN, settled=False)
    page = page_of(manager, at_work.open)
    assert page.count("(settling cut short after 35 s)") == 1
    assert page.count("(not settled, not judged)") == 1


def test_a_finished_job_tells_what_the_change_of_heights_did(manager: Client, at_work: AtWork) -> None:
    """As found to as left, and what each proposal was expected to do."""
    page = page_of(manager, at_work.done)
    whole = page[page.index("from as found to last measured") : page.index("Proposals and writes")]
    for words in (
        "<dt>Front higher against the rear</dt><dd>by 8.0 mm</dd>",
        "<dt>Headlamp beams</dt><dd>0.28 % upwards; check local rules (−1.20 → −0.92 %)</dd>",
        "<dt>Headlamps above ground</dt><dd>842.5 → 850.5 mm</dd>",
    ):
        assert words in whole, words
    proposed = page[page.index("computed proposal") :]
    assert "<dt>Headlamp beams</dt>" in proposed
    assert "Check the headlamp aim." in proposed


def test_a_job_measured_once_has_no_change_to_tell(manager: Client, at_work: AtWork) -> None:
    assert "from as found to last measured" not in page_of(manager, at_work.open)


def test_a_finished_job_tells_everything(manager: Client, at_work: AtWork) -> None:
    page = page_of(manager, at_work.done)
    for words in (
        "complaint: Sits low.",
        "84\u202f210 km",
        "signed off",
        "All well.",
        'href="/certificates/1/"',
        "The read-back agrees.",
        "computed proposal",
        "470.0 / 471.0",
        at_work.done.instrument.serial,
        "Round 2,",
        "As left, mm",
        "Leak check",
        at_work.done.case().standing.content_sha256,
    ):
        assert words in page, words
    assert "What can hurt somebody at this step" not in page


def test_an_open_job_says_what_is_next_and_what_can_hurt(manager: Client, at_work: AtWork) -> None:
    page = page_of(manager, at_work.open)
    assert "Write the proposed set-points, read them back and record both." in page
    assert "What can hurt somebody at this step" in page
    assert "everybody stands clear" in page
    assert f"/bench/#/job/{at_work.open.job_id}" in page


def test_findings_lead_to_the_ruling_and_show_it(manager: Client, at_work: AtWork) -> None:
    at_work.open.write(None, {**at_work.open.counts, "FL": 140})
    page = page_of(manager, at_work.open)
    assert "/findings/" in page
    assert "To be ruled on" in page
    assert "without a proposal" in page


def test_a_struck_reading_stays_visible_with_its_reason(manager: Client, at_work: AtWork, site: Site) -> None:
    with in_workshop(site.workshop.pk):
        wrong = Reading.objects.filter(round__job=at_work.open.job_id, corner="FL").first()
        assert wrong is not None
        reading_strike(
            actor=site.manager.actor(),
            record_id=new_id(),
            reading_id=wrong.pk,
            reason="read from the wrong mark",
            replacement={"height_mm": Decimal(471)},
        )
    page = page_of(manager, at_work.open)
    assert "<s>470.0</s>" in page
    assert "read from the wrong mark" in page


def test_interruptions_and_work_on_the_vehicle_are_told(manager: Client, at_work: AtWork, site: Site) -> None:
    bench = at_work.open
    with in_workshop(site.workshop.pk):
        job_services.job_pause(actor=bench.actor(), record_id=new_id(), job_id=bench.job_id, reason="parts awaited")
        actor = bench.actor()
        services.event_record(
            actor=actor,
            record_id=new_id(),
            vehicle=bench.vehicle,
            kind="spring_replaced",
            corner="FL",
            happened_at=actor.now,
            note="bellows perished",
        )
    page = page_of(manager, bench)
    assert "Paused: parts awaited" in page
    assert "Spring replaced, Front left: bellows perished" in page


def test_a_job_without_a_specification_is_shown_without_verdict(manager: Client, site: Site) -> None:
    bench = jobs.Bench.at(site, vehicle=site.vehicle(vehicle_model=site.vehicle_model()))
    bench.receive()
    bench.measure(jobs.LOW_FRONT_LEFT)
    page = page_of(manager, bench)
    assert "nothing: there is no specification" in page
    assert "470.0 / 471.0" in page


def test_a_job_just_opened_is_shown(manager: Client, site: Site) -> None:
    bench = jobs.Bench.at(site)
    bench.receive()
    assert "Not every readiness item has been checked." in page_of(manager, bench)


def test_inches_for_whoever_wants_them(manager: Client, at_work: AtWork, site: Site) -> None:
    with in_workshop(site.workshop.pk):
        Workshop.objects.update(length_unit="inch")
    page = page_of(manager, at_work.done)
    assert "18.50 / 18.54" in page


def test_what_was_typed_stays_text(manager: Client, site: Site) -> None:
    bench = jobs.Bench.at(site, vehicle=site.vehicle(registration="<b>x</b>"))
    bench.receive(note="<script>alert(1)</script>")
    page = page_of(manager, bench)
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert "<b>x</b>" not in page


def test_photos_are_shown_to_whoever_may_see_the_job(
    manager: Client, at_work: AtWork, site: Site, settings: Any, tmp_path: Path
) -> None:
    settings.MEDIA_ROOT = tmp_path
    picture = BytesIO()
    Image.new("RGB", (40, 30), (120, 60, 20)).save(picture, format="PNG")
    picture.seek(0)
    with in_workshop(site.workshop.pk):
        measured = at_work.done.case().rounds[0]
        photo_add(actor=at_work.done.actor(), record_id=new_id(), file=picture, round_id=measured.pk)
    page = page_of(manager, at_work.done)
    found = re.search(r'<img src="(/api/v1/photos/[^"]+)"', page)
    assert found
    file: Any = manager.get(found[1])
    assert file.status_code == 200
    assert b"".join(file.streaming_content)
    assert 'alt="Photo of ' in page
    assert browser_of(make_site().manager).get(found[1]).status_code == 404


def test_what_is_not_there_is_not_found(manager: Client) -> None:
    assert manager.get(f"/jobs/{uuid.uuid4()}/").status_code == 404


def test_queries_do_not_grow_with_rounds(manager: Client, at_work: AtWork) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            page_of(manager, at_work.open)
        return len(captured)

    before = queries()
    assert before <= QUERIES
    for _time in range(3):
        at_work.open.measure(jobs.LOW_FRONT_LEFT)
    assert queries() <= before + 1, "the first round after a proposal adds a look at findings"


def test_what_was_seen_at_an_item_of_readiness_stays_to_be_read(manager: Client, at_work: AtWork) -> None:
    bench = jobs.Bench.at(at_work.site)
    bench.receive()
    bench.check_readiness(leakage={"outcome": "fail", "note": "Hiss at the rear left."})
    bench.check_readiness()
    page = page_of(manager, bench)
    assert f"Leak check: FAILED. Hiss at the rear left. ({at_work.site.technician.membership.name})" in page
    vehicle = manager.get(f"/vehicles/{bench.vehicle.vin}/").content.decode()
    assert "(Hiss at the rear left)" in vehicle
