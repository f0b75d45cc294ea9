"""Whether a workshop's tables hold exactly what was acknowledged, and every step as a whole.

    python -m tests.campaigns.faults.audit WORKSHOP < acknowledged.json

runs in the environment of the service and prints JSON: what was counted, and every problem in a sentence. It reads
the tables as the application role and trusts no service function but the definition of an entry's hash and content.
"""

from __future__ import annotations

import hashlib
import json
import sys
import uuid
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

import django

STEPS: Final[tuple[tuple[str, str, str], ...]] = (
    ("/vehicles/", "fleet.Vehicle", "vehicle_added"),
    ("/fitments/", "fleet.Fitment", "tyres_fitted"),
    ("/events/", "fleet.ServiceEvent", "service_event_recorded"),
    ("/jobs/", "calibration.Job", "job_opened"),
    ("/readiness/", "calibration.Readiness", "readiness_recorded"),
    ("/rounds/", "calibration.Round", "round_recorded"),
    ("/readings/", "", "readings_added"),
    ("/strike/", "calibration.ReadingStrike", "reading_struck"),
    ("/photos/", "calibration.Photo", "photo_added"),
    ("/proposals/", "calibration.Proposal", "proposal_made"),
    ("/writes/", "calibration.Write", "write_recorded"),
    ("/pause/", "calibration.Pause", "job_paused"),
    ("/resumption/", "calibration.Resumption", "job_resumed"),
    ("/sign-off/", "calibration.SignOff", "job_signed_off"),
    ("/end/", "calibration.JobEnd", "job_ended"),
    ("/rulings/", "calibration.Ruling", "finding_ruled"),
    ("/decision/", "calibration.Decision", "approval_decided"),
)
"""How an address ends that makes a record, the table of the record, and the kind of its ledger entry."""
UNTIL_PERFORMED: Final = timedelta(seconds=30)
"""Whoever asks for an audit has waited until nothing was due."""
NOT_IN_LEDGER: Final = frozenset(
    {
        "fleet.ledgerentry",
        *("fleet.ledgerleaf", "fleet.checkpoint"),  # made from entries
        "fleet.receipt",
        "fleet.outboxitem",
        "fleet.numbering",
        *(
            "calibration.responseposterior",
            "calibration.driftseries",
            "calibration.driftstate",
        ),  # made anew from records
        "calibration.driftrateprior",
        "fleet.signinevent",  # a record of its own, append-only, with addresses of people
    }
)


@dataclass(frozen=True)
class Report:
    """What an audit found."""

    counts: Mapping[str, int]
    problems: list[str]


def audit(workshop_id: uuid.UUID, acknowledged: list[dict[str, str]]) -> Report:
    """Look at everything of one workshop."""
    from fleet.models import LedgerEntry
    from fleet.tenancy import in_workshop

    with in_workshop(workshop_id):
        entries = list(LedgerEntry.objects.order_by("book", "sequence"))
        problems = [
            *_chain_problems(entries),
            *_row_problems(entries),
            *_acknowledgement_problems(entries, acknowledged),
            *_work_problems(),
            *_certificate_problems(),
            *_photo_problems(),
        ]
        return Report(_counts(entries, acknowledged), problems)


def step_of(path: str) -> tuple[str, str, str] | None:
    """What a POST to this address records."""
    return next((step for step in STEPS if path.endswith(step[0])), None)


def _counts(entries: list[Any], acknowledged: list[dict[str, str]]) -> dict[str, int]:
    from fleet.models import OutboxItem
    from reports.models import Certificate

    return {
        "acknowledged records": len(acknowledged),
        "ledger entries": len(entries),
        "books": len({entry.book for entry in entries}),
        "background items": OutboxItem.objects.count(),
        "background items tried again": OutboxItem.objects.filter(attempts__gt=1).count(),
        "certificates": Certificate.objects.filter(kind=Certificate.Kind.CERTIFICATE).count(),
        "findings reports": Certificate.objects.filter(kind=Certificate.Kind.FINDINGS_REPORT).count(),
    }


def _chain_problems(entries: Iterable[Any]) -> Iterator[str]:
    """Every book counts from 1 without a gap, each entry carries its predecessor's hash and its own."""
    from fleet.ledger import FIRST_PREVIOUS_HASH, entry_hash

    last: dict[uuid.UUID, tuple[int, str]] = {}
    for entry in entries:
        sequence, previous_hash = last.get(entry.book, (0, FIRST_PREVIOUS_HASH))
        if (entry.sequence, entry.previous_hash) != (sequence + 1, previous_hash):
            yield f"entry {entry.sequence} of book {entry.book} does not follow entry {sequence}"
        if entry_hash(entry) != entry.hash:
            yield f"entry {entry.sequence} of book {entry.book} has not the hash of its content"
        last[entry.book] = (entry.sequence, entry.hash)


