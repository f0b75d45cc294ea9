"""Certificates and findings reports in the history of their vehicle."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.utils import timezone

from fleet.actor import Actor
from fleet.ids import new_id
from fleet.tenancy import in_workshop
from reports.services.certificates import certificate_issue, certificate_prepare, certificate_replace
from tests.factories import Site

from . import jobs


def issued(site: Site, bench: jobs.Bench) -> None:
    with in_workshop(site.workshop.pk):
        certificate_prepare(actor=Actor.system(site.workshop.pk, timezone.now()), job_id=bench.job_id)


def lines(site: Site, bench: jobs.Bench) -> list[str]:
    """What the history says, newest first."""
    answer = site.manager.client().get(f"/api/v1/vehicles/{bench.vehicle.vin}/history/")
    return [row["summary"] for row in answer.json()["results"]]


@pytest.mark.parametrize(
    ("work", "line"),
    [(jobs.left_alone, "Certificate no. 1 issued."), (jobs.ended, "Findings report no. 1 issued.")],
)
def test_an_issued_document_is_told_with_kind_and_number(
    site: Site, work: Callable[[Site], jobs.Bench], line: str
) -> None:
    bench = work(site)
    assert line not in lines(site, bench)
    issued(site, bench)
    assert lines(site, bench)[0] == line


def test_a_replacement_is_told_when_it_is_asked_for_with_its_reason_and_when_it_is_issued(site: Site) -> None:
    bench = jobs.left_alone(site)
    issued(site, bench)
    with in_workshop(site.workshop.pk):
        new = certificate_replace(actor=site.manager.actor(), record_id=new_id(), number=1, reason="Name misspelt.")
    asked = "Certificate no. 2 is to replace the one before: Name misspelt."
    assert lines(site, bench)[:2] == [asked, "Certificate no. 1 issued."]
    with in_workshop(site.workshop.pk):
        certificate_issue(actor=site.manager.actor(), certificate_id=new.pk)
    prepared = "Certificate no. 2 prepared to be signed."
    assert lines(site, bench)[:3] == ["Certificate no. 2 issued.", prepared, asked]
