"""Doing without e-mails of a kind, and getting them again."""

from __future__ import annotations

from collections.abc import Collection

from fleet.actor import Actor
from fleet.models import Membership
from fleet.services.changes import acting_person

from ..models import DeclinedNotice, Notice
from ..selectors.notices import notices_for
from ..selectors.recipients import Recipient


def notices_choose(*, actor: Actor, wanted: Collection[str]) -> Membership:
    """Of the kinds that the acting person may get, those that they want."""
    person = acting_person(actor, Membership.objects.select_for_update(no_key=True))
    offered = notices_for(person)
    DeclinedNotice.objects.filter(membership=person, kind__in=[kind for kind in offered if kind in wanted]).delete()
    for kind in offered:
        if kind not in wanted:
            notice_decline(actor=actor, recipient=Recipient("membership", person.pk), kind=kind)
    return person


def notice_decline(*, actor: Actor, recipient: Recipient, kind: Notice) -> None:
    """Once is enough, however often it is said; nothing where the recipient is gone."""
    if recipient.exists():
        DeclinedNotice.objects.get_or_create(
            kind=kind, **{f"{recipient.kind}_id": recipient.id}, defaults={"declined_at": actor.now}
        )
