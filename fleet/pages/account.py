"""One's own account: what one is here, how one signs in, and what happened at the door."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from fleet.models import Membership, Role
from fleet.permissions import Permission
from fleet.registering import register_all
from fleet.second_factor import has_second_factor
from fleet.selectors.sign_ins import Door, own_door, workshops_door
from fleet.services.changes import acting_person
from fleet.services.sign_in_events import REFUSALS_KEPT

from .access import MemberView
from .changing import searched_text
from .lists import part_of
from .preferences import offered_languages
from .workshop_page import WorkshopPage

_links: dict[str, Any] = {}


def register_account_link(name: str, label: Any) -> None:
    """Say which page of a person's own, beside those of this app, the account leads to."""
    _links[name] = label


class AccountView(MemberView):
    """`/account/`"""

    def get(self, request: HttpRequest) -> HttpResponse:
        register_all("pages.navigation")
        me = acting_person(self.actor, Membership.objects.select_related("user", "workshop"))
        values = {
            "me": me,
            "roles": [Role(role).label for role in me.roles],
            "own_language": dict(offered_languages())[me.language],
            "has_second_factor": has_second_factor(me.user_id),
            "links": _links.items(),
        }
        return render(request, "fleet/account.html", values)


class OwnSignInsView(WorkshopPage):
    """`/account/sign-ins/`"""

    def get(self, request: HttpRequest) -> HttpResponse:
        return door_page(request, own_door(self.actor), {"is_own": True})


class SignInsView(WorkshopPage):
    """`/sign-ins/`: a manager's list of everybody's, or of those whom the address names."""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest) -> HttpResponse:
        text = searched_text(request)
        return door_page(request, workshops_door(text), {"is_own": False, "text": text})


def door_page(request: HttpRequest, door: Door, values: dict[str, Any]) -> HttpResponse:
    part = part_of(request, door.rows())
    shown = {"part": part, "events": door.events(part.rows), "kept_days": REFUSALS_KEPT.days}
    return render(request, "fleet/sign_ins.html", {**values, **shown})
