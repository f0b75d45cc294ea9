"""What happened in the workshop that requests are sent to: a vehicle with a job in each state, and what goes along."""

from __future__ import annotations

from decimal import Decimal
from io import BytesIO

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.utils import timezone
from PIL import Image

from calibration.models import (
    Reading,
    Round,
)
from calibration.services.height_checks import check_reading_strike, height_check_record
from calibration.services.photos import check_photo_add, photo_add
from fleet import services
from fleet.actor import Actor
from fleet.checkpoint_keys import origin_of
from fleet.ids import new_id
from fleet.signed_heads import Head, signed
from reports.models import ArchiveIntake
from reports.services.alerts import vehicle_evaluate
from reports.services.exports import export_request
from reports.services.imports import import_begin, import_file_keep
from reports.services.webhook_deliveries import event_tell
from reports.services.webhooks import webhook_add
from tests.calibration.bench import TRUE_HEIGHTS, Bench
from tests.factories import Site
from tests.reports.imports import check_row, csv_of


def _opened(site: Site) -> Bench:
    return Bench.open(site)


def _measured(site: Site) -> Bench:
    bench = _opened(site)
    bench.ready()
    bench.measure({"FL": 470})
    return bench


def _proposed(site: Site) -> Bench:
    bench = _measured(site)
    bench.propose()
    return bench


def _written(site: Site) -> Bench:
    bench = _measured(site)
    bench.write(bench.propose())
    return bench


def _settled(site: Site) -> Bench:
    """Nothing is missing but the sign-off."""
    bench = _written(site)
    bench.measure()
    return bench


def _finished(site: Site) -> Bench:
    bench = _settled(site)
    bench.sign_off()
    return bench


def _waiting(site: Site) -> Bench:
    bench = _measured(site)
    bench.enter(RR=bench.setpoints["RR"] + 1)
    return bench


def _ended(site: Site) -> Bench:
    bench = _measured(site)
    bench.event("sensor_replaced", "FL")
    bench.end()
    return bench


def _struck(site: Site) -> Bench:
    bench = _measured(site)
    reading = Reading.objects.filter(round__job=bench.job).first()
    assert reading is not None
    bench.strike(reading.pk, 471, site.manager)
    return bench


def _photographed(site: Site) -> Bench:
    bench = _measured(site)
    measured = Round.objects.get(job=bench.job)
    photo_add(actor=bench.actor(), record_id=new_id(), file=_picture(), round_id=measured.pk)
    return bench


def _picture() -> BytesIO:
    picture = BytesIO()
    Image.new("RGB", (8, 6)).save(picture, format="PNG")
    picture.seek(0)
    return picture


def _checked(site: Site) -> Bench:
    """A height check outside a job, photographed, with a reading that was struck out."""
    bench = _ended(site)
    actor = bench.actor()
    check = height_check_record(
        actor=actor,
        record_id=new_id(),
        vehicle=bench.vehicle,
        taken_at=actor.now,
        loading="as_specified",
        readings=[{"corner": corner, "height_mm": Decimal(height)} for corner, height in TRUE_HEIGHTS.items()],
    )
    check_photo_add(actor=actor, record_id=new_id(), check_id=check.pk, file=_picture())
    reading = check.readings.earliest("ordinal")
    check_reading_strike(
        actor=bench.actor(site.manager),
        record_id=new_id(),
        reading_id=reading.pk,
        reason="Wrong mark.",
        replacement={"height_mm": Decimal(486)},
    )
    _out_of_tolerance(bench)
    return bench


def _out_of_tolerance(bench: Bench) -> None:
    """Another height check, of which an alert tells."""
    actor = bench.actor()
    height_check_record(
        actor=actor,
        record_id=new_id(),
        vehicle=bench.vehicle,
        taken_at=actor.now,
        loading="as_specified",
        readings=[{"corner": corner, "height_mm": Decimal(height) - 60} for corner, height in TRUE_HEIGHTS.items()],
    )
    vehicle_evaluate(actor=actor, vehicle_id=bench.vehicle.pk)


