"""What the frame of every page shows of who is signed in: a context processor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.urls import reverse
from django.utils.functional import SimpleLazyObject
from django.utils.translation import gettext_lazy as _

from fleet.actor import Actor
from fleet.looks.navigation import NavigationEntry
from fleet.models import Membership
from fleet.permissions import Permission, may
from fleet.registering import register_all
from fleet.services.changes import acting_person

from .access import actor_of


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of the index: the name of the page's address, and what opening it needs. Lower places stand first."""

    place: int
    name: str
    label: Any
    permission: Permission | None = None


_entries: dict[str, Entry] = {}


def register_entries(*entries: Entry) -> None:
    """Say which pages stand in the index; each app does for its own, in `pages.navigation`."""
    _entries.update({entry.name: entry for entry in entries})


register_entries(
    Entry(700, "tablets", _("Tablets"), Permission.RECORD_FACTS),
    Entry(710, "sign_ins", _("Sign-ins"), Permission.SET_UP),
    Entry(900, "account", _("Your account")),
)


def surroundings(request: HttpRequest) -> dict[str, Any]:
    actor = actor_of(request)
    if actor is None or actor.membership_id is None:
        return {}
    return {
        "who": SimpleLazyObject(lambda: acting_person(actor, Membership.objects.all()).name),
        "navigation": _navigation(actor, request.path),
    }


def _navigation(actor: Actor, here: str) -> list[NavigationEntry]:
    register_all("pages.navigation")
    return [
        NavigationEntry(entry.label, reverse(entry.name), is_current=here == reverse(entry.name))
        for entry in sorted(_entries.values(), key=lambda each: each.place)
        if entry.permission is None or may(actor, entry.permission)
    ]
