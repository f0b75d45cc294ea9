"""The demo workshop: told through the real services, on believable days, once."""

from __future__ import annotations

from collections import Counter
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

from calibration.models import HeightCheck, Job, Proposal
from calibration.selectors.gauge_studies import found_study, studied_jobs
from calibration.selectors.tyre_comparison import compared_tyres
from deploy.embedded.folder import DataFolder
from fleet.ledger import CHECKPOINT_KIND
from fleet.models import LedgerEntry, Membership, OutboxItem, ServiceEvent, TenantModel, Vehicle, Workshop
from fleet.services import workshop_create
from fleet.tenancy import in_workshop
from fleet.verification import verify_workshop
from fleet.vin import parse_vin
from reports.certificate.document import from_json
from reports.certificate.layout import PageSize
from reports.certificate.render import render
from reports.demo import people
from reports.demo.clock import NotTheDemoError, bay_day, person_at, winter_day, working_day
from reports.demo.load import RANDOM_SEED, existing_demo, load_demo
from reports.demo.scenes import Story
from reports.demo.simulated_tape import Tape
from reports.demo.simulated_vehicle import CORNER_NAMES
from reports.demo.stories import STORIES
from reports.demo.teller import drawn_vehicle
from reports.demo.visit import NIGHT
from reports.demo.workshop import NAME
from reports.models import Certificate, CertificateFile, DriftAlert
from reports.recomputing import Outcome, recomputed
from reports.recomputing.result import Result
from tests.campaigns.certificates.campaign import by_script
from tests.campaigns.certificates.real import accepted_by_service, issued_by
from tests.factories import make_site

from .demo_outcomes import ALERTS, END_OF_STORY, alerts_of, checks_told, jobs_of, told
from .rendering import SIZES

NIGHT_HOURS = NIGHT / timedelta(hours=1)
WEDNESDAY = datetime(2025, 6, 18, 11, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def demo(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[Workshop]:
    """The demo as loaded on a Wednesday; committed, since nothing can take it back from the ledger."""
    with django_db_blocker.unblock():
        workshop = load_demo(WEDNESDAY)
        with in_workshop(workshop.pk):
            yield workshop
        connections.close_all()


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.key.replace(" ", "-"))
def test_each_story_ends_as_it_is_told(demo: Workshop, story: Story) -> None:
    expected = END_OF_STORY[story.key]
    cases = jobs_of(story)
    assert [case.job.state for case in cases] == expected["states"]
    assert HeightCheck.objects.filter(vehicle__registration=story.registration).count() == checks_told(story)
    if not cases:
        return
    last = cases[-1].standing.next_step
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


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.key.replace(" ", "-"))
def test_alerts_are_those_that_the_story_tells_of(demo: Workshop, story: Story) -> None:
    assert {(each.kind, each.place, each.state) for each in alerts_of(story)} == ALERTS.get(story.key, set())


def test_alerts_were_opened_on_the_day_of_what_brought_them_up(demo: Workshop) -> None:
    """A measurement's at once, an overdue check's when it was late."""
    alerts = DriftAlert.objects.select_related("vehicle")
    days = {each.opened_at.date() for each in alerts}
    assert len(days) >= 5
    for each in alerts:
        assert each.opened_at < WEDNESDAY - timedelta(days=7)
        checks = HeightCheck.objects.filter(vehicle=each.vehicle).values_list("recorded_at", flat=True)
        closed = Job.objects.filter(vehicle=each.vehicle, closed_at__isnull=False).values_list("closed_at", flat=True)
        measured = [at for at in (*checks, *closed) if at is not None and at <= each.opened_at]
        since = each.opened_at - max(measured)
        if each.kind == "overdue":
            assert timedelta(days=240) < since < timedelta(days=280)
        else:
            assert since <= timedelta(minutes=5)


def test_the_drifting_corner_was_caught_before_it_was_outside_and_its_alert_resolved_by_the_job(demo: Workshop) -> None:
    story = told("a drifting corner caught early")
    (alert,) = alerts_of(story)
    last = jobs_of(story)[-1]
    assert abs(alert.details["level_mm"]) < alert.details["tolerance_mm"]
    assert alert.details["rate_mm_per_year"] < 0
    assert alert.acknowledged_at is not None
    assert alert.acknowledged_at < last.job.opened_at
    assert alert.resolution == "put_right"
    assert alert.resolved_by_job_id == last.job.pk
    assert [event.kind for event in ServiceEvent.objects.filter(vehicle=last.job.vehicle)] == ["linkage_repaired"]


def test_cold_air_alone_lets_the_whole_vehicle_down_and_is_told_from_a_leak(demo: Workshop) -> None:
    (cold,) = jobs_of(told("a leak that the cold imitates"))[0].leak_tests
    changes = [each["change_mm"] for each in cold.result["corners"].values()]
    raw_rates = [-change / NIGHT_HOURS for change in changes]
    assert cold.started_at.month == 1
    assert all(rate > 1.0 for rate in raw_rates), "which by itself would be a leak at every corner"
    assert cold.result["verdict"] == "within"


