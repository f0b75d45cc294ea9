"""One's own account: what one is here, how one signs in, and what happened at the door."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from fleet.models import Membership, Role
from fleet.permissions import Permission, require
from fleet.second_factor import has_second_factor
from fleet.selectors.sign_ins import own_sign_ins, workshop_sign_ins
from fleet.services.changes import acting_person

from .access import MemberView
from .preferences import offered_languages


class AccountView(MemberView):
    """`/account/`"""

    def get(self, request: HttpRequest) -> HttpResponse:
        me = acting_person(self.actor, Membership.objects.select_related("user", "workshop"))
        values = {
            "me": me,
            "roles": [Role(role).label for role in me.roles],
            "own_language": dict(offered_languages())[me.language],
            "has_second_factor": has_second_factor(me.user_id),
        }
        return render(request, "fleet/account.html", values)


class OwnSignInsView(MemberView):
    """`/account/sign-ins/`"""

    def get(self, request: HttpRequest) -> HttpResponse:
        return render(request, "fleet/sign_ins.html", {"events": own_sign_ins(self.actor), "is_own": True})


class SignInsView(MemberView):
    """`/sign-ins/`: a manager's list of everybody's."""

    def get(self, request: HttpRequest) -> HttpResponse:
        require(self.actor, Permission.SET_UP)
        return render(request, "fleet/sign_ins.html", {"events": workshop_sign_ins(), "is_own": False})
