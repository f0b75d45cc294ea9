"""What is looked up across jobs: open approvals, set-point histories, uses of an instrument; and photos of a round."""

from __future__ import annotations

from datetime import timedelta
from io import BytesIO

import pytest
from PIL import Image

from calibration.models import Approval
from calibration.selectors.approvals import ApprovalStates
from calibration.selectors.instrument_use import jobs_measured_with
from calibration.selectors.jobs import job_for, visible_jobs
from calibration.selectors.setpoints import heights_around, setpoint_changes
from calibration.services.photos import photo_add
from fleet.errors import Forbidden, Invalid, NotFound
from fleet.ids import new_id
from tests.calibration.bench import COUNTS, Bench
from tests.factories import Site


@pytest.fixture
def bench(site: Site) -> Bench:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470})
    return bench


def test_only_requests_that_still_stand_are_open(bench: Bench) -> None:
    bench.enter(RR=COUNTS["RR"] + 1)
    bench.enter(RR=COUNTS["RR"] + 2)
    rows = list(Approval.objects.select_related("job").prefetch_related("decisions").order_by("recorded_at"))
    states = ApprovalStates(bench.actor())
    assert states.open_among(rows) == [rows[1].pk]
    bench.end()
    assert ApprovalStates(bench.actor()).open_among(Approval.objects.select_related("job")) == []


def test_every_change_of_a_set_point_says_why_and_what_it_did(bench: Bench) -> None:
    bench.write(bench.propose())
    bench.measure()
    bench.pause()
    bench.resume(setpoints={**bench.setpoints, "RR": 130})
    actor = bench.actor()
    changes = setpoint_changes(actor, bench.vehicle)
    assert [each.corner for each in changes if each.source == "found"] == ["RR"]
    written = next(each for each in changes if each.corner == "FL")
    assert written.source == "write"
    assert written.why
    heights = heights_around(changes)
    assert heights[written.round_before, "FL"] == 470  # type: ignore[index]
    assert heights[written.round_after, "FL"] == 486  # type: ignore[index]


def test_a_hand_entered_change_gives_the_persons_own_reason(bench: Bench) -> None:
    bench.write(bench.enter(FL=130))
    bench.write(None, {**COUNTS, "FL": 131})
    bench.end(setpoints={**COUNTS, "FL": 132})
    reasons = {each.after: each.why for each in setpoint_changes(bench.actor(), bench.vehicle)}
    assert reasons == {130: "tried by hand", 131: None, 132: None}


def test_a_withdrawal_finds_the_jobs_measured_with_the_instrument(bench: Bench) -> None:
    today = bench.now.date()
    found = jobs_measured_with(bench.actor(), bench.instrument.pk, today - timedelta(days=1))
    assert [each["id"] for each in found] == [str(bench.job.pk)]
    assert jobs_measured_with(bench.actor(), bench.instrument.pk, today + timedelta(days=1)) == []


def test_an_operators_contact_sees_the_jobs_of_their_own_vehicles_and_records_nothing(site: Site) -> None:
    operator = site.operator()
    theirs, other = Bench.open(site, site.vehicle(operator=operator)), Bench.open(site)
    contact = site.person("operator_contact", operator=operator.pk)
    assert [each.pk for each in visible_jobs(contact.actor())] == [theirs.job.pk]
    with pytest.raises(NotFound):
        job_for(contact.actor(), other.job.pk)
    for bench, refusal in ((theirs, Forbidden), (other, NotFound)):
        bench.technician = contact
        with pytest.raises(refusal):
            bench.pause()


def test_a_job_that_is_not_there_is_not_found(bench: Bench) -> None:
    bench.job.pk = new_id()
    with pytest.raises(NotFound):
        bench.pause()


# --- photos ---------------------------------------------------------------------------------------------
def picture(kind: str = "JPEG") -> BytesIO:
    file = BytesIO()
    exif = Image.Exif()
    exif[0x010F] = "a camera"
    Image.new("RGB", (8, 6), "navy").save(file, format=kind, exif=exif)
    file.seek(0)
    return file


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photo_is_kept_without_what_the_camera_wrote(bench: Bench, kind: str) -> None:
    photo = photo_add(actor=bench.actor(), record_id=new_id(), file=picture(kind), round_id=bench.case.rounds[0].pk)
    assert photo.media_type == f"image/{kind.lower()}"
    from django.core.files.storage import default_storage

    with default_storage.open(photo.path) as kept, Image.open(kept) as image:
        assert not dict(image.getexif())


def test_a_photo_changes_nothing_that_is_signed(bench: Bench) -> None:
    shown = bench.standing.content_sha256
    photo_add(actor=bench.actor(), record_id=new_id(), file=picture(), round_id=bench.case.rounds[0].pk)
    assert bench.standing.content_sha256 == shown
    assert len(bench.case.photos) == 1


def test_what_is_no_picture_or_belongs_to_nothing_is_given_back(bench: Bench) -> None:
    with pytest.raises(Invalid):
        photo_add(
            actor=bench.actor(), record_id=new_id(), file=BytesIO(b"no picture"), round_id=bench.case.rounds[0].pk
        )
    with pytest.raises(NotFound):
        photo_add(actor=bench.actor(), record_id=new_id(), file=picture(), write_id=new_id())
