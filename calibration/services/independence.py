"""Who may decide about whose work: another person, or openly alone in a workshop of one."""

from __future__ import annotations

import uuid
from collections.abc import Collection

from django.utils.translation import gettext as _

from fleet.actor import Actor
from fleet.errors import Forbidden
from fleet.models import Membership, Workshop
from fleet.services.people import active_approvers

from ..models import Finding
from ..selectors.casefile import CaseFile


def people_of_the_work(case: CaseFile) -> set[uuid.UUID]:
    """Memberships that measured, proposed or wrote in the job."""
    people = {
        row.recorded_by
        for rows in (case.rounds, case.leak_tests, case.proposals, case.writes, case.concessions)
        for row in rows
    }
    people |= {reading.measured_by_id for each in case.rounds for reading in each.reading_rows}  # type: ignore[attr-defined]
    return {person for person in people if person is not None}


def makers_of(case: CaseFile, finding: Finding) -> set[uuid.UUID | None]:
    """Who recorded or measured what the finding is about."""
    records = (case.rounds, case.leak_tests, case.writes, case.readiness, case.resumptions)
    sources = {row.pk: row for rows in records for row in rows}
    source = sources.get(finding.source_id)  # type: ignore[arg-type]
    if source is None:
        return {finding.recorded_by}
    measured = {each.measured_by_id for each in getattr(source, "reading_rows", ())}
    return {source.recorded_by, *measured}


def one_decides_alone(workshop_id: uuid.UUID) -> bool:
    """Whether the workshop lets its only approver decide on their own work."""
    return Workshop.objects.filter(pk=workshop_id, single_person=True).exists()


def may_decide(case: CaseFile) -> list[Membership]:
    """Who may approve what is open in a job, by name: managers and deputies who took no part in the work."""
    approvers = list(active_approvers().order_by("name", "id"))
    if one_decides_alone(case.job.workshop_id):
        return approvers
    involved = people_of_the_work(case)
    return [each for each in approvers if each.pk not in involved]


def decides_alone(actor: Actor, involved: Collection[uuid.UUID | None]) -> bool:
    """False where the actor is independent; True where a one-person workshop lets them decide all the same."""
    if actor.membership_id not in involved:
        return False
    if one_decides_alone(actor.workshop_id):
        return True
    raise Forbidden(
        _(
            "You took part in this work, so another person must decide. In a workshop of one person a manager can "
            "switch on the setting for it."
        ),
        code="not_independent",
    )


def require_independent_signer(actor: Actor, case: CaseFile) -> None:
    """Who approved or ruled in a job does not sign it off, except in a workshop of one."""
    deciders = {row.recorded_by for rows in (case.decisions, case.rulings) for row in rows}
    decides_alone(actor, deciders)