def test_the_leak_was_found_in_the_same_frost_mended_and_tested_again(demo: Workshop) -> None:
    (case,) = jobs_of(told("a leak found and mended"))
    found, again = (each.result for each in case.leak_tests)
    verdicts = {corner: each["verdict"] for corner, each in found["corners"].items()}
    assert verdicts == {"FL": "within", "FR": "within", "RL": "within", "RR": "outside"}
    assert again["verdict"] == "within"
    (event,) = ServiceEvent.objects.filter(vehicle=case.job.vehicle)
    assert (event.kind, event.corner) == ("leak_repaired", "RR")
    assert case.leak_tests[0].ended_at < event.happened_at < case.leak_tests[1].started_at


def test_the_larger_tyres_are_ruled_on_and_make_the_speedometer_read_low(demo: Workshop) -> None:
    case = jobs_of(told("larger tyres"))[-1]
    manager = Membership.objects.get(user__email=people.MANAGER.email)
    compared = compared_tyres(person_at(manager, WEDNESDAY), case.job.vehicle)
    assert compared is not None
    assert "speed_reads_low" in {note.code for note in compared.comparison.notes}
    assert all(each.hub_rise_mm == 14.0 for each in compared.comparison.corners.values())
    assert {ruling.decision for ruling in case.rulings} == {"accept"}
    assert case.specification.content["ground_clearance_mm"] is not None  # type: ignore[union-attr]


def test_two_people_measured_one_job_so_that_there_is_a_gauge_study(demo: Workshop) -> None:
    """The newest one that several people measured, which is what the page of measurements opens with."""
    manager = person_at(Membership.objects.get(user__email=people.MANAGER.email), WEDNESDAY)
    job = studied_jobs(manager)[0]
    study = found_study([job])
    assert job.job.vehicle.registration == told("two people measure").registration
    assert study is not None
    assert set(study.people) == {"Sunniva Pell", "Kofi Brandreth"}
    assert study.cells.deviations_mm.shape == (4, 2, 3)


def test_later_proposals_rest_on_what_models_and_vehicles_taught(demo: Workshop) -> None:
    sources = Counter(each.content["prior"]["source"] for each in Proposal.objects.all())
    assert set(sources) == {"specification", "model", "vehicle"}
    assert sources["vehicle"] >= 3


def test_operators_check_heights_between_services_with_what_they_have(demo: Workshop) -> None:
    checks = HeightCheck.objects.all()
    by_operators = [each for each in checks if each.instrument is None]
    assert len(checks) > len(by_operators) > 15
    assert [each.loading for each in checks].count("other") == 1


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


def test_every_certificate_is_proven_by_making_it_anew(demo: Workshop) -> None:
    documents = Certificate.objects.exclude(state="preparing").select_related("job")
    found = {each.number: [result for result in recomputed(each) if not is_proven(result)] for each in documents}
    assert len(found) > 20
    assert {number: list(map(str, bad)) for number, bad in found.items() if bad} == {}


def is_proven(result: Result) -> bool:
    """What later steps changed is told by the ledger."""
    return result.outcome in {Outcome.PROVEN, Outcome.CHANGED}


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
    left = OutboxItem.objects.exclude(state=OutboxItem.State.DONE).exclude(kind=CHECKPOINT_KIND)
    assert [each.kind for each in left] == ["reports.drift_sweep"], "which is tomorrow's"


def test_every_record_is_what_its_ledger_entry_says(demo: Workshop) -> None:
    result = verify_workshop(demo.pk)
    assert result.problem is None
    assert result.entries == LedgerEntry.objects.count()
    assert result.leaves >= 0.9 * result.entries, "the last ones wait for their head"


def test_every_document_is_accepted_by_the_service_and_by_the_script_that_works_alone(demo: Workshop) -> None:
    files = issued_by(demo.pk)
    assert len(files) >= 20
    for each in files:
        keys = [each.insider.verifier_key]
        assert by_script(each.pdf, keys)
        assert accepted_by_service(each.pdf, keys)


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


@pytest.mark.parametrize(
    "now",
    [
        datetime(2025, 6, 18, 11, tzinfo=UTC),
        datetime(2026, 1, 5, 9, tzinfo=UTC),
        datetime(2026, 2, 10, 9, tzinfo=UTC),
        datetime(2028, 2, 29, 23, tzinfo=UTC),
    ],
)
def test_frosty_nights_are_those_after_a_midwinter_tuesday_in_the_past_year(now: datetime) -> None:
    came = working_day(now, winter_day(now), 12)
    assert came.weekday() == 1
    assert (came.month, came.day) >= (1, 14)
    assert (came.month, came.day) <= (1, 20)
    assert timedelta(days=30) < now - came < timedelta(days=410)