def _parked_overnight(site: Site) -> Bench:
    bench = _measured(site)
    bench.leak_test({"FL": 20})
    return bench


def _overruled(site: Site) -> Bench:
    """Somebody wrote without a proposal, and a manager found it right."""
    bench = _measured(site)
    bench.write(None, {**bench.setpoints, "FL": bench.setpoints["FL"] + 5})
    bench.rule("write_without_proposal")
    return bench


def _reverted(site: Site) -> Bench:
    bench = _settled(site)
    bench.revert()
    return bench


def _conceded(site: Site) -> Bench:
    bench = _measured(site)
    bench.concede()
    bench.decide()
    return bench


def _paused(site: Site) -> Bench:
    bench = _measured(site)
    bench.pause()
    return bench


def _refiled(site: Site) -> Bench:
    bench = _measured(site)
    bench.refile(site.vehicle())
    return bench


def _withdrawn(site: Site) -> Bench:
    """The tape of a job was lost."""
    bench = _measured(site)
    actor = bench.actor(site.manager)
    services.instrument_withdraw(
        actor=actor,
        record_id=new_id(),
        instrument=bench.instrument,
        kind="lost",
        since=actor.now.date(),
        reason="left in the bus",
    )
    return bench


def _told(site: Site) -> Bench:
    """Another program is told of the job."""
    bench = _opened(site)
    actor = bench.actor(site.manager)
    webhook_add(actor=actor, record_id=new_id(), url="https://hooks.example.com/levelbook", events=["job.ended"])
    event_tell(actor, "job.ended", bench.job.pk, {"job": str(bench.job.pk)})
    return bench


def _imported(site: Site) -> Bench:
    """A file of height checks was handed in."""
    bench = _opened(site)
    actor = bench.actor(site.manager)
    content = BytesIO(csv_of([check_row(bench.vehicle.vin)]))
    file = import_file_keep(actor=actor, name="checks.csv", content=content)
    import_begin(actor=actor, record_id=new_id(), file=file, kind="checks", columns={})
    return bench


def _exported(site: Site) -> Bench:
    """The workshop is exported, and an archive was not accepted."""
    bench = _opened(site)
    actor = bench.actor(site.manager)
    export_request(actor=actor, record_id=new_id())
    ArchiveIntake.objects.create(
        handed_in_at=actor.now,
        sha256="a" * 64,
        size=1,
        state="refused",
        finished_at=actor.now,
        refusal={"code": "altered", "detail": "It was altered.", "member": "tables/fleet.bay.csv"},
        source={
            "workshop": "Fell Lane",
            "workshop_id": str(new_id()),
            "made_at": "2026-03-01T08:00:00+00:00",
            "epoch": str(new_id()),
            "origin": "levelbook/workshops/x",
            "counts": {},
        },
    )
    return bench


def _contradicted(site: Site) -> Bench:
    """A tablet holds a head that no known key signed."""
    bench = _opened(site)
    actor = bench.actor(site.manager)
    offer, _code = services.enrolment_offer(actor=actor)
    tablet, _token = services.tablet_enrol(actor=actor, record_id=new_id(), offer_id=offer.pk, device="Bay 3")
    note = signed(Head(origin_of(site.workshop.pk), 9, b"r" * 32, timezone.now(), 0), Ed25519PrivateKey.generate())
    services.heads_compare(actor=Actor.system(site.workshop.pk, timezone.now()), tablet_id=tablet.pk, notes=[note])
    return bench


STORIES = (
    _opened,
    _measured,
    _struck,
    _imported,
    _photographed,
    _checked,
    _parked_overnight,
    _proposed,
    _waiting,
    _conceded,
    _written,
    _overruled,
    _reverted,
    _paused,
    _refiled,
    _withdrawn,
    _told,
    _exported,
    _contradicted,
    _settled,
    _finished,
    _ended,
)
