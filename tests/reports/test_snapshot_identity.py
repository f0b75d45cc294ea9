"""Whose vehicle, which number, what time, which instrument."""

from __future__ import annotations

from datetime import timedelta

from django.utils import timezone

from fleet import services
from fleet.ids import new_id
from fleet.models import Operator, Tenure, Vehicle, Workshop
from fleet.tenancy import in_workshop
from reports.certificate import document as doc
from reports.certificate.document import from_json
from reports.models import CertificateFile
from reports.services.certificates import certificate_issue, certificate_replace
from tests.factories import Site, make_site, new_vin

from . import jobs
from .snapshots import document


def test_times_are_the_workshops_own(site: Site) -> None:
    with in_workshop(site.workshop.pk):
        Workshop.objects.filter(pk=site.workshop.pk).update(time_zone="Asia/Kathmandu", length_unit="inch")
    found = document(jobs.left_alone(site))
    assert found.issued_at.utcoffset() == timedelta(hours=5, minutes=45)
    assert found.rounds[0].taken_at.utcoffset() == found.issued_at.utcoffset()
    assert found.units.length == "inch"


def test_operator_is_the_one_of_the_time_of_the_job(site: Site) -> None:
    bench = jobs.left_alone(site)
    then, buyer = bench.vehicle.operator, site.operator()
    document(bench)
    with in_workshop(site.workshop.pk):
        sold_at = bench.now + timedelta(days=1)
        Tenure.objects.filter(vehicle=bench.vehicle).update(ended_at=sold_at)
        Tenure.objects.create(vehicle=bench.vehicle, operator=buyer, began_at=sold_at)
        Vehicle.objects.filter(pk=bench.vehicle.pk).update(operator=buyer)
        replacement = certificate_replace(actor=site.manager.actor(), record_id=new_id(), number=1, reason="Mistyped")
        certificate_issue(actor=bench.actor(), certificate_id=replacement.pk)
        snapshot = CertificateFile.objects.get(certificate=replacement).snapshot
    assert snapshot["operator"]["name"] == then.name


def test_later_changes_leave_an_issued_document_as_it_is(site: Site) -> None:
    bench = jobs.left_alone(site)
    before = document(bench)
    with in_workshop(site.workshop.pk):
        Operator.objects.filter(pk=bench.vehicle.operator_id).update(name="Renamed")
        services.vin_correct(
            actor=site.manager.actor(),
            record_id=new_id(),
            vehicle_id=bench.vehicle.pk,
            vin=new_vin(),
            reason="Mistyped",
        )
    assert document(bench) == before


def test_replacement_names_vin_correction_old_number_and_who_asked(site: Site) -> None:
    bench = jobs.left_alone(site)
    document(bench)
    vin = new_vin()
    with in_workshop(site.workshop.pk):
        services.vin_correct(
            actor=site.manager.actor(),
            record_id=new_id(),
            vehicle_id=bench.vehicle.pk,
            vin=vin,
            reason="Mistyped",
        )
        replacement = certificate_replace(
            actor=site.manager.actor(), record_id=new_id(), number=1, reason="VIN corrected"
        )
        certificate_issue(actor=bench.actor(), certificate_id=replacement.pk)
        found = from_json(CertificateFile.objects.get(certificate=replacement).snapshot)
    assert (found.vehicle.vin, found.number) == (vin, "2")
    assert bench.vehicle.vin in found.vehicle.note
    manager = site.manager.membership.name
    assert found.replaces == doc.Replacement("1", "VIN corrected", manager, replacement.requested_at)
    assert [each.meaning for each in found.signatures] == ["work_complete"], "a request is no signature"


def test_instrument_shows_the_calibration_that_held_when_it_was_used(db: None, no_hints: None) -> None:
    site = make_site(began_at=timezone.now() - timedelta(days=3))
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        services.instrument_calibrate(
            actor=site.manager.actor(),
            record_id=new_id(),
            instrument=bench.instrument,
            calibrated_on=bench.now.date() + timedelta(days=1),
            calibration_due_on=bench.now.date() + timedelta(days=366),
            certificate_number="K-2",
        )
    [tape] = document(bench).instruments
    assert tape.calibrated_on == site.began_at.date()
    assert tape.calibration_reference == ""
