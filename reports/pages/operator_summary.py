"""The summary of an operator's vehicles: on a page, and as a PDF to take along."""

from __future__ import annotations

import uuid
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from fleet.looks.lengths import LengthUnit
from fleet.pages.lists import part_of
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission
from fleet.selectors.vehicles import sees_whole_workshop

from ..certificate.display import Display
from ..certificate.document import Units
from ..certificate.operator_summary import drift_words, due_words, worst_words
from ..selectors.operator_summary import Line, lines_of, operator_for, vehicles_of
from ..standing_words import standing_shown
from ..summaries import operator_summary_response


class OperatorSummaryView(WorkshopPage):
    """`/operators/<id>/summary/`"""

    permission = Permission.READ_OWN_VEHICLES

    def get(self, request: HttpRequest, operator: uuid.UUID) -> HttpResponse:
        found = operator_for(self.actor, operator)
        part = part_of(request, vehicles_of(found, self.actor))
        lines = lines_of(part.rows, self.actor, self.reader.time_zone)
        values = {
            "operator": found,
            "part": part,
            "rows": [_shown(line, self.reader.length_unit, self.reader.time_zone) for line in lines],
            "is_of_workshop": sees_whole_workshop(self.actor),
        }
        return render(request, "reports/pages/operator_summary.html", values)


class OperatorSummaryPdfView(WorkshopPage):
    """`/operators/<id>/summary/pdf/`"""

    permission = Permission.READ_OWN_VEHICLES

    def get(self, request: HttpRequest, operator: uuid.UUID) -> HttpResponse:
        return operator_summary_response(self.actor, operator)


def _shown(line: Line, unit: LengthUnit, zone: ZoneInfo) -> dict[str, Any]:
    display = Display(Units(length=unit), None)
    return {
        "line": line,
        "standing": standing_shown(line.standing, unit, zone),
        "worst": worst_words(line, display),
        "due": due_words(line),
        "drift": drift_words(line, display),
    }
