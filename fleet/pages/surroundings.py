"""What the frame of every page shows of who is signed in: a context processor."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final

from django.http import HttpRequest
from django.urls import reverse
from django.utils.functional import SimpleLazyObject
from django.utils.translation import gettext_lazy as _

from fleet.actor import Actor
from fleet.looks.navigation import NavigationEntry, NavigationGroup
from fleet.models import Membership
from fleet.permissions import Permission, may
from fleet.registering import register_all
from fleet.services.changes import acting_person

from .access import actor_of


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of the index: the name of the page's address, and what opening it needs.

    Lower places stand first; the hundreds say under which of the `GROUPS`.
    """

    place: int
    name: str
    label: Any
    permission: Permission | None = None


GROUPS: Final = ((100, _("Work")), (300, _("Basics")), (600, _("Workshop")), (900, _("You")))
"""Headings of the index, each with its lowest place."""

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


def _navigation(actor: Actor, here: str) -> list[NavigationGroup]:
    register_all("pages.navigation")
    allowed = [entry for entry in _entries.values() if entry.permission is None or may(actor, entry.permission)]
    in_order = sorted(allowed, key=lambda each: each.place)
    return [
        NavigationGroup(heading, [_line(entry, here) for entry in entries])
        for heading, entries in groupby(in_order, key=_heading)
    ]


def _heading(entry: Entry) -> Any:
    return next(heading for lowest, heading in reversed(GROUPS) if entry.place >= lowest)


def _line(entry: Entry, here: str) -> NavigationEntry:
    address = reverse(entry.name)
    return NavigationEntry(entry.label, address, is_current=here == address)
