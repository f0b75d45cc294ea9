"""`manage.py recompute_certificate`: what it proves of certificates as issued, and which alterations it names."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal
from io import StringIO
from typing import Any

import psycopg
import pytest
from django.core.management import CommandError, call_command
from django.db import connection, connections
from django.utils import timezone
from pytest_django import DjangoDbBlocker

from calibration.services.decisions import approval_decide
from calibration.services.proposals import concession_request
from calibration.services.rounds import reading_strike
from deploy import database
from deploy.embedded.folder import CHECKOUT, data_folder
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import Workshop
from fleet.services.vehicles import vehicle_update
from fleet.services.workshops import workshop_update
from fleet.tenancy import in_workshop
from reports.certificate.render import RENDERER_VERSION
from reports.models import Certificate
from reports.recomputing import file as recomputing_file
from reports.recomputing import recorded
from reports.services.certificates import certificate_issue, certificate_prepare, certificate_replace
from tests.database import database_environment
from tests.factories import Site, make_site

from . import jobs
from .snapshots import inside


@dataclass
class Issued:
    """A workshop with certificates of many kinds, by name."""

    site: Site
    numbers: dict[str, int] = field(default_factory=dict)
    benches: dict[str, jobs.Bench] = field(default_factory=dict)

    def certificate(self, name: str) -> Certificate:
        return Certificate.objects.select_related("file").get(number=self.numbers[name])


@pytest.fixture(scope="module")
def issued(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[Issued]:
    """Committed: the command has a transaction of its own."""
    with django_db_blocker.unblock():
        issued = Issued(make_site())
        site = issued.site
        site.instrument()
        for name, make in JOBS.items():
            bench = make(site)
            issue(issued, name, bench)
            if name == GERMAN:
                change(site, language="en", length_unit="mm", page_size="A4")
        with in_workshop(site.workshop.pk):
            replacement = certificate_replace(
                actor=site.manager.actor(), record_id=new_id(), number=issued.numbers["left alone"], reason="Mistyped"
            )
        with in_workshop(site.workshop.pk):
            certificate_issue(actor=worker(site), certificate_id=replacement.pk)
        issued.numbers["replacement"] = replacement.number
        yield issued
        connections.close_all()


def worker(site: Site) -> Actor:
    return Actor.system(site.workshop.pk, timezone.now())


def issue(issued: Issued, name: str, bench: jobs.Bench) -> None:
    with in_workshop(issued.site.workshop.pk):
        certificate = certificate_prepare(actor=worker(issued.site), job_id=bench.job_id)
    assert certificate is not None
    issued.numbers[name], issued.benches[name] = certificate.number, bench


def begun(site: Site) -> jobs.Bench:
    bench = jobs.Bench.at(site)
    bench.receive()
    bench.check_readiness()
    return bench


def struck(site: Site) -> jobs.Bench:
    bench = begun(site)
    measured = bench.measure(jobs.LOW_FRONT_LEFT)
    inside(
        bench,
        reading_strike,
        by=site.manager,
        record_id=new_id(),
        reading_id=measured.reading_rows[0].pk,  # type: ignore[attr-defined]
        reason="Tape slipped",
        replacement={"height_mm": Decimal(471), "confirmed": True},
    )
    bench.end()
    return bench


def conceded(site: Site) -> jobs.Bench:
    bench = begun(site)
    inside(
        bench,
        concession_request,
        record_id=new_id(),
        job_id=bench.job_id,
        front_target_mm=Decimal(496),
        rear_target_mm=Decimal(514),
        reason="Ramp angle of the ferry",
        acknowledged_by="R. Ekdal",
        acknowledged_on=bench.now.date(),
    )
    [approval] = bench.case().approvals
    decision = {"record_id": new_id(), "approval_id": approval.pk, "decision": "approve", "reason": "Asked for"}
    inside(bench, approval_decide, by=site.manager, **decision, content_sha256=approval.content_sha256)
    bench.measure((Decimal(496), Decimal(496), Decimal(514), Decimal(514)))
    bench.sign_off()
    return bench


def long(site: Site) -> jobs.Bench:
    """Twelve rounds and six writes without a proposal."""
    bench = begun(site)
    for number in range(6):
        bench.measure(jobs.LOW_FRONT_LEFT)
        bench.write(None, bench.counts | {"FL": 128 + number})
        bench.measure(tuple(height - number for height in jobs.LOW_FRONT_LEFT))
    bench.end("The valve is worn out")
    return bench


def german_in_inches(site: Site) -> jobs.Bench:
    change(site, language="de", length_unit="inch", page_size="letter")
    return jobs.adjusted(site)


def change(site: Site, **changes: str) -> None:
    with in_workshop(site.workshop.pk):
        version = Workshop.objects.get(pk=site.workshop.pk).version
        workshop_update(actor=site.manager.actor(), expected_versions=[version], changes=changes)


GERMAN = "German, in inches, on Letter"
JOBS: dict[str, Callable[[Site], jobs.Bench]] = {
    "left alone": jobs.left_alone,
    "adjusted": jobs.adjusted,
    "ended": jobs.ended,
    "struck": struck,
    "conceded": conceded,
    "long": long,
    GERMAN: german_in_inches,
}


@pytest.fixture
def superuser(issued: Issued) -> Iterator[psycopg.Connection]:
    """Whom no privilege and no trigger binds."""
    parameters: dict[str, Any] = database.connection_parameters("admin", data_folder())
    parameters["dbname"] = connection.settings_dict["NAME"]
    with psycopg.connect(**parameters, autocommit=True) as session:
        session.execute("SET session_replication_role = replica")
        yield session


def recompute(issued: Issued, *arguments: str) -> tuple[int, str]:
    """With what it ends, and what it says."""
    out = StringIO()
    try:
        call_command("recompute_certificate", *arguments, "--workshop", str(issued.site.workshop.pk), stdout=out)
    except CommandError as error:
        return error.returncode, f"{out.getvalue()}{error}"
    return 0, out.getvalue()


def test_everything_issued_is_proven(issued: Issued) -> None:
    code, said = recompute(issued, "--all")
    assert code == 0, said
    assert f"{len(issued.numbers)} certificates proven." in said
    assert said.count("bytes: proven") == len(issued.numbers)
    assert said.count("signature: proven") == len(issued.numbers)
    assert "NOT PROVEN" not in said


def test_as_the_owner_of_the_database_it_looks_at_each_workshops_own(issued: Issued) -> None:
    """As the command runs: its role sees certificates and settings of all workshops."""
    workshops = [issued.site.workshop.pk, make_site().workshop.pk]
    named = [part for each in workshops for part in ("--workshop", str(each))]
    done = subprocess.run(
        [sys.executable, "manage.py", "recompute_certificate", "--all", *named],
        cwd=CHECKOUT,
        env={**os.environ, **database_environment(data_folder(), connection.settings_dict["NAME"])},
        capture_output=True,
        text=True,
    )
    assert f"{len(issued.numbers)} certificates proven." in done.stdout, (done.stdout, done.stderr)
    assert done.returncode == 0


@pytest.mark.parametrize("name", [*JOBS, "replacement"])
def test_each_is_proven_by_itself_or_names_the_later_steps(issued: Issued, name: str) -> None:
    code, said = recompute(issued, str(issued.numbers[name]))
    assert code == 0, said
    assert re.search(r"data: proven(\.|, and changed since\. After later steps \(workshop_changed\))", said), said


def test_what_does_not_exist_is_another_end_than_what_is_wrong(issued: Issued) -> None:
    assert recompute(issued, "4711")[0] == 2
    assert recompute(issued)[0] == 2
    assert recompute(issued, "1", "--all")[0] == 2
    with pytest.raises(CommandError, match="There is no workshop"):
        call_command("recompute_certificate", "1", "--workshop", str(new_id()), stdout=StringIO())


def test_a_later_step_is_told_and_is_no_fault(issued: Issued) -> None:
    issue(issued, "renamed", bench := jobs.left_alone(issued.site))
    with in_workshop(issued.site.workshop.pk):
        vehicle = type(bench.vehicle).objects.get(pk=bench.vehicle.pk)
        vehicle_update(
            actor=issued.site.manager.actor(timezone.now() + timedelta(minutes=1)),
            vehicle_id=vehicle.pk,
            expected_versions=[vehicle.version],
            changes={"registration": "NEW 1"},
        )
    code, said = recompute(issued, str(issued.numbers["renamed"]))
    assert code == 0, said
    assert "data: proven, and changed since" in said
    assert "vehicle_changed" in said
    assert "/vehicle/registration: issued" in said
    assert "now 'NEW 1'" in said


ALTERED = {
    "a reading": ("calibration_reading", "height_mm = height_mm + 1", "round_id IN (SELECT id FROM calibration_round "
                  "WHERE job_id = %(job)s)", "data: NOT PROVEN", "calibration.reading"),
    "a write": ("calibration_write", "read_back = jsonb_set(read_back, '{FL}', '99')", "job_id = %(job)s",
                "data: NOT PROVEN", "calibration.write"),
    "the odometer": ("calibration_job", "odometer_km = odometer_km - 50000", "id = %(job)s", "data: NOT PROVEN",
                     "calibration.job"),
    "the VIN": ("fleet_vehicle", "vin = '0LBWSM002RS375013'", "id = %(vehicle)s", "data: NOT PROVEN", "fleet.vehicle"),
    "a name": ("fleet_membership", "name = 'Somebody Else'", "workshop_id = %(workshop)s AND id = %(technician)s",
               "data: NOT PROVEN", "fleet.membership"),
    "the calibration": ("fleet_instrumentcalibration", "due_on = due_on + 900", "workshop_id = %(workshop)s",
                        "data: NOT PROVEN", "fleet.instrumentcalibration"),
    "the stored document": ("reports_certificatefile",
                            "snapshot = jsonb_set(snapshot, '{vehicle,odometer_km}', '1')",
                            "certificate_id = %(certificate)s", "ledger: NOT PROVEN", "document"),
    "a byte of the file": ("reports_certificatefile", "pdf = set_byte(pdf, 2000, 0)",
                           "certificate_id = %(certificate)s", "ledger: NOT PROVEN", "PDF"),
    "the file with its hash": ("reports_certificatefile", "pdf = set_byte(pdf, 2000, 0), "
                               "sha256 = encode(sha256(set_byte(pdf, 2000, 0)), 'hex')",
                               "certificate_id = %(certificate)s", "ledger: NOT PROVEN", "PDF"),
    "the entry": ("fleet_ledgerentry", "payload = jsonb_set(payload, '{facts,renderer_version}', '\"1\"')",
                  "record_id = %(certificate)s AND kind = 'certificate_prepared'", "ledger: NOT PROVEN", "hash"),
    "the renderer version": ("reports_certificatefile", "renderer_version = '6'", "certificate_id = %(certificate)s",
                             "ledger: NOT PROVEN", "renderer version"),
    "the head": ("fleet_checkpoint", "note = replace(note, 'made_at 2', 'made_at 1')", "workshop_id = %(workshop)s",
                 "ledger: NOT PROVEN", "head"),
}  # fmt: skip
"""Table, what becomes of it, of which row, the part by which it is found, and a word of what is said."""


@pytest.mark.parametrize("what", ALTERED)
def test_what_the_superuser_alters_is_found_and_named(issued: Issued, superuser: psycopg.Connection, what: str) -> None:
    table, becomes, which, part, word = ALTERED[what]
    with in_workshop(issued.site.workshop.pk):
        certificate = issued.certificate("adjusted")
    known = {
        "job": certificate.job_id,
        "vehicle": certificate.vehicle_id,
        "certificate": certificate.pk,
        "workshop": certificate.workshop_id,
        "technician": issued.site.technician.membership.pk,
    }
    superuser.execute(f"CREATE TEMP TABLE kept AS SELECT * FROM {table} WHERE {which}", known)  # noqa: S608
    changed = superuser.execute(f"UPDATE {table} SET {becomes} WHERE {which}", known).rowcount  # noqa: S608
    try:
        code, said = recompute(issued, str(issued.numbers["adjusted"]))
    finally:
        superuser.execute(f"DELETE FROM {table} WHERE {which}", known)  # noqa: S608
        superuser.execute(f"INSERT INTO {table} SELECT * FROM kept")  # noqa: S608
        superuser.execute("DROP TABLE kept")
    assert changed
    assert code == 1, said
    assert part in said
    assert word in said
    assert recompute(issued, str(issued.numbers["adjusted"]))[0] == 0, "put back"


def test_a_document_of_another_version_is_compared_as_far_as_it_goes(
    issued: Issued, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recomputing_file, "RENDERER_VERSION", "99")
    code, said = recompute(issued, str(issued.numbers["ended"]))
    assert code == 3, said
    assert "bytes: not comparable" in said
    assert "text: proven" in said
    assert "signature: proven" in said


def test_a_document_from_before_signing_is_told_apart_and_its_hashes_hold(
    issued: Issued, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorded, "FIRST_SIGNED", int(RENDERER_VERSION) + 1)
    code, said = recompute(issued, str(issued.numbers["ended"]))
    assert code == 3, said
    assert "which signed nothing; the ledger holds its hashes" in said


def test_pages_that_say_something_else_are_told_word_by_word(issued: Issued, monkeypatch: pytest.MonkeyPatch) -> None:
    """A renderer that draws another figure stands for a page that was drawn with another."""
    monkeypatch.setattr(recomputing_file, "unsigned_file", other_figure)
    code, said = recompute(issued, str(issued.numbers["adjusted"]))
    assert code == 1
    assert "text: NOT PROVEN" in said
    assert "bytes: NOT PROVEN" in said
    assert re.search("“[^”]*210[^”]*” instead of “[^”]*211[^”]*”", said), said


def around_midnight(site: Site) -> jobs.Bench:
    """Tyres, calibration, revision and concession are of days that another zone has begun, or ended, by then."""
    vehicle, began_on = site.vehicle(), site.began_at.date()
    for days in (-1, 0, 1):
        site.specification(vehicle.vehicle_model, effective_from=began_on + timedelta(days))
    site.fitment(vehicle, fitted_on=began_on - timedelta(1))
    tape = site.instrument(calibrated_on=began_on - timedelta(1))
    bench = jobs.Bench(site, vehicle, tape, site.began_at + timedelta(hours=1))
    bench.receive()
    bench.check_readiness()
    bench.measure(jobs.WITHIN)
    bench.sign_off()
    return bench


@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "Pacific/Pago_Pago", "Asia/Kathmandu"])
def test_in_a_workshop_that_went_over_to_another_time_zone(
    issued: Issued, superuser: psycopg.Connection, zone: str
) -> None:
    """14 hours ahead of UTC, 11 behind it, and by three quarters of an hour: days and offsets are others then."""
    moved = Issued(make_site())
    kinds = {**JOBS, "around midnight": around_midnight}
    for name in ("adjusted", "ended", "struck", "conceded", "around midnight"):
        issue(moved, name, kinds[name](moved.site))
    code, said = recompute(moved, "--all")
    assert code == 0, said
    assert said.count("data: proven.") + said.count("data: proven,") == len(moved.numbers)

    change(moved.site, time_zone=zone)
    issue(moved, "afterwards", around_midnight(moved.site))
    code, said = recompute(moved, "--all")
    assert code == 0, said
    assert f"{len(moved.numbers)} certificates proven." in said
    for part in ("ledger", "text", "bytes", "signature"):
        assert said.count(f"{part}: proven.") == len(moved.numbers), said
    assert said.count("workshop_changed") == len(moved.numbers) - 1, "what came of it is told of those before"
    code, said = recompute(moved, str(moved.numbers["afterwards"]))
    assert (code, said.count("data: proven.")) == (0, 1), said

    with in_workshop(moved.site.workshop.pk):
        certificate = moved.certificate("adjusted")
    superuser.execute("UPDATE calibration_reading SET height_mm = height_mm + 1 WHERE round_id IN "
                      "(SELECT id FROM calibration_round WHERE job_id = %s)", [certificate.job_id])  # fmt: skip
    code, said = recompute(moved, str(certificate.number))
    assert code == 1, "an alteration does not hide behind the change"
    assert "calibration.reading" in said


def other_figure(snapshot: dict[str, Any], proof: Any, **options: Any) -> bytes:
    from reports.certificate.unsigned import unsigned_file

    return unsigned_file({**snapshot, "vehicle": {**snapshot["vehicle"], "odometer_km": 84211.0}}, proof, **options)
