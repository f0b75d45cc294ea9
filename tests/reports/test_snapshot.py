"""A document says what the record says, complete."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fleet.tenancy import in_workshop
from reports.certificate.document import Document
from reports.models import Certificate
from reports.services.certificates import certificate_prepare
from tests.reports import jobs

if TYPE_CHECKING:
    from tests.factories import Site


def document(bench: jobs.Bench) -> Document:
    from reports.certificate.document import from_json

    with in_workshop(bench.site.workshop.pk):
        certificate = certificate_prepare(actor=bench.actor(), job_id=bench.job_id)
        assert certificate is not None
        return from_json(Certificate.objects.get(pk=certificate.pk).file.snapshot)


def test_try(site: Site) -> None:
    d = document(jobs.adjusted(site))
    import pprint

    pprint.pprint(d)
    assert 0
