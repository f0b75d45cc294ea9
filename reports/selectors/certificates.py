"""Which certificates a person sees, and what anybody learns from a verification code."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db import connection
from django.db.models import Exists, OuterRef, Q, QuerySet

from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.models import Tenure, Workshop
from fleet.permissions import Permission, may
from fleet.selectors.vehicles import sees_whole_workshop

from ..certificate.layout import PageSize
from ..codes import read_code
from ..models import Certificate, CertificateFile

PAGE_SIZE_OF_WORKSHOP: Final[dict[str, PageSize]] = {
    Workshop.PageSize.A4.value: "A4",
    Workshop.PageSize.LETTER.value: "Letter",
}


def visible_certificates(actor: Actor) -> QuerySet[Certificate]:
    """All of the workshop's; an operator contact's are those of jobs done while the vehicle was theirs."""
    certificates = (
        Certificate.objects.select_related("vehicle", "replaces", "file")
        .prefetch_related("replacements")
        .defer("file__snapshot", "file__pdf")
    )
    if sees_whole_workshop(actor):
        return certificates
    if actor.operator_id is None or not may(actor, Permission.READ_OWN_VEHICLES):
        return certificates.none()
    theirs = Tenure.objects.filter(
        Q(ended_at__isnull=True) | Q(ended_at__gt=OuterRef("job__opened_at")),
        vehicle=OuterRef("vehicle"),
        operator_id=actor.operator_id,
        began_at__lte=OuterRef("job__closed_at"),
    )
    return certificates.filter(Exists(theirs))


def certificate_by_number(actor: Actor, number: int) -> Certificate:
    certificate = visible_certificates(actor).filter(number=number).first()
    if certificate is None:
        raise NotFound
    return certificate


def code_leads_to(certificate: Certificate) -> str | None:
    """The address within the QR code of the document as issued; None before that."""
    files = CertificateFile.objects.filter(certificate=certificate)
    return files.values_list("snapshot__verification_url", flat=True).first()


@dataclass(frozen=True, slots=True)
class Verification:
    """What the certificate with a code says, with the time of the workshop's clocks, and whether it still holds.

    `verdict` is over what can be adjusted; `not_within` names all corners (`FL`) and axles' sides (`front`) that are
    outside tolerance or undecided as left, adjustable or not. `by_concession`: not by the specification's targets.
    `replaced_by` is the one that holds now, whatever came between.
    """

    kind: str
    number: int
    state: str
    issued_at: datetime
    workshop: str
    vin: str
    verdict: str | None
    not_within: list[str]
    by_concession: bool
    sha256: str
    replaced_by: int | None


def verification(typed_code: str) -> Verification | None:
    """Of a code in whatever workshop; None for a code that was never issued."""
    code = read_code(typed_code)
    if code is None:
        return None
    with connection.cursor() as cursor:
        cursor.execute("SELECT * FROM levelbook_verification(%s)", [code])
        row = cursor.fetchone()
        columns = [column.name for column in cursor.description or ()]
    if row is None:
        return None
    told = dict(zip(columns, row, strict=True))
    return Verification(**{**told, "issued_at": datetime.fromisoformat(told["issued_at"])})
