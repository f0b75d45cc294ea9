"""A short run of the campaign: whatever a superuser alters is found and named, and nothing else is.

The long one: `python -m tests.campaigns.altered_records`.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from fleet.verification import Problem, entries, rows, tree, whole
from tests.campaigns.alterations import kinds
from tests.campaigns.alterations.campaign import Outcome, one, run, verify_untouched
from tests.campaigns.alterations.kinds import KINDS, Altered, Kind
from tests.campaigns.alterations.world import World, filled_workshop, superuser

ALTERATIONS = 120
SEED = 9162


@pytest.fixture(scope="module")
def world(django_db_setup: None, django_db_blocker: object) -> Iterator[World]:
    with django_db_blocker.unblock(), superuser():  # type: ignore[attr-defined]
        yield filled_workshop()


def outcome_of(world: World, kind: Kind, times: int = 6) -> Outcome:
    rng, outcome = random.Random(SEED), Outcome()  # noqa: S311  (choices of tests)
    while outcome.altered.total() < times:
        one(world, kind, rng, outcome)
    return outcome


def test_every_alteration_is_found_and_named_and_nothing_else(world: World) -> None:
    *_, outcome = run(world, ALTERATIONS, SEED)
    assert outcome.missed == []
    assert outcome.misnamed == []
    assert outcome.false_alarms == []
    assert (outcome.found, outcome.untouched >= 5) == (ALTERATIONS, True)


@pytest.mark.parametrize("kind", [each.kind for each in KINDS], ids=lambda kind: kind.__name__)
def test_each_kind_of_alteration_is_found(world: World, kind: Kind) -> None:
    outcome = outcome_of(world, kind)
    assert outcome.found == outcome.altered.total() == 6, [*outcome.missed, *outcome.misnamed]


def nothing(*_: object, **_named: object) -> Iterator[Problem]:
    yield from ()


@pytest.mark.parametrize(
    ("module", "check", "kind"),
    [
        (whole, "read_rows", kinds.row_altered),
        (whole, "read_rows", kinds.row_added),
        (entries, "_note_rows", kinds.row_deleted),
        (tree, "_leaf", kinds.leaf_altered),
        (tree, "_against_tree", kinds.entry_and_tree_rewritten),
        (tree, "_outside_heads", kinds.history_signed_anew),
        (tree, "_stored_heads", kinds.head_altered),
    ],
)
def test_without_its_check_an_alteration_is_missed(
    world: World, monkeypatch: pytest.MonkeyPatch, module: object, check: str, kind: Kind
) -> None:
    """Negative control: the campaign notices a verification that does not look."""
    monkeypatch.setattr(module, check, nothing)
    outcome = outcome_of(world, kind)
    assert outcome.missed or outcome.misnamed


def test_a_verification_that_names_another_record_is_noticed(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rows, "row_name", lambda label, _key: label)
    assert outcome_of(world, kinds.row_altered).misnamed


def test_an_alarm_where_nothing_was_altered_is_noticed(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(entries, "FIRST_PREVIOUS_HASH", "1" * 64)
    outcome = Outcome()
    verify_untouched(world, outcome)
    assert outcome.false_alarms


def test_history_signed_anew_is_found_by_heads_from_outside_only(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """Why heads are kept where nobody who runs the service can rewrite them."""

    def without_heads_from_outside(world: World, rng: random.Random) -> Altered | None:
        altered = kinds.history_signed_anew(world, rng)
        return altered and Altered(altered.what, altered.texts, altered.leaves)

    outcome = outcome_of(world, without_heads_from_outside, times=20)
    rewritten_rows_tell = [name for name in outcome.misnamed if "differs from" in name or "not in its table" in name]
    assert outcome.missed or rewritten_rows_tell
    assert outcome_of(world, kinds.history_signed_anew, times=20).found == 20