def _row_problems(entries: Iterable[Any]) -> Iterator[str]:
    """Every row is as the last entry that names it says, and every row that an entry names is there."""
    from fleet.ledger import row_content
    from fleet.models import Workshop

    said = _last_contents(entries)
    for model in _ledgered_models():
        rows = {str(row.pk): row for row in model._default_manager.all()}
        told = said.pop(model._meta.label_lower, {})
        for key in rows.keys() - told.keys():
            yield f"{model._meta.label_lower} {key} is in no ledger entry"
        for key in told.keys() - rows.keys():
            yield f"{model._meta.label_lower} {key} is in the ledger and not in its table"
        for key in rows.keys() & told.keys():
            now = json.loads(json.dumps(row_content(rows[key])))
            differing = sorted(name for name in now if now[name] != told[key].get(name))
            if differing:
                yield f"{model._meta.label_lower} {key} differs from its last entry in {', '.join(differing)}"
    for label in said.keys() - {Workshop._meta.label_lower}:
        yield f"the ledger names rows of {label}, which the audit does not know"


def _last_contents(entries: Iterable[Any]) -> dict[str, dict[str, dict[str, Any]]]:
    said: dict[str, dict[str, dict[str, Any]]] = {}
    for entry in sorted(entries, key=lambda each: each.recorded_at):
        for label, rows in entry.payload["rows"].items():
            said.setdefault(label, {}).update({row["id"]: row for row in rows})
    return said


def _ledgered_models() -> list[Any]:
    from django.apps import apps

    from fleet.models import TenantModel

    return [
        model
        for model in apps.get_models()
        if issubclass(model, TenantModel) and model._meta.label_lower not in NOT_IN_LEDGER
    ]


def _acknowledgement_problems(entries: Iterable[Any], acknowledged: list[dict[str, str]]) -> Iterator[str]:
    """Each acknowledged id is there once, and no table holds a record that nobody was told of."""
    from django.apps import apps

    from fleet.models import Receipt

    ids = Counter(each["id"] for each in acknowledged)
    receipts = {str(key) for key in Receipt.objects.values_list("pk", flat=True)}
    for key in ids.keys() - receipts:
        yield f"{key} was acknowledged and has no receipt"
    for key in (key for key, times in ids.items() if times > 1):
        yield f"{key} was acknowledged {ids[key]} times: two tablets used one id"
    kinds = Counter(entry.kind for entry in entries)
    for suffix, table, kind in STEPS:
        told = {each["id"] for each in acknowledged if step_of(each["path"]) == (suffix, table, kind)}
        if kinds[kind] != len(told):
            yield f"{kinds[kind]} ledger entries of kind {kind}, {len(told)} acknowledged"
        if table:
            yield from _table_problems(apps.get_model(table), told)


def _table_problems(model: Any, told: set[str]) -> Iterator[str]:
    kept = {str(key) for key in model._default_manager.values_list("pk", flat=True)}
    for key in told - kept:
        yield f"{model._meta.label} {key} was acknowledged and is lost"
    for key in kept - told:
        yield f"{model._meta.label} {key} is kept and nobody was told so"


def _work_problems() -> Iterator[str]:
    """What is due only later, such as tomorrow's sweep, may wait, as may what became due while this was starting."""
    from django.utils import timezone

    from fleet.models import OutboxItem

    due = OutboxItem.objects.filter(due_at__lte=timezone.now() - UNTIL_PERFORMED)
    for item in due.exclude(state=OutboxItem.State.DONE):
        yield f"background item {item.pk} ({item.kind}) is {item.state} after {item.attempts} attempts: {item.error}"


def _certificate_problems() -> Iterator[str]:
    """Every closed job has exactly one document, its bytes are those of its hash, numbers have no gap."""
    from calibration.models import Job
    from reports.models import Certificate, CertificateFile

    for job in Job.objects.filter(closed_at__isnull=False):
        made = list(Certificate.objects.filter(job=job))
        if [each.state for each in made] != [Certificate.State.ISSUED]:
            yield f"job {job.number} ({job.state}) has {len(made)} certificates: {[each.state for each in made]}"
    for job in Job.objects.filter(closed_at__isnull=True, certificates__isnull=False):
        yield f"job {job.number} is open and has a certificate"
    for file in CertificateFile.objects.iterator(chunk_size=50):
        if hashlib.sha256(bytes(file.pdf)).hexdigest() != file.sha256:
            yield f"the bytes of certificate {file.certificate_id} have not their hash"
    for rows, name in ((Certificate.objects, "certificates"), (Job.objects, "jobs")):
        numbers = sorted(rows.values_list("number", flat=True))
        if numbers != list(range(1, len(numbers) + 1)):
            yield f"the numbers of {name} have a gap or a double: {numbers}"


def _photo_problems() -> Iterator[str]:
    from django.conf import settings

    from calibration.models import Photo

    for photo in Photo.objects.all():
        path = Path(settings.MEDIA_ROOT) / photo.path
        if not path.exists():
            yield f"the picture of photo {photo.pk} is lost"
        elif hashlib.sha256(path.read_bytes()).hexdigest() != photo.sha256:
            yield f"the picture of photo {photo.pk} is not what was acknowledged"


def main() -> None:
    django.setup()
    report = audit(uuid.UUID(sys.argv[1]), json.load(sys.stdin))
    sys.stdout.write(json.dumps(asdict(report)))


if __name__ == "__main__":
    main()
