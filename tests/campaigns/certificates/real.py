"""Certificates that the service has issued, its keys, and its own check of files."""

from __future__ import annotations

import uuid
from collections.abc import Sequence

from fleet.checkpoint_keys import signing_key
from fleet.tenancy import in_workshop
from reports.certificate.identity import identity
from reports.models import CertificateFile
from reports.selectors.certificate_files import file_verification

from .making import Signer
from .miniature import Insider, Original


def issued_by(workshop_id: uuid.UUID) -> list[Original]:
    """All files of a workshop, as they are kept."""
    own = identity()
    insider = Insider(Signer(own.key, own.certificate), signing_key())
    with in_workshop(workshop_id):
        files = CertificateFile.objects.order_by("recorded_at", "id").values_list("pdf", flat=True)
        return [Original(bytes(pdf), insider) for pdf in files]


def accepted_by_service(pdf: bytes, _keys: Sequence[str]) -> bool:
    """By the service, which knows its own keys."""
    found = file_verification(pdf)
    return found is not None and found.state in ("valid", "replaced")
