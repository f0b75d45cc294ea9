"""A short run of the campaign: whatever is altered of a certificate's file is found, and nothing else is.

The long one: `python -m tests.campaigns.altered_certificates`.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from deploy import verify_certificate
from tests.campaigns.certificates import byte_kinds, kinds
from tests.campaigns.certificates.byte_kinds import Kind
from tests.campaigns.certificates.campaign import Campaign, by_script, without_check
from tests.campaigns.certificates.kinds import KINDS
from tests.campaigns.certificates.miniature import Original, insider, issued

ALTERATIONS = 300
SEED = 9162
REVEALED_BY: dict[str, Kind] = {
    "one_signature": kinds.signed_twice_by_insider,
    "whole_file_signed": kinds.revision_appended,
    "content_unchanged": byte_kinds.byte_of_page_changed,
    "signature_valid": byte_kinds.digest_repaired,
    "signing_certificate_named": kinds.signed_by_stranger,
    "one_attachment": kinds.attachment_added_by_insider,
    "record_in_form": kinds.written_otherwise_by_insider,
    "document_recorded": kinds.document_altered_by_insider,
    "renderer_recorded": kinds.layout_altered_by_insider,
    "entry_unchanged": kinds.entry_altered_by_insider,
    "entry_in_tree": kinds.entry_hashed_anew_by_insider,
    "head_of_workshop": kinds.head_of_other_workshop,
    "head_signed": kinds.tree_made_anew_by_insider,
    "key_known": kinds.all_made_anew_by_stranger,
}
"""For each check what it alone finds."""


@pytest.fixture(scope="module")
def originals() -> list[Original]:
    keys = insider()
    return [issued(1, keys), issued(2, keys, is_packed=True)]


def test_every_alteration_is_found_and_nothing_else(originals: list[Original], tmp_path: Path) -> None:
    *_, outcome = Campaign(originals, tmp_path).run(ALTERATIONS, SEED)
    assert outcome.accepted == []
    assert outcome.disagreed == []
    assert outcome.false_alarms == []
    assert (outcome.altered.total(), outcome.untouched >= 5, outcome.by_process >= 3) == (ALTERATIONS, True, True)


@pytest.mark.parametrize("kind", [each.kind for each in KINDS], ids=lambda kind: kind.__name__)
def test_each_kind_of_alteration_is_found(originals: list[Original], tmp_path: Path, kind: Kind) -> None:
    campaign, rng = Campaign(originals, tmp_path), random.Random(SEED)  # noqa: S311
    while campaign.outcome.altered.total() < 8:
        campaign.alter(
            originals[campaign.outcome.altered.total() % 2 and kind.__name__ != "record_changed_in_place"], kind, rng
        )
    assert campaign.outcome.is_good, campaign.outcome


@pytest.mark.parametrize("name", [each.__name__ for each in verify_certificate.CHECKS])
def test_without_its_check_an_alteration_is_accepted(originals: list[Original], tmp_path: Path, name: str) -> None:
    """Negative control: each check finds what no other does, and the campaign notices a script without it."""
    copy = without_check(name)
    campaign = Campaign(originals, tmp_path, script=lambda pdf, keys: by_script(pdf, keys, copy))
    rng = random.Random(SEED)  # noqa: S311
    for _attempt in range(12):
        campaign.alter(originals[0], REVEALED_BY[name], rng)
    assert campaign.outcome.accepted


def test_an_alarm_where_nothing_was_altered_is_noticed(originals: list[Original], tmp_path: Path) -> None:
    campaign = Campaign(originals, tmp_path, script=lambda _pdf, _keys: False)
    campaign.judge_untouched(originals[0])
    assert campaign.outcome.false_alarms


def test_a_service_that_says_otherwise_is_noticed(originals: list[Original], tmp_path: Path) -> None:
    campaign = Campaign(originals, tmp_path, service=lambda _pdf, _keys: True)
    campaign.alter(originals[0], byte_kinds.truncated, random.Random(SEED))  # noqa: S311
    assert campaign.outcome.disagreed


def test_what_lies_in_the_placeholder_alone_is_not_altered(originals: list[Original]) -> None:
    """The kinds that alter bytes leave the digits of the signature as they are."""
    rng = random.Random(SEED)  # noqa: S311
    for kind in (byte_kinds.byte_changed, byte_kinds.bit_flipped, byte_kinds.byte_of_structure_changed):
        for _attempt in range(200):
            altered = kind(originals[0], rng)
            start, end = byte_kinds.placeholder(originals[0].pdf)
            assert altered is None or altered.pdf[start:end] == originals[0].pdf[start:end]
