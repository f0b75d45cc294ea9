"""One record read in two languages: its words are the reader's, what is stored and signed is the same."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.utils.translation import override

from calibration.api.documents import proposal_document
from calibration.models import Assessment, Proposal
from calibration.rules import proposal_texts, texts
from calibration.rules.limit_texts import limit_text
from calibration.rules.wording import in_words
from fleet.tenancy import in_workshop
from tests.factories import Site

from .bench import Bench


@pytest.fixture
def bench(site: Site) -> Iterator[Bench]:
    with in_workshop(site.workshop.pk):
        opened = Bench.open(site)
        opened.ready()
        yield opened


def proposed(bench: Bench, language: str) -> Proposal:
    with override(language):
        bench.measure({"FL": 470})
        return bench.propose()


def test_a_proposal_is_stored_in_one_language_and_read_in_another(bench: Bench) -> None:
    proposal = proposed(bench, "de")
    stored = proposal.content["changes"]["FL"]["reason"]
    assert stored.startswith("moves ")
    shown = proposal_document(proposal, [])
    assert shown["changes"]["FL"]["reason"] == stored
    assert shown["limits"] == proposal.content["limits"]
    with override("de"):
        in_german = proposal_document(proposal, [])
    assert in_german["changes"]["FL"]["reason"].startswith("bewegt sich um ")
    assert "," in in_german["changes"]["FL"]["reason"].split(" mm")[0]
    assert in_german["follow_ups"][0]["detail"] == "Prüfen Sie die Scheinwerfereinstellung."
    assert in_german["detail"].startswith("Innerhalb aller Grenzen")
    assert in_german["limits"][0]["detail"] != proposal.content["limits"][0]["detail"]


def test_words_of_another_version_stay_as_they_are_stored() -> None:
    change = {"from": 1, "to": 2, "reason": "moves for a new cause", "reason_code": "new_cause", "numbers": {}}
    limit = {"code": "new_limit", "corner": None, "outcome": "pass", "value": 1, "limit": 2, "detail": "below it"}
    prior = {"source": "specification", "vehicles": 0}
    content = {
        "changes": {"FL": change},
        "prior": {**prior, "detail": proposal_texts.prior_text(prior)},
        "limits": [limit],
        "follow_ups": [{"code": "new", "detail": "Do it."}],
    }
    assert in_words(content) == content


def test_reading_in_another_language_makes_no_other_assessment(bench: Bench) -> None:
    bench.measure({"FL": 470, "RR": 488})
    before = Assessment.objects.count()
    with override("de"):
        bench.ready()
        assert Assessment.objects.count() == before
    assert bench.standing.content_sha256 == bench.case.standing.content_sha256


def test_sentences_name_corners_and_write_figures_as_the_language_does() -> None:
    values = {"range_mm": 3.5, "limit_mm": 2.0}
    assert texts.finding_detail("pair_disagrees", "FL", values).startswith("FL: the readings differ by 3.5 mm")
    assert limit_text("step", -1, 24) == "change of −1 count, at most 24 in one write"
    assert "(1 count); more follows" in proposal_texts.corner_reason_text("stopped_by_step", {"limit_counts": 1})
    beyond = {"beyond": [{"corner": "RL", "code": "step", "value": 40, "limit": 24}]}
    with override("de"):
        told = texts.finding_detail("pair_disagrees", "FL", values)
        assert told.startswith("VL: Die Ablesungen unterscheiden sich um 3,5 mm; wiederholte Ablesungen dürfen sich")
        assert "HL: Änderung um 40 Zählwerte" in texts.finding_detail("write_without_proposal", None, beyond)
        one = {"beyond": [{"corner": "RL", "code": "shift_review", "value": 1, "limit": 0}]}
        assert "HL: 1 Zählwert vom Ausgangswert" in texts.finding_detail("write_without_proposal", None, one)
        assert "(siehe VR, HR)" in texts.finding_detail("setpoints_incomplete", None, {"corners": ["FR", "RR"]})
