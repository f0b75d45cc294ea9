"""Certificates for the pages that are looked at in Chromium."""

from __future__ import annotations

import pytest
from django.utils import timezone

from fleet.actor import Actor
from fleet.ids import new_id
from fleet.tenancy import in_workshop
from reports.models import Certificate
from reports.services.certificates import certificate_issue, certificate_prepare, certificate_replace
from tests.factories import make_site
from tests.reports import jobs


@pytest.fixture
def codes(committed_db: None) -> dict[str, str]:
    """Codes of a certificate that holds and of one that was replaced."""
    site = make_site()
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        certificate_prepare(actor=Actor.system(site.workshop.pk, timezone.now()), job_id=bench.job_id)
        old = Certificate.objects.get()
        new = certificate_replace(actor=site.manager.actor(), record_id=new_id(), number=1, reason="Mistyped")
        certificate_issue(actor=site.manager.actor(), certificate_id=new.pk)
    return {"replaced": old.code, "valid": new.code, "unknown": "0" * 16}
