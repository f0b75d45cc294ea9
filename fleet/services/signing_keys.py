"""Another key for the heads of trees, where the one before is lost and nobody has its public half either."""

from __future__ import annotations

from fleet import ledger
from fleet.actor import Actor
from fleet.checkpoint_keys import known_keys, origin_of, signing_key
from fleet.lost_keys import ACCEPTED, LostKey
from fleet.models import Checkpoint, Workshop
from fleet.selectors.ledger_tree import lost_key_told
from fleet.signed_heads import verifier_key

from .checkpoints import checkpoint_make


def new_signing_key_accept(*, actor: Actor) -> Checkpoint | None:
    """Have the ledger say which heads are proven no more by their signatures, and sign a head over that by today's key.

    The caller has verified everything else. Old heads stay as they are: whoever still has the old public key proves
    them, and the certificates that carry them, by it. None where there is nothing new to say.
    """
    heads = list(Checkpoint.objects.order_by("size"))
    lost = LostKey.of({each.size: each.note for each in heads}, known_keys())
    if lost is None or lost == lost_key_told(actor.workshop_id):
        return None
    new = verifier_key(origin_of(actor.workshop_id), signing_key().public_key())
    facts = {**lost.as_facts(), "verifier_key": new}
    ledger.append(actor, ACCEPTED, Workshop.objects.get(pk=actor.workshop_id), facts=facts)
    return checkpoint_make(actor=actor)
