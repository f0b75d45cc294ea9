"""Heads that tablets hold, where nobody who runs the service can rewrite them, against the tree as it is now."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Sequence
from typing import Final
from uuid import UUID

from django.utils.translation import gettext as _

from fleet import ledger
from fleet.actor import Actor
from fleet.checkpoint_keys import known_keys, origin_of
from fleet.errors import Conflict, Invalid, NotFound
from fleet.models import HeadConflict
from fleet.permissions import Permission, require
from fleet.selectors.ledger_tree import root_of, tree_size
from fleet.signed_heads import Head, HeadError, stated, verified

from .changes import store

logger = logging.getLogger(__name__)

CONSISTENT: Final = "consistent"
LARGEST: Final = 2**63 - 1
MOST_OPEN: Final = 50
"""Findings of one kind that nobody has acknowledged; more tell nothing new."""
Kind = HeadConflict.Kind


def heads_compare(*, actor: Actor, tablet_id: UUID, notes: Sequence[str]) -> list[str]:
    """Of each head: `consistent`, or the kind of conflict, which is kept for the managers once and for all."""
    heads = [_read(actor, note, place) for place, note in enumerate(notes)]
    size = tree_size()
    outcomes = [_outcome(head, note, size) for head, note in zip(heads, notes, strict=True)]
    for head, note, outcome in zip(heads, notes, outcomes, strict=True):
        if outcome != CONSISTENT:
            _keep(actor, tablet_id, head, note, outcome, size)
    return outcomes


def head_conflict_acknowledge(*, actor: Actor, conflict_id: UUID, explanation: str) -> HeadConflict:
    """Say what explains it; the finding itself stays."""
    require(actor, Permission.SET_UP)
    conflict = HeadConflict.objects.select_for_update(no_key=True).filter(pk=conflict_id).first()
    if conflict is None:
        raise NotFound
    if conflict.acknowledged_at is not None:
        raise Conflict(_("This was acknowledged already. What explains it stands there."), code="acknowledged")
    changes = {"acknowledged_at": actor.now, "acknowledged_by": actor.membership_id, "explanation": explanation}
    store(conflict, changes)
    ledger.append(actor, "head_conflict_acknowledged", conflict)
    return conflict


def _read(actor: Actor, note: str, place: int) -> Head:
    try:
        head = stated(note)
    except HeadError as error:
        text = _("This is no signed head: %(why)s. Send the text `note` of a checkpoint, unchanged.")
        raise Invalid.at(f"/heads/{place}", "no_head", text % {"why": error}) from error
    if head.origin != origin_of(actor.workshop_id) or not 1 <= head.size <= LARGEST:
        text = _("This head is of another tree than your workshop’s.")
        raise Invalid.at(f"/heads/{place}", "other_tree", text)
    return head


def _outcome(head: Head, note: str, size: int) -> str:
    try:
        verified(note, known_keys())
    except HeadError:
        return Kind.UNKNOWN_KEY
    if head.size > size:
        return Kind.SHORTER
    return CONSISTENT if root_of(head.size) == head.root else Kind.REWRITTEN


def _keep(actor: Actor, tablet_id: UUID, head: Head, note: str, kind: str, size: int) -> None:
    logger.error(
        "records do not go with a head that a tablet holds: %s, %s leaves against %s of workshop %s",
        kind,
        head.size,
        size,
        actor.workshop_id,
    )
    digest = hashlib.sha256(note.encode()).hexdigest()
    if HeadConflict.objects.filter(kind=kind, acknowledged_at=None).count() >= MOST_OPEN:
        return
    fields = {"kind": kind, "tablet_id": tablet_id, "note": note, "size": head.size, "tree_size": size}
    conflict, is_new = HeadConflict.objects.get_or_create(
        note_sha256=digest, defaults={**fields, "found_at": actor.now}
    )
    if is_new:
        ledger.append(actor, "head_conflict_found", conflict)
