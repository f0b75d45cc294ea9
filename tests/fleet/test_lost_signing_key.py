"""The key that signed the heads is lost: the ledger says so once, and everything else is checked as ever."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from fleet import services
from fleet.actor import Actor
from fleet.checkpoint_keys import known_keys, origin_of, signing_key
from fleet.lost_keys import ACCEPTED, LostKey
from fleet.models import Checkpoint, LedgerEntry
from fleet.selectors.ledger_tree import consistency_proof
from fleet.signed_heads import HeadError, verified, verifier_key
from fleet.tenancy import in_workshop
from fleet.verification import Verified, verify_workshop
from tests.factories import Site

from .rfc9162 import goes_on


def head_made(site: Site) -> Checkpoint:
    with in_workshop(site.workshop.pk):
        head = services.checkpoint_make(actor=Actor.system(site.workshop.pk, timezone.now()))
    assert head is not None
    return head


def accepted(site: Site) -> Checkpoint | None:
    with in_workshop(site.workshop.pk):
        return services.new_signing_key_accept(actor=Actor.system(site.workshop.pk, timezone.now()))


def checked(site: Site, **options: Any) -> Verified:
    with in_workshop(site.workshop.pk):
        return verify_workshop(site.workshop.pk, **options)


@pytest.fixture
def old_heads(site: Site) -> list[Checkpoint]:
    """Three of them, by the key that will be lost."""
    heads = []
    for _ in range(3):
        site.vehicle()
        heads.append(head_made(site))
    return heads


@pytest.fixture
def old_key(site: Site, old_heads: list[Checkpoint], settings: Any) -> Any:
    """The public half of the lost key; from here on the installation has another."""
    key = signing_key().public_key()
    settings.CHECKPOINT_KEY = "of a new machine"
    return key


def test_heads_of_a_lost_key_are_bad_until_it_is_accepted_that_it_is_lost(site: Site, old_key: Any) -> None:
    problem = checked(site).problem
    assert "none of the known keys signed it" in str(problem)
    assert checked(site, key_is_lost=True).problem is None

    head = accepted(site)
    assert head is not None
    result = checked(site)
    assert (result.problem, result.unproven, result.checkpoints) == (None, 3, 4)


def test_the_ledger_says_what_was_done(site: Site, old_heads: list[Checkpoint], old_key: Any) -> None:
    accepted(site)
    with in_workshop(site.workshop.pk):
        entry = LedgerEntry.objects.get(kind=ACCEPTED)
    facts = entry.payload["facts"]
    assert facts["heads"]["size"] == old_heads[-1].size
    assert facts["verifier_key"] == verifier_key(origin_of(site.workshop.pk), signing_key().public_key())


def test_old_heads_verify_by_the_old_key_and_new_ones_by_the_new(
    site: Site, old_heads: list[Checkpoint], old_key: Any
) -> None:
    new = accepted(site)
    assert new is not None
    for head in old_heads:
        assert verified(head.note, [old_key]).size == head.size
    with pytest.raises(HeadError):
        verified(new.note, [old_key])
    assert verified(new.note, known_keys()).after == old_heads[-1].size
    with in_workshop(site.workshop.pk):
        for head in old_heads:
            path = consistency_proof(head.size, new.size).path
            roots = bytes.fromhex(head.root), bytes.fromhex(new.root)
            assert goes_on(head.size, new.size, *roots, path)


def test_who_has_the_old_public_key_proves_everything_by_it(site: Site, old_key: Any, settings: Any) -> None:
    accepted(site)
    settings.FORMER_CHECKPOINT_KEYS = [verifier_key("levelbook/workshops/any", old_key)]
    result = checked(site)
    assert (result.problem, result.unproven) == (None, 0)
    settings.FORMER_CHECKPOINT_KEYS = []


def test_it_is_said_once(site: Site, old_key: Any) -> None:
    assert accepted(site) is not None
    assert accepted(site) is None
    with in_workshop(site.workshop.pk):
        assert LedgerEntry.objects.filter(kind=ACCEPTED).count() == 1


def test_nothing_is_said_where_known_keys_signed_all(site: Site, old_heads: list[Checkpoint]) -> None:
    assert accepted(site) is None


def test_a_second_key_may_be_lost_as_well(site: Site, old_key: Any, settings: Any) -> None:
    accepted(site)
    site.vehicle()
    head_made(site)
    settings.CHECKPOINT_KEY = "of a third machine"
    assert checked(site).problem is not None
    accepted(site)
    result = checked(site)
    assert (result.problem, result.unproven, result.checkpoints) == (None, 5, 6)


@pytest.mark.parametrize("until_newest", [False, True])
def test_a_head_of_an_unknown_key_is_never_the_newest(
    site: Site, old_key: Any, settings: Any, until_newest: bool
) -> None:
    """Whoever can write to the database and has no key gains nothing by such an entry: a known key signs behind it."""
    if until_newest:
        accepted(site)
    settings.CHECKPOINT_KEY = "of somebody else"
    site.vehicle()
    accepted(site)
    settings.CHECKPOINT_KEY = "of a new machine"
    assert "none of the known keys signed it" in str(checked(site).problem)


def test_heads_that_were_altered_since_are_not_those_of_which_it_was_said(old_heads: list[Checkpoint]) -> None:
    notes = {head.size: head.note for head in old_heads}
    lost = LostKey.of(notes, [])
    assert lost is not None
    assert LostKey.told(lost.as_facts()) == lost
    assert lost.covers(notes)
    later = {**notes, old_heads[-1].size + 1: "of the new key"}
    assert lost.covers(later)
    for size, note in notes.items():
        assert not lost.covers({**notes, size: note.replace("made_at 2", "made_at 1")})
        assert not lost.covers({key: value for key, value in notes.items() if key != size})


def test_who_sees_no_workshop_is_told_so(db: None) -> None:
    """The service's own role sees none outside a request; nothing would be accepted, and nobody would know."""
    with pytest.raises(CommandError, match="No workshop is to be seen"):
        call_command("accept_new_signing_key")


@pytest.mark.parametrize("facts", [None, [], {}, {"heads": 1}, {"heads": {"size": "1"}}])
def test_facts_of_another_form_say_nothing(facts: Any) -> None:
    assert LostKey.told(facts) is None
