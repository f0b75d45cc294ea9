"""Background work that failed in all its attempts: what it is, what went wrong, and another try."""

from __future__ import annotations

from typing import Any, Final
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from calibration.models import Job
from fleet.models import OutboxItem
from fleet.pages.lists import Part, part_of
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission

from ..models import Certificate
from ..selectors.parked_work import parked_work, subjects, unreached_work
from ..services.parked_work import parked_work_retry

KINDS: Final = {
    "calibration.job_signed_off": gettext_lazy("Make the certificate of a signed-off job"),
    "calibration.job_ended": gettext_lazy("Make the findings report of a job that ended otherwise"),
    "calibration.job_refiled": gettext_lazy("Replace what was issued for a job filed under another vehicle"),
    "calibration.approval_requested": gettext_lazy("Tell those who may approve"),
    "calibration.record_after_close": gettext_lazy("Tell the managers of a late record"),
    "calibration.drift_changed": gettext_lazy("Follow the drift of a vehicle"),
    "fleet.service_event_recorded": gettext_lazy("Follow the drift of a vehicle after work on it"),
    "fleet.odometer_recorded": gettext_lazy("Follow the drift of a vehicle after its odometer was read"),
    "fleet.vehicle_model_changed": gettext_lazy("Follow the drift of a vehicle by another model"),
    "fleet.specification_in_force": gettext_lazy("Follow the drift of a model's vehicles by a new specification"),
    "fleet.time_zone_changed": gettext_lazy("Bring due days and the daily round to the workshop’s new time zone"),
    "reports.drift_sweep": gettext_lazy("Look through all vehicles for drift and overdue checks"),
    "reports.certificate_issue": gettext_lazy("Issue a replacement certificate"),
    "reports.certificate_issued": gettext_lazy("Send word of a certificate"),
    "reports.certificate_email": gettext_lazy("Send an e-mail about a certificate"),
    "reports.approval_email": gettext_lazy("Send an e-mail about a request for approval"),
    "reports.late_record_email": gettext_lazy("Send an e-mail about a late record"),
    "fleet.checkpoint": gettext_lazy("Sign the head of all records"),
    "fleet.workshop_founded": gettext_lazy("Plan the daily round"),
    "reports.daily_round": gettext_lazy("The daily round: who is to be told of what changed or is due"),
    "reports.alerts_email": gettext_lazy("Send an e-mail about alerts"),
    "reports.checks_email": gettext_lazy("Send an e-mail about height checks that are due"),
    "reports.instruments_email": gettext_lazy("Send an e-mail about instruments that are due"),
    "reports.checkpoint_email": gettext_lazy("Send an e-mail with the signed head of all records"),
    "reports.old_deliveries": gettext_lazy("Clear away old messages to webhooks"),
    "reports.import_go_on": gettext_lazy("Carry out an import"),
    "reports.import_evaluate": gettext_lazy("Follow the drift of imported vehicles"),
    "reports.import_file_remove": gettext_lazy("Remove an imported file whose time is over"),
    "reports.webhook_attempt": gettext_lazy("Send a message to a webhook"),
    "reports.export_make": gettext_lazy("Export the whole workshop"),
    "reports.export_clear": gettext_lazy("Clear an export away"),
    "reports.archive_take_in": gettext_lazy("Take an archive in"),
    "reports.vehicle_taken_in": gettext_lazy("Follow the drift of a vehicle that was taken in"),
    "fleet.invitation_email": gettext_lazy("Send an invitation"),
    "fleet.password_link_email": gettext_lazy("Send a link to set a new password"),
}


WAITING_SHOWN: Final = 20


class ParkedWorkView(WorkshopPage):
    """`/parked-work/`"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest) -> HttpResponse:
        part = part_of(request, parked_work().order_by("created_at", "id"))
        waiting = part_of(request, unreached_work().order_by("due_at", "id")[:WAITING_SHOWN], WAITING_SHOWN)
        values = {"part": part, "rows": shown_items(part), "waiting": shown_items(waiting)}
        return render(request, "reports/pages/parked_work.html", values)


class RetryView(WorkshopPage):
    """`/parked-work/<id>/retry/`: harmless when repeated."""

    permission = Permission.SET_UP

    def post(self, request: HttpRequest, item: UUID) -> HttpResponse:
        parked_work_retry(actor=self.actor, item_id=item)
        messages.success(request, _("It is tried again. If it fails five times more, it comes back here."))
        return redirect("parked_work_page")


def shown_items(part: Part) -> list[dict[str, Any]]:
    """Each piece of work in words, with links to what it is about."""
    about = [subjects(item.payload) for item in part.rows]
    jobs = Job.objects.in_bulk({each["job"] for each in about if "job" in each})
    certificates = Certificate.objects.in_bulk({each["certificate"] for each in about if "certificate" in each})
    return [
        {"item": item, "kind": kind_in_words(item), "links": _links(ids, jobs, certificates)}
        for item, ids in zip(part.rows, about, strict=True)
    ]


def kind_in_words(item: OutboxItem) -> Any:
    """Where a later release named it, the kind without its dots."""
    return KINDS.get(item.kind) or item.kind.rpartition(".")[2].replace("_", " ").capitalize()


def _links(ids: dict[str, str], jobs: dict[UUID, Job], certificates: dict[UUID, Certificate]) -> list[tuple[str, str]]:
    found = []
    if (job := jobs.get(UUID(ids["job"])) if "job" in ids else None) is not None:
        found.append((_("Job %(number)s") % {"number": job.number}, reverse("job_page", args=[job.pk])))
    one = certificates.get(UUID(ids["certificate"])) if "certificate" in ids else None
    if one is not None:
        found.append(
            (_("Certificate %(number)s") % {"number": one.number}, reverse("certificate_page", args=[one.number]))
        )
    if "approval" in ids:
        found.append((_("The request for approval"), reverse("approval_page", args=[ids["approval"]])))
    return found
