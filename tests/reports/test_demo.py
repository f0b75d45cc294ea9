"""The demo workshop: told through the real services, on believable days, once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import BytesIO, StringIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import connections
from django.utils import timezone
from pypdf import PdfReader
from pytest_django import DjangoDbBlocker
from pytest_django.fixtures import Settings
from rest_framework.test import APIClient

from calibration.models import Job
from calibration.selectors.casefile import CaseFile
from deploy.embedded.folder import DataFolder
from fleet.models import LedgerEntry, OutboxItem, TenantModel, Vehicle, Workshop
from fleet.services import workshop_create
from fleet.tenancy import in_workshop
from fleet.vin import parse_vin
from reports.certificate.document import from_json
from reports.certificate.layout import PageSize
from reports.certificate.render import render
from reports.demo import people
from reports.demo.clock import NotTheDemoError, bay_day, person_at, working_day
from reports.demo.load import RANDOM_SEED, drawn_vehicle, existing_demo, load_demo
from reports.demo.simulated_tape import Tape
from reports.demo.simulated_vehicle import CORNER_NAMES
from reports.demo.stories import STORIES, Story
from reports.demo.workshop import NAME
from reports.models import Certificate, CertificateFile
from tests.factories import make_site

from .rendering import SIZES

WEDNESDAY = datetime(2025, 6, 18, 11, 0, tzinfo=UTC)

END_OF_STORY: dict[str, dict[str, Any]] = {
    "a year with one ambulance": {
        "states": ["signed_off"] * 3,
        "reason": "signed_off",
        "documents": ["certificate"] * 3,
        "writes": [1, 0, 1],
        "findings": {"leave_alone"},
    },
    "a replaced sensor": {
        "states": ["signed_off"],
        "reason": "signed_off",
        "documents": ["certificate"],
        "findings": {"corner_not_responding"},
    },
    "air at the rear only": {
        "states": ["signed_off"],
        "reason": "signed_off",
        "documents": ["certificate"],
        "findings": {"not_adjustable_here"},
    },
    "a misreading": {
        "states": ["signed_off"],
        "reason": "signed_off",
        "documents": ["certificate"],
        "findings": {"pair_disagrees"},
    },
    "a slow leak": {
        "states": ["ended"],
        "reason": "ended",
        "documents": ["findings_report"],
        "writes": [0],
    },
    "left alone": {
        "states": ["signed_off"],
        "reason": "signed_off",
        "documents": ["certificate"],
        "writes": [0],
        "findings": {"leave_alone"},
    },
    "one sensor for the rear axle": {
        "states": ["signed_off"],
        "reason": "signed_off",
        "documents": ["certificate"],
    },
    "back to where it was": {
        "states": ["reverted"],
        "reason": "reverted",
        "documents": ["findings_report"],
    },
    "more than the limits allow": {
        "states": ["signed_off"],
        "reason": "signed_off",
        "documents": ["certificate"],
    },
    "a concession": {"states": ["signed_off"], "reason": "signed_off", "documents": ["certificate"]},
    "an approval waiting": {
        "states": ["measuring"],
        "step": "get_approval",
        "reason": "proposal",
        "documents": [],
        "writes": [0],
    },
    "waiting for parts": {
        "states": ["paused"],
        "step": "paused",
        "reason": "paused",
        "documents": [],
        "writes": [0],
    },
}


@pytest.fixture(scope="module")
def demo(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[Workshop]:
    """The demo as loaded on a Wednesday; committed, since nothing can take it back from the ledger."""
    with django_db_blocker.unblock():
        workshop = load_demo(WEDNESDAY)
        with in_workshop(workshop.pk):
            yield workshop
        connections.close_all()


def jobs_of(story: Story) -> list[CaseFile]:
    jobs = Job.objects.filter(vehicle__registration=story.registration).select_related("vehicle", "specification")
    return [CaseFile(job) for job in jobs.order_by("opened_at")]


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.key.replace(" ", "-"))
def test_each_story_ends_as_it_is_told(demo: Workshop, story: Story) -> None:
    expected = END_OF_STORY[story.key]
    cases = jobs_of(story)
    last = cases[-1].standing.next_step
    assert [case.job.state for case in cases] == expected["states"]
    assert (last.step, last.reason) == (expected.get("step", "done"), expected["reason"])
    assert expected.get("findings", set()) <= {finding.code for case in cases for finding in case.findings}
    if "writes" in expected:
        assert [len(case.writes) for case in cases] == expected["writes"]


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.key.replace(" ", "-"))
def test_each_closed_job_has_its_document_issued_within_minutes(demo: Workshop, story: Story) -> None:
    documents = Certificate.objects.filter(vehicle__registration=story.registration).order_by("number")
    assert [each.kind for each in documents] == END_OF_STORY[story.key]["documents"]
    for each in documents:
        closed_at, issued_at = each.job.closed_at, each.issued_at
        assert closed_at is not None
        assert issued_at is not None
        assert closed_at < issued_at <= closed_at + timedelta(minutes=5)
        assert bytes(CertificateFile.objects.get(certificate=each).pdf).startswith(b"%PDF-")


@pytest.mark.parametrize("page_size", SIZES)
def test_every_document_takes_two_pages_on_either_paper(demo: Workshop, page_size: PageSize) -> None:
    snapshots = CertificateFile.objects.values_list("certificate__number", "snapshot").order_by("certificate__number")
    pages = {n: len(PdfReader(BytesIO(render(from_json(s), page_size=page_size))).pages) for n, s in snapshots}
    assert pages == dict.fromkeys(pages, 2)
    assert len(pages) == sum(len(end["documents"]) for end in END_OF_STORY.values())


def test_the_refused_proposal_was_beyond_the_shift_limit_and_another_one_was_written(demo: Workshop) -> None:
    (case,) = jobs_of(next(story for story in STORIES if story.key == "more than the limits allow"))
    outcomes = {proposal.kind: proposal for proposal in case.proposals}
    refused = {limit["code"] for limit in outcomes["entered"].content["limits"] if limit["outcome"] == "refuse"}
    assert outcomes["entered"].outcome == "refused"
    assert any("shift" in code for code in refused)
    assert case.writes[0].proposal_id == outcomes["computed"].pk


def test_the_concession_was_approved_by_another_person_and_its_targets_held(demo: Workshop) -> None:
    (case,) = jobs_of(next(story for story in STORIES if story.key == "a concession"))
    assert case.standing.concession is not None
    assert case.decisions[0].recorded_by != case.sign_offs[0].recorded_by
    assert case.standing.specification is not None
    assert case.standing.specification.front.target_mm == case.standing.concession.front_target_mm


def test_the_misreading_was_struck_by_another_person_and_stays_visible(demo: Workshop) -> None:
    (case,) = jobs_of(next(story for story in STORIES if story.key == "a misreading"))
    (strike,) = case.strikes
    assert strike.reading.measured_by_id != strike.recorded_by
    assert any(reading.pk == strike.reading_id for reading in case.rounds[0].reading_rows)  # type: ignore[attr-defined]


def test_the_rear_axle_with_one_sensor_always_had_one_set_point(demo: Workshop) -> None:
    (case,) = jobs_of(next(story for story in STORIES if story.key == "one sensor for the rear axle"))
    assert case.writes
    assert all(write.read_back["RL"] == write.read_back["RR"] for write in case.writes)


def test_the_reverted_vehicle_is_where_it_was_found(demo: Workshop) -> None:
    (case,) = jobs_of(next(story for story in STORIES if story.key == "back to where it was"))
    assert case.rounds[-1].setpoints == case.rounds[0].setpoints != case.writes[0].read_back


def test_ledgers_are_in_order_and_end_before_the_day_of_loading_is_over(demo: Workshop) -> None:
    entries = LedgerEntry.objects.order_by("book", "sequence")
    books: dict[Any, list[datetime]] = {}
    for entry in entries:
        books.setdefault(entry.book, []).append(entry.recorded_at)
    assert len(books) == len(STORIES) + 1
    for times in books.values():
        assert all(earlier <= later for earlier, later in pairwise(times))
        assert times[-1] <= WEDNESDAY


def test_numbers_of_jobs_and_certificates_follow_the_days(demo: Workshop) -> None:
    opened = list(Job.objects.order_by("number").values_list("opened_at", flat=True))
    issued = [each.issued_at for each in Certificate.objects.order_by("number") if each.issued_at]
    assert len(issued) == Certificate.objects.count()
    assert opened == sorted(opened)
    assert issued == sorted(issued)


def test_no_background_work_is_left_over(demo: Workshop) -> None:
    left = OutboxItem.objects.exclude(state=OutboxItem.State.DONE)
    assert [each.kind for each in left] == ["reports.drift_sweep"], "which is tomorrow's"


def test_vins_are_of_an_unused_maker_with_right_check_digits(demo: Workshop) -> None:
    vins = [vehicle.vin for vehicle in Vehicle.objects.all()]
    assert len(vins) == len(STORIES)
    assert all(vin.startswith("0") and parse_vin(vin).check_digit_is_right for vin in vins)


def test_a_second_load_changes_nothing(demo: Workshop, settings: Settings, tmp_path: Path) -> None:
    settings.DATA = DataFolder(tmp_path)
    call_command("load_demo", stdout=StringIO())
    before, sign_ins = contents(), settings.DATA.demo_sign_ins.read_bytes()
    call_command("load_demo", stdout=StringIO())
    assert load_demo(timezone.now()) == demo
    assert contents() == before
    assert settings.DATA.demo_sign_ins.read_bytes() == sign_ins


def contents() -> dict[str, list[Any]]:
    """Every row of the workshop."""
    tables = [model for model in apps.get_models() if issubclass(model, TenantModel)]
    return {model._meta.label: sorted(map(str, model._default_manager.values_list())) for model in tables}


def test_a_derived_pin_that_is_easily_guessed_is_passed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = {"ines:0": 777777, "ines:1": 471100}
    monkeypatch.setattr(people, "_derived", lambda _purpose, name: drawn[name].to_bytes(8, "big"))
    assert people.Person("manager", "Ines", "ines", ("manager",)).pin == "471100"


def test_the_sign_ins_are_for_the_owner_only_and_work(demo: Workshop, settings: Settings, tmp_path: Path) -> None:
    settings.DATA = DataFolder(tmp_path)
    call_command("load_demo", stdout=StringIO())
    path = settings.DATA.demo_sign_ins
    assert path.stat().st_mode & 0o777 == 0o600
    text = path.read_text()
    for person in (people.MANAGER, *people.OTHERS):
        assert person.email in text
        assert person.password in text
        assert person.pin in text
    for token in (line.split()[1] for line in text.splitlines() if line.strip().startswith("token")):
        client = APIClient()
        client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
        assert client.get("/api/v1/me/").status_code == 200


def test_the_same_random_seed_gives_the_same_vehicles_and_readings(demo: Workshop) -> None:
    def first_readings(random_seed: int) -> list[int]:
        rng = np.random.default_rng((random_seed, 0))
        vehicle = drawn_vehicle(STORIES[0], rng)
        vehicle.age({})
        tape = Tape(rng, slip_share=0.0)
        return [tape.read(vehicle, corner) for corner in CORNER_NAMES for _ in range(2)]

    measured = [reading.height_mm for reading in jobs_of(STORIES[0])[0].rounds[0].reading_rows]  # type: ignore[attr-defined]
    assert first_readings(RANDOM_SEED) == measured[:8]
    assert first_readings(RANDOM_SEED + 1) != measured[:8]


@pytest.mark.parametrize("acts", ["a person", "a load"])
def test_a_workshop_not_made_by_the_loader_is_refused(
    db: None, monkeypatch: pytest.MonkeyPatch, settings: Settings, tmp_path: Path, acts: str
) -> None:
    if acts == "a person":
        site = make_site()
        with pytest.raises(NotTheDemoError, match="not made by the demo loader"):
            person_at(site.technician.membership, WEDNESDAY)
        return
    other = replace(people.MANAGER, email="somebody@else.example")
    monkeypatch.setattr(people, "MANAGER", other)
    assert existing_demo() is None
    workshop_create(name=NAME, email=other.email, password=other.password, now=WEDNESDAY)
    settings.DATA = DataFolder(tmp_path)
    with pytest.raises(CommandError, match="not made by the demo loader"):
        call_command("load_demo", stdout=StringIO())
    assert not settings.DATA.demo_sign_ins.exists()


@pytest.mark.parametrize(
    ("now", "days_ago"),
    [
        (datetime(2025, 6, 18, 11, tzinfo=UTC), 1),
        (datetime(2025, 6, 18, 16, tzinfo=UTC), 0),
        (datetime(2025, 6, 21, 16, tzinfo=UTC), 1),
    ],
)
def test_vehicles_in_the_bay_came_on_the_last_working_day_that_is_over(now: datetime, days_ago: int) -> None:
    assert bay_day(now) == days_ago
    came = working_day(now, bay_day(now), 13)
    assert came < now
    assert came.weekday() < 5
