"""People of the workshop: who they are and what they may do; invited, changed, invited again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import BooleanField, Exists, ExpressionWrapper, OuterRef, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from fleet import services
from fleet.api.inputs import RecordSerializer
from fleet.api.people import PersonChanges, PersonInput
from fleet.api.resources import found
from fleet.models import Invitation, Membership, Operator, Role
from fleet.permissions import Permission
from fleet.selectors.repeatability import repeatability_of_people

from .bodies import BodyForm, Group
from .changing import ChangePage, FormPage, ListPage
from .public_address import public_address
from .words import with_labels

LABELS: Mapping[str, Any] = {
    "name": _("Name"),
    "email": _("E-mail address"),
    "roles": _("Roles"),
    "operator": _("Operator"),
    "may_approve": _("May approve"),
    "is_active": _("Active"),
}
HINTS: Mapping[str, Any] = {
    "roles": "",
    "operator": _("Only for an operator contact: whose vehicles they see."),
    "may_approve": _("For a person who is no manager: they stand in for one when approvals are due."),
    "is_active": _("Without it they are signed out everywhere at once and cannot sign in."),
}
ROLES = Group(
    _("What they do here"),
    ("roles", "may_approve", "operator"),
    _(
        "A manager sets up, approves and rules. A technician measures, sets and signs off. An auditor reads everything "
        "and changes nothing. An operator contact sees the vehicles of their operator only. An integrator is a program."
    ),
)


def operators() -> list[tuple[UUID, str]]:
    return list(Operator.objects.order_by("name").values_list("pk", "name"))


class InvitationForm(BodyForm):
    """Whom to invite, and as what."""

    body_class = PersonInput
    labels = LABELS
    choices: ClassVar = {"operator": operators}
    hints = HINTS
    groups = (Group(_("Who"), ("name", "email")), ROLES)


class PersonForm(BodyForm):
    """What a manager says of a person."""

    body_class = PersonChanges
    labels = LABELS
    choices: ClassVar = {"operator": operators}
    hints = HINTS
    groups = (Group(_("Who"), ("name",)), ROLES, Group(_("Whether they may sign in"), ("is_active",)))


class ReinvitationForm(BodyForm):
    """Nothing but that it is wished."""

    body_class = RecordSerializer


def people() -> QuerySet[Membership]:
    """With whether they have accepted their invitation; who founded the workshop had none."""
    invitations = Invitation.objects.filter(membership=OuterRef("pk"))
    accepted = Q(Exists(invitations.filter(accepted_at__isnull=False))) | ~Q(Exists(invitations))
    has_accepted = ExpressionWrapper(accepted, output_field=BooleanField())
    return Membership.objects.select_related("user", "operator").annotate(has_accepted=has_accepted)


class PeopleView(ListPage):
    """`/people/`"""

    permission = Permission.SET_UP
    template = "fleet/setup/people.html"
    sorts: ClassVar = {"name": ("name",), "email": ("user__email",), "since": ("created_at",)}

    def rows(self) -> QuerySet[Membership]:
        role = self.request.GET.get("role", "")
        return people().filter(roles__contains=[role]) if role in Role.values else people()

    def matching(self, rows: QuerySet[Membership], text: str) -> QuerySet[Membership]:
        return rows.filter(Q(name__icontains=text) | Q(user__email__icontains=text))

    def context(self, rows: Iterable[Membership]) -> Mapping[str, Any]:
        named = [(person, with_labels(Role, person.roles)) for person in rows]
        return {"people": named, "roles": Role.choices, "role": self.request.GET.get("role", "")}


class InvitePersonView(FormPage):
    """`/people/new/`: the link is shown in the answer, and never again."""

    form_class = InvitationForm
    model = Membership
    kind = Membership._meta.label_lower
    leads_to = "people"
    heading = _("Invite a person")
    explanation = _(
        "They set their own password and PIN by a link, which is e-mailed and shown to you once. It holds for "
        "seven days."
    )
    submit = _("Invite")

    def make(self, record_id: UUID, values: dict[str, Any]) -> Membership:
        return services.person_invite(actor=self.actor, record_id=record_id, **values)[0]

    def answer(self, made: Membership) -> HttpResponse:
        return invitation_page(self.request, made)


class PersonView(ChangePage):
    """`/people/<id>/`"""

    template = "fleet/setup/person.html"
    form_class = PersonForm
    model = Membership
    parameter = "person"
    kind = "page.person_update"
    leads_to = "people"
    done = _("The person's data are changed.")

    def records(self) -> QuerySet[Membership]:
        return people()

    def initial(self) -> Mapping[str, Any]:
        person = self.record
        names = ("name", "roles", "may_approve", "is_active", "version")
        return {"operator": person.operator_id, **{name: getattr(person, name) for name in names}}

    def change(self, versions: list[int], values: dict[str, Any]) -> Membership:
        person_id = self.kwargs["person"]
        return services.person_update(actor=self.actor, person_id=person_id, expected_versions=versions, changes=values)

    def context(self) -> Mapping[str, Any]:
        person = self.record
        return {
            "person": person,
            "is_oneself": person.pk == self.actor.membership_id,
            "heading": person.name,
            "roles": with_labels(Role, person.roles),
            "is_integrator": Role.INTEGRATOR in person.roles,
            "again": ReinvitationForm(),
            "repeatability": repeatability_of_people([person.pk]),
        }


class ReinvitePersonView(FormPage):
    """`/people/<id>/invitation/`: another link for a person who has not accepted yet; the earlier ones end."""

    form_class = ReinvitationForm
    kind = "page.person_reinvite"
    heading = _("Invite again")
    submit = _("Invite again")

    @cached_property
    def person(self) -> Membership:
        return found(people(), self.kwargs["person"])

    def make(self, record_id: UUID, values: dict[str, Any]) -> Membership:
        services.person_reinvite(actor=self.actor, person=self.person)
        return self.person

    def find(self, record_id: UUID) -> Membership:
        return self.person

    def answer(self, made: Membership) -> HttpResponse:
        return invitation_page(self.request, made)

    def cancel_url(self) -> str:
        return reverse("person", args=[self.person.pk])


def invitation_page(request: HttpRequest, person: Membership) -> HttpResponse:
    """The link of the latest invitation, this once."""
    invitation = person.invitations.order_by("-created_at", "-id")[0]
    link = public_address(request, reverse("invitation", args=[services.invitation_code(invitation)]))
    return render(request, "fleet/setup/invited.html", {"person": person, "link": link, "invitation": invitation})
