"""The document of a bench's job, and steps that the bench itself does not take."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fleet.tenancy import in_workshop
from reports.certificate import document as doc
from reports.certificate.document import from_json
from reports.models import CertificateFile
from reports.services.certificates import certificate_prepare

from .jobs import Bench


def document(bench: Bench) -> doc.Document:
    """The first certificate's document, as stored."""
    with in_workshop(bench.site.workshop.pk):
        certificate = certificate_prepare(actor=bench.actor(), job_id=bench.job_id)
        assert certificate is not None
        return from_json(CertificateFile.objects.get(certificate=certificate).snapshot)


def inside(bench: Bench, do: Callable[..., Any], *, by: Any = None, **fields: Any) -> Any:
    """A service called by the technician, or by somebody else, a minute later."""
    actor = bench.actor() if by is None else by.actor(bench.actor().now)
    with in_workshop(bench.site.workshop.pk):
        return do(actor=actor, **fields)
