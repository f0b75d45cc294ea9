"""Certificates: numbered without gaps, issued once, kept as issued, replaced and never edited."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable
from typing import Any

import pytest
import rfc8785
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.utils import timezone
from pypdf import PdfReader

from calibration.services.jobs import job_refile
from fleet.actor import Actor
from fleet.errors import Conflict, Forbidden, NotFound
from fleet.ids import new_id
from fleet.models import LedgerEntry, Membership, OutboxItem
from fleet.tenancy import in_workshop
from reports.certificate import unsigned
from reports.certificate.unsigned import unsigned_file
from reports.models import Certificate, CertificateFile
from reports.selectors.proofs import proof_of
from reports.services.certificates import (
    ISSUED_KIND,
    certificate_issue,
    certificate_prepare,
    certificate_replace,
    certificate_replace_after_refiling,
)
from tests.factories import SPECIFICATION, Site, make_site

from . import jobs


@pytest.fixture
def worker(site: Site) -> Actor:
    return Actor.system(site.workshop.pk, timezone.now())


@pytest.fixture
def inside(site: Site) -> Any:
    with in_workshop(site.workshop.pk):
        yield


def prepare(bench: jobs.Bench, worker: Actor) -> Certificate | None:
    """In a transaction of its own, as the outbox does it."""
    with in_workshop(worker.workshop_id):
        return certificate_prepare(actor=worker, job_id=bench.job_id)


def issued(bench: jobs.Bench, worker: Actor) -> Certificate:
    made = certificate_prepare(actor=worker, job_id=bench.job_id)
    assert made is not None
    return made


def text_of(certificate: Certificate) -> str:
    file = CertificateFile.objects.get(certificate=certificate)
    return " ".join(page.extract_text() for page in PdfReader(io.BytesIO(bytes(file.pdf))).pages)


def test_signed_off_job_gets_an_issued_certificate(site: Site, worker: Actor) -> None:
    bench = jobs.adjusted(site)
    with in_workshop(site.workshop.pk):
        certificate = issued(bench, worker)
        assert (certificate.number, certificate.kind, certificate.state) == (1, "certificate", "issued")
        text = text_of(certificate)
    assert bench.vehicle.vin in text
    assert "470.5" in text


def test_job_that_ended_otherwise_gets_a_findings_report(site: Site, worker: Actor) -> None:
    bench = jobs.ended(site)
    with in_workshop(site.workshop.pk):
        certificate = issued(bench, worker)
        assert certificate.kind == "findings_report"
        text = text_of(certificate)
    assert "A leak must be mended first" in text
    assert "hiss at the rear left" in text


def test_open_job_gets_none_and_takes_no_number(site: Site, worker: Actor) -> None:
    bench = jobs.Bench.at(site)
    bench.receive()
    with in_workshop(site.workshop.pk):
        assert certificate_prepare(actor=worker, job_id=bench.job_id) is None
    done = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        assert issued(done, worker).number == 1


def test_job_that_is_gone_gets_none(worker: Actor, inside: None) -> None:
    assert certificate_prepare(actor=worker, job_id=new_id()) is None


def test_preparing_again_gives_the_same_and_makes_nothing(site: Site, worker: Actor) -> None:
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        first = issued(bench, worker)
        entries = LedgerEntry.objects.count()
        assert issued(bench, worker) == first
        assert Certificate.objects.count() == CertificateFile.objects.count() == 1
        assert LedgerEntry.objects.count() == entries
        assert OutboxItem.objects.filter(kind=ISSUED_KIND).count() == 1


def test_numbers_follow_each_other_within_a_workshop_and_begin_anew_in_another(site: Site, worker: Actor) -> None:
    benches = [jobs.left_alone(site), jobs.ended(site)]
    with in_workshop(site.workshop.pk):
        assert [issued(bench, worker).number for bench in benches] == [1, 2]
    other = make_site()
    bench = jobs.left_alone(other)
    with in_workshop(other.workshop.pk):
        assert issued(bench, Actor.system(other.workshop.pk, timezone.now())).number == 1


def test_number_is_given_back_where_drawing_fails(site: Site, worker: Actor, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = jobs.left_alone(site)

    def fail(*_args: object, **_options: object) -> bytes:
        raise RuntimeError("no ink")

    with monkeypatch.context() as patched:
        patched.setattr(unsigned, "render", fail)
        with pytest.raises(RuntimeError, match="no ink"):
            prepare(bench, worker)
    with in_workshop(site.workshop.pk):
        assert not Certificate.objects.exists()
        assert issued(bench, worker).number == 1


@pytest.mark.parametrize("made", [jobs.adjusted, jobs.left_alone, jobs.ended])
def test_issued_bytes_can_be_drawn_again_from_the_stored_snapshot(
    site: Site, worker: Actor, made: Callable[[Site], jobs.Bench]
) -> None:
    bench = made(site)
    with in_workshop(site.workshop.pk):
        certificate = issued(bench, worker)
        file = CertificateFile.objects.get(certificate=certificate)  # as the database gives it back
        again = unsigned_file(file.snapshot, proof_of(certificate), page_size="A4")
    assert bytes(file.pdf).startswith(again)
    assert hashlib.sha256(file.pdf).hexdigest() == file.sha256
    assert hashlib.sha256(rfc8785.dumps(file.snapshot)).hexdigest() == file.snapshot_sha256


def test_ledger_names_the_hashes_and_no_person(site: Site, worker: Actor) -> None:
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        certificate = issued(bench, worker)
        entry = LedgerEntry.objects.get(kind="certificate_issued")
        names = [*Membership.objects.values_list("name", flat=True), bench.vehicle.operator.name]
        file = certificate.file
    payload = json.dumps(entry.payload)
    assert entry.vehicle_id == bench.vehicle.pk
    assert file.sha256 in payload
    assert file.snapshot_sha256 in payload
    assert not [name for name in names if name in payload]
    assert all(name in json.dumps(file.snapshot) for name in names[-2:])


def test_replacement_waits_for_a_worker_and_the_old_one_holds_until_then(site: Site, worker: Actor) -> None:
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        old = issued(bench, worker)
        new = certificate_replace(
            actor=site.manager.actor(), record_id=new_id(), number=1, reason="Registration mistyped"
        )
        assert (new.number, new.state, new.replaces) == (2, "preparing", old)
        old.refresh_from_db()
        assert old.state == "issued"
        certificate_issue(actor=worker, certificate_id=new.pk)
        old.refresh_from_db()
        new.refresh_from_db()
        assert (old.state, new.state) == ("replaced", "issued")
        text = text_of(new)
    assert "Replaces no. 1" in text
    assert "Registration mistyped" in text


def test_issuing_again_changes_nothing(site: Site, worker: Actor) -> None:
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        issued(bench, worker)
        new = certificate_replace(actor=site.manager.actor(), record_id=new_id(), number=1, reason="Mistyped")
        for _ in range(2):
            certificate_issue(actor=worker, certificate_id=new.pk)
        assert CertificateFile.objects.filter(certificate=new).count() == 1
        assert LedgerEntry.objects.filter(kind="certificate_issued").count() == 2


def test_issuing_what_is_gone_does_nothing(worker: Actor, inside: None) -> None:
    assert certificate_issue(actor=worker, certificate_id=new_id()) is None


def test_only_the_newest_issued_certificate_can_be_replaced_and_by_a_manager(site: Site, worker: Actor) -> None:
    bench = jobs.left_alone(site)

    def ask(number: int, actor: Actor | None = None) -> Certificate:
        return certificate_replace(
            actor=actor or site.manager.actor(), record_id=new_id(), number=number, reason="Mistyped"
        )

    with in_workshop(site.workshop.pk):
        issued(bench, worker)
        with pytest.raises(Forbidden):
            ask(1, site.technician.actor())
        with pytest.raises(NotFound):
            ask(7)
        new = ask(1)
        with pytest.raises(Conflict) as preparing:
            ask(new.number)
        assert preparing.value.code == "certificate_preparing"
        certificate_issue(actor=worker, certificate_id=new.pk)
        with pytest.raises(Conflict, match="replaced by 2") as replaced:
            ask(1)
        assert replaced.value.code == "certificate_replaced"
        assert ask(new.number).number == 3


def test_refiled_job_has_its_certificate_replaced_once(site: Site, worker: Actor) -> None:
    bench, right = jobs.left_alone(site), site.vehicle()
    with in_workshop(site.workshop.pk):
        issued(bench, worker)
        job_refile(
            actor=site.manager.actor(), record_id=new_id(), job_id=bench.job_id, vehicle=right, reason="Wrong bay"
        )
        new = certificate_replace_after_refiling(actor=worker, job_id=bench.job_id)
        assert new is not None
        assert certificate_replace_after_refiling(actor=worker, job_id=bench.job_id) is None
        assert [each.state for each in Certificate.objects.order_by("number")] == ["replaced", "issued"]
        snapshot = CertificateFile.objects.get(certificate=new).snapshot
    assert snapshot["vehicle"]["vin"] == right.vin
    assert bench.vehicle.vin in snapshot["vehicle"]["note"]
    assert snapshot["replaces"]["number"] == "1"
    assert (snapshot["replaces"]["asked_by"], snapshot["replaces"]["asked_at"]) == ("", None), "the service did it"


def test_a_job_that_does_not_fit_the_model_it_is_refiled_to_is_certified_no_longer(site: Site, worker: Actor) -> None:
    higher = site.specification(front={**SPECIFICATION["front"], "target_mm": 520}).vehicle_model
    bench, right = jobs.left_alone(site), site.vehicle(vehicle_model=higher)
    with in_workshop(site.workshop.pk):
        assert issued(bench, worker).kind == "certificate"
        job_refile(
            actor=site.manager.actor(), record_id=new_id(), job_id=bench.job_id, vehicle=right, reason="Wrong bay"
        )
        new = certificate_replace_after_refiling(actor=worker, job_id=bench.job_id)
        assert new is not None
        assert (new.kind, new.state) == ("findings_report", "issued")
        snapshot = CertificateFile.objects.get(certificate=new).snapshot
        assert Certificate.objects.get(number=1).state == "replaced"
    assert snapshot["as_left"]["verdict"] == "outside"


def test_refiling_before_the_certificate_is_made_replaces_nothing(site: Site, worker: Actor) -> None:
    bench, right = jobs.left_alone(site), site.vehicle()
    with in_workshop(site.workshop.pk):
        job_refile(
            actor=site.manager.actor(), record_id=new_id(), job_id=bench.job_id, vehicle=right, reason="Wrong bay"
        )
        assert certificate_replace_after_refiling(actor=worker, job_id=bench.job_id) is None
        assert issued(bench, worker).vehicle == right


# --- The database is the last guard: the same without the service ------------------------------------------


def row(bench: jobs.Bench, number: int, **fields: Any) -> Certificate:
    return Certificate(
        number=number,
        kind="certificate",
        job_id=bench.job_id,
        vehicle=bench.vehicle,
        requested_at=bench.now,
        **fields,
    )


@pytest.mark.parametrize(
    ("constraint", "fields"),
    [
        ("reports_certificate_number", {"number": 1, "replaces": True, "reason": "x"}),
        ("reports_certificate_one_first", {"number": 2}),
        ("reports_certificate_issued_with_time", {"number": 2, "replaces": True, "reason": "x", "state": "issued"}),
        ("reports_certificate_replacement_reason", {"number": 2, "replaces": True}),
    ],
)
def test_database_refuses(site: Site, worker: Actor, constraint: str, fields: dict[str, Any]) -> None:
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        first = issued(bench, worker)
        values = fields | ({"replaces": first} if "replaces" in fields else {})
        with pytest.raises(IntegrityError, match=constraint), transaction.atomic():
            row(bench, **values).save(force_insert=True)


def test_database_refuses_a_second_replacement_and_a_code_given_twice(site: Site, worker: Actor) -> None:
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        first = issued(bench, worker)
        row(bench, 2, replaces=first, reason="x").save(force_insert=True)
        with pytest.raises(IntegrityError, match="reports_certificate_replaced_once"), transaction.atomic():
            row(bench, 3, replaces=first, reason="x").save(force_insert=True)
        second = Certificate.objects.get(number=2)
        with pytest.raises(IntegrityError, match="reports_certificate_code"), transaction.atomic():
            row(bench, 4, replaces=second, reason="x", code=first.code).save(force_insert=True)


def test_database_refuses_a_hash_that_is_none(site: Site, worker: Actor) -> None:
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        file = issued(bench, worker).file
        file.pk, file.sha256 = new_id(), "0"
        with pytest.raises(IntegrityError, match="reports_certificatefile_hashes"), transaction.atomic():
            file.save(force_insert=True)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE reports_certificatefile SET pdf = ''",
        "DELETE FROM reports_certificatefile",
        "TRUNCATE reports_certificatefile",
    ],
)
def test_issued_files_cannot_be_changed_or_removed(site: Site, worker: Actor, statement: str) -> None:
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        issued(bench, worker)
        with pytest.raises(DatabaseError, match="permission denied"), transaction.atomic():
            connection.cursor().execute(statement)


def test_certificates_of_another_workshop_do_not_exist(site: Site, worker: Actor) -> None:
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        issued(bench, worker)
    other = make_site()
    with in_workshop(other.workshop.pk):
        assert not Certificate.objects.exists()
        assert not CertificateFile.objects.exists()
        with pytest.raises(NotFound):
            certificate_replace(actor=other.manager.actor(), record_id=new_id(), number=1, reason="x")
