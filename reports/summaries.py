"""The summary of an operator's vehicles, as the interface and the pages hand it out."""

from __future__ import annotations

from uuid import UUID
from zoneinfo import ZoneInfo

from django.http import HttpResponse

from fleet.actor import Actor
from fleet.models import Operator, Workshop

from .certificate.document import Party, Units
from .certificate.operator_summary import OperatorSummary, summary_pdf
from .selectors.certificates import PAGE_SIZE_OF_WORKSHOP
from .selectors.operator_summary import lines_of, operator_for, vehicles_of


def operator_summary_pdf(actor: Actor, operator: Operator) -> bytes:
    """In the workshop's language, unit, zone and page size, as its other documents."""
    workshop = Workshop.objects.get(pk=actor.workshop_id)
    zone = ZoneInfo(workshop.time_zone)
    summary = OperatorSummary(
        workshop=_party(workshop),
        operator=_party(operator),
        made_at=actor.now.astimezone(zone).replace(microsecond=0),
        lines=lines_of(list(vehicles_of(operator, actor)), actor, zone),
        units=Units(length=workshop.length_unit),  # type: ignore[arg-type]
        language=workshop.language,
    )
    return summary_pdf(summary, page_size=PAGE_SIZE_OF_WORKSHOP[workshop.page_size])


def operator_summary_response(actor: Actor, operator_id: UUID) -> HttpResponse:
    """Of an operator that the actor may see."""
    pdf = operator_summary_pdf(actor, operator_for(actor, operator_id))
    disposition = {"Content-Disposition": 'inline; filename="vehicles.pdf"', "Cache-Control": "private, no-store"}
    return HttpResponse(pdf, content_type="application/pdf", headers=disposition)


def _party(row: Workshop | Operator) -> Party:
    address = tuple(line.strip() for line in row.address.splitlines() if line.strip())
    return Party(row.name, address, row.telephone, row.email)
