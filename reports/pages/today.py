"""`/`: what waits for somebody today. Each part of the page says who sees it and what it shows.

A later part is registered here beside the others.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy as _

from calibration.models import Job
from calibration.pages.approvals import waiting_values
from calibration.pages.words import STEPS
from calibration.rules import explain
from calibration.selectors.casefile import CaseFile
from calibration.selectors.casefiles import case_files
from calibration.selectors.waiting import late_findings, open_jobs, waiting_jobs
from fleet.actor import Actor
from fleet.models import HeadConflict
from fleet.pages.lists import part_of
from fleet.pages.workshop_page import WorkshopPage, reader_unit
from fleet.permissions import Permission, may

from ..selectors.alerts import alerted_vehicles
from ..selectors.parked_work import parked_work, unreached_work
from ..selectors.webhooks import given_up
from .alerts import alert_row
from .due import overdue_instruments

JOBS_SHOWN: Final = 20
VEHICLES_SHOWN: Final = 10
STATES: Final = dict(Job.State.choices)


@dataclass(frozen=True, slots=True)
class TodayPart:
    """A section of the page: heading, template, who sees it, and the values that the template shows.

    A part whose values are None has nothing to say today and is left out.
    """

    key: str
    heading: Any
    template: str
    permission: Permission
    values: Callable[[HttpRequest, Actor], dict[str, Any] | None]


def _decisions(_request: HttpRequest, actor: Actor) -> dict[str, Any]:
    return waiting_values(waiting_jobs(actor), list(late_findings(actor)))


def _jobs(request: HttpRequest, actor: Actor) -> dict[str, Any]:
    part = part_of(request, open_jobs(actor), JOBS_SHOWN)
    return {"part": part, "jobs": [_where_it_stands(case) for case in case_files(part.rows)]}


def _where_it_stands(case: CaseFile) -> dict[str, Any]:
    job, standing = case.job, case.standing
    return {
        "job": job,
        "reason": Job.Reason(job.reason).label,
        "state": STATES[job.state],
        "step": STEPS[standing.next_step.step],
        "waits": standing.next_step.step in {"get_approval", "inspect", "paused"},
        "detail": explain.next_step_detail(standing, proposal=case.open_proposal_content),
        "paused_because": case.pauses[-1].reason if standing.is_paused else "",
    }


def _alerts(_request: HttpRequest, actor: Actor) -> dict[str, Any] | None:
    """A vehicle's once, however much is the matter with it."""
    found = alerted_vehicles(actor, VEHICLES_SHOWN)
    if not found.alerts:
        return None
    unit = reader_unit(actor)
    rows = [_alerted([alert_row(actor, each, unit) for each in alerts]) for alerts in found.alerts.values()]
    return {"rows": rows, "more": found.total - len(rows)}


def _alerted(alerts: Sequence[dict[str, Any]]) -> dict[str, Any]:
    first, *others = alerts
    return {
        "first": first,
        "others": others,
        "waits": any(each["alert"].acknowledged_at is None for each in others),
    }


def _parked(_request: HttpRequest, _actor: Actor) -> dict[str, Any] | None:
    values = {"count": parked_work().count(), "given_up": given_up().count(), "unreached": unreached_work().count()}
    return values if any(values.values()) else None


def _heads(_request: HttpRequest, _actor: Actor) -> dict[str, Any] | None:
    count = HeadConflict.objects.filter(acknowledged_at=None).count()
    return {"count": count} if count else None


def _due(_request: HttpRequest, actor: Actor) -> dict[str, Any] | None:
    overdue = overdue_instruments(actor)
    return {"overdue": overdue} if overdue else None


PARTS: list[TodayPart] = [
    TodayPart("heads", _("Records"), "reports/pages/parts/head_conflicts.html", Permission.SET_UP, _heads),
    TodayPart("decisions", _("To be decided"), "calibration/parts/waiting.html", Permission.READ_WORKSHOP, _decisions),
    TodayPart("alerts", _("Alerts"), "reports/pages/parts/alerted.html", Permission.READ_WORKSHOP, _alerts),
    TodayPart("due", _("Instruments"), "reports/pages/parts/due.html", Permission.READ_WORKSHOP, _due),
    TodayPart("parked", _("Parked work"), "reports/pages/parts/parked.html", Permission.SET_UP, _parked),
    TodayPart("jobs", _("Open jobs"), "reports/pages/parts/open_jobs.html", Permission.READ_WORKSHOP, _jobs),
]


class TodayView(WorkshopPage):
    """`/`. Whoever sees some vehicles only is led to them."""

    def get(self, request: HttpRequest) -> HttpResponse:
        if not may(self.actor, Permission.READ_WORKSHOP):
            return redirect("vehicles_page")
        shown = [(part, part.values(request, self.actor)) for part in PARTS if may(self.actor, part.permission)]
        values = {
            "parts": [{"part": part, "values": found} for part, found in shown if found is not None],
            "may_work": may(self.actor, Permission.RECORD_FACTS),
        }
        return render(request, "reports/pages/today.html", values)
