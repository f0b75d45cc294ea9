"""One finding, what it is about, and a manager's ruling on it."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.utils.translation import gettext as _

from fleet.errors import NotFound
from fleet.pages.workshop_page import RecordForm
from fleet.permissions import Permission

from ..models import Finding, Ruling
from ..rules import texts
from ..selectors.casefile import CaseFile, case_of
from ..services.decisions import finding_rule
from ..services.independence import makers_of
from . import words
from .deciding import DecisionPage, Right, right_of
from .forms import RulingForm
from .shown import names_of

NO_RULING_LIFTS = frozenset({"load_capacity_low"})


class FindingView(DecisionPage):
    """`/findings/<id>/`"""

    deciding = Permission.RULE
    form_class = RulingForm
    template = "calibration/finding.html"
    finding: Finding

    def load(self, record_id: UUID) -> CaseFile:
        found = Finding.objects.filter(pk=record_id).first()
        if found is None:
            raise NotFound
        self.finding = found
        return case_of(self.actor, found.job_id)

    @property
    def hash_shown(self) -> str:
        return self.case.standing.content_sha256

    @property
    def is_open(self) -> bool:
        """A ruling would say something: it is no note, still matters, and no ruling has accepted it."""
        if self.finding.severity == Finding.Severity.NOTE or self.finding.code in NO_RULING_LIFTS:
            return False
        raised = next(each for each in self.case.record.findings if each.id == self.finding.pk)
        return raised.ruling != "accept"

    def right(self) -> Right:
        return right_of(self.actor, self.deciding, makers_of(self.case, self.finding))

    def carry_out(self, form: RecordForm) -> object | None:
        ruled = self.once(
            "job-rulings.create",
            form,
            lambda record_id, body: finding_rule(
                actor=self.actor,
                record_id=record_id,
                job_id=self.finding.job_id,
                finding_id=self.finding.pk,
                **body,
            ),
            lambda record_id: Ruling.objects.get(pk=record_id),
            finding=self.finding.pk,
        )
        if ruled is not None:
            is_accepted = ruled.decision == Ruling.Outcome.ACCEPT
            messages.success(self.request, self._accepted() if is_accepted else _("Rejected: the finding stands."))
        return ruled

    def _accepted(self) -> str:
        if self.finding.code == "leak_outside":
            return _("Accepted: the test was wrong. A leak test that passes is needed all the same.")
        return _("Accepted: the finding no longer blocks.")

    def values(self) -> dict[str, Any]:
        finding = self.finding
        rulings = [each for each in self.case.rulings if each.finding_id == finding.pk]
        names = names_of([finding.recorded_by, *(each.recorded_by for each in rulings)])
        raised = next(each for each in self.case.record.findings if each.id == finding.pk)
        return {
            "finding": finding,
            "severity": words.SEVERITIES[finding.severity],
            "detail": texts.finding_detail(finding.code, finding.corner or None, finding.values),
            "in_force": self.case.standing.is_live(raised),
            "no_ruling_lifts": finding.code in NO_RULING_LIFTS,
            "recorded_by": names.get(finding.recorded_by) if finding.recorded_by else None,
            "rulings": [
                {
                    "word": words.RULINGS[each.decision],
                    "reason": each.reason,
                    "by": names.get(each.recorded_by) if each.recorded_by else None,
                    "at": each.recorded_at,
                    "self_approved": each.self_approved,
                }
                for each in rulings
            ],
        }
