"""What holds after every step of every job, whatever was done. Each check raises AssertionError and says what broke."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from calibration.metrology.corners import CORNERS
from calibration.models import Job, Proposal
from calibration.rules.cautions import cautions_for
from calibration.rules.content import content_sha256
from calibration.rules.record import EventHappened, LeakTested
from calibration.rules.standing import Standing
from calibration.rules.texts import reason_text, step_text
from calibration.selectors.casefile import CaseFile
from fleet.ledger import FIRST_PREVIOUS_HASH, entry_hash, row_content
from fleet.models import LedgerEntry

NEXT_STEPS = frozenset(
    {
        "check_readiness",
        "measure",
        "read_again",
        "propose",
        "get_approval",
        "write",
        "settle_and_measure",
        "inspect",
        "sign_off",
        "paused",
        "done",
    }
)


def check_next_step(standing: Standing) -> None:
    """One of the fixed list, with words and cautions for people."""
    step = standing.next_step
    assert step.step in NEXT_STEPS
    assert step_text(step.step)
    assert reason_text(step.reason)
    assert cautions_for(step.step)
    if step.step == "write":
        assert standing.open_proposal is not None, "something is to be written, but there is nothing to write"
    if step.step == "get_approval":
        assert standing.open_approval is not None or standing.missing_rulings, "nobody can decide anything"
    if step.step == "propose":
        assert standing.plan is not None
        assert not standing.plan.is_empty, "the answer to 'propose' would be empty"
    if step.step in ("propose", "sign_off"):
        assert standing.is_ready, "out of turn: readiness is undone"
        assert not standing.stops, "out of turn: a stop stands"
        assert not leaking(standing), "out of turn: a corner leaks, or no test since its repair passed"
    if step.step == "sign_off":
        assert not standing.missing_rulings
        assert not standing.rejected
        assert not standing.overloaded


def leaking(standing: Standing) -> list[str]:
    """Corners whose last leak no test has refuted that began after a repair, or after a manager's word on it."""
    tests = [fact for fact in standing.record.facts if isinstance(fact, LeakTested)]
    verdicts = {
        each.id: {c.corner: "rose" if c.rose else c.verdict for c in standing.leak_results[each.id].corners}
        for each in tests
    }
    found: list[str] = []
    for corner in CORNERS:
        outside = [each for each in tests if verdicts[each.id][corner] == "outside"]
        if not outside:
            continue
        mended = _mended_after(standing, corner, outside[-1])
        passed = [each.started for each in tests if verdicts[each.id][corner] == "within"]
        if not mended or not any(each >= min(mended) for each in passed):
            found.append(corner)
    return found


def _mended_after(standing: Standing, corner: str, test: LeakTested) -> list[datetime]:
    events = [
        fact.at
        for fact in standing.record.facts
        if isinstance(fact, EventHappened)
        and (fact.kind, fact.corner)
        in {(kind, corner) for kind in ("leak_repaired", "spring_replaced", "damper_replaced")}
        and fact.at >= test.at
    ]
    words = [
        each.ruled_at
        for each in standing.record.findings
        if (each.code, each.corner, each.source_id, each.ruling) == ("leak_outside", corner, test.id, "accept")
    ]
    return [*events, *(each for each in words if each is not None)]


def check_state(case: CaseFile) -> None:
    """The state's column says what the facts say."""
    job = Job.objects.get(pk=case.job.pk)
    if case.sign_offs:
        assert job.state == "signed_off"
    elif case.ends:
        assert job.state == "ended"
    elif job.state == "reverted":
        assert case.reversions
    else:
        assert job.state == _open_state(case), "the state is not what happened"
    assert job.is_open == (job.closed_at is None)


def _open_state(case: CaseFile) -> str:
    if len(case.pauses) > len(case.resumptions):
        return "paused"
    if case.writes:
        return "adjusting"
    return "measuring" if case.rounds or case.readiness else "open"


@dataclass
class LedgerReader:
    """Follows the books it is told of; each entry is read once."""

    last: dict[uuid.UUID, tuple[int, str]] = field(default_factory=dict)

    def check_chain(self, book: uuid.UUID) -> int:
        """New entries follow on each other and hash to what they say; gives how many there are."""
        sequence, previous = self.last.get(book, (0, FIRST_PREVIOUS_HASH))
        for entry in LedgerEntry.objects.filter(book=book, sequence__gt=sequence).order_by("sequence"):
            assert entry.sequence == sequence + 1, "an entry is missing"
            assert entry.previous_hash == previous, "the chain is broken"
            assert entry.hash == entry_hash(entry), "an entry was altered"
            sequence, previous = entry.sequence, entry.hash
        self.last[book] = (sequence, previous)
        return sequence


def check_rows_equal_ledger(case: CaseFile, books: Iterable[uuid.UUID]) -> None:
    """Every row of the job is in the ledger, and its last entry says what the row says."""
    said: dict[tuple[str, str], Mapping[str, Any]] = {}
    for entry in LedgerEntry.objects.filter(book__in=list(books)).order_by("recorded_at", "sequence"):
        for table, rows in entry.payload["rows"].items():
            said |= {(table, row["id"]): row for row in rows}
    for row in rows_of(case):
        label = (row._meta.label_lower, str(row.pk))
        assert label in said, f"{label} never came into the ledger"
        fresh = type(row)._default_manager.get(pk=row.pk)
        assert row_content(fresh) == said[label], f"{label} is not what the ledger says"


COLLECTIONS = (
    "readiness",
    "rounds",
    "strikes",
    "leak_tests",
    "assessments",
    "proposals",
    "writes",
    "concessions",
    "approvals",
    "decisions",
    "findings",
    "rulings",
    "pauses",
    "resumptions",
    "reversions",
    "refilings",
    "ends",
    "sign_offs",
    "photos",
)


def rows_of(case: CaseFile) -> list[Any]:
    """Every row of a job, the job first."""
    rows: list[Any] = [case.job]
    for name in COLLECTIONS:
        rows += getattr(case, name)
    return rows + [reading for each in case.rounds for reading in each.reading_rows]  # type: ignore[attr-defined]


def identities(case: CaseFile) -> set[uuid.UUID]:
    return {row.pk for row in rows_of(case)}


UNSEEN = frozenset({"assessments", "approvals", "decisions", "ends", "sign_offs", "photos"})
"""What follows from the rest, or is no part of what a signer signs."""


def seen_by_a_signer(case: CaseFile) -> frozenset[str]:
    """Names of everything recorded that the content hash covers."""
    seen = {str(row.pk) for name in COLLECTIONS if name not in UNSEEN for row in getattr(case, name)}
    seen |= {str(reading.pk) for each in case.rounds for reading in each.reading_rows}  # type: ignore[attr-defined]
    seen |= {str(event.pk) for event in case.events}
    seen |= {str(each.pk) for each in case.fitments if each.recorded_at > case.job.opened_at}
    granted = case.standing.concession
    specification = case.specification
    return frozenset(seen | {f"granted {granted.id if granted else None}", f"by {specification and specification.pk}"})


def check_content_hash(before: tuple[frozenset[str], str], case: CaseFile) -> tuple[frozenset[str], str]:
    """It changed if and only if something that it covers was recorded; reading alone changes nothing."""
    now = (seen_by_a_signer(case), case.standing.content_sha256)
    assert (before[0] == now[0]) == (before[1] == now[1]), "the content hash does not go with the record"
    assert content_sha256(Standing(case.record)) == now[1], "the content hash depends on more than the record"
    return now


def check_computed(proposal: Proposal, before: Standing) -> None:
    """A computed proposal moves something, inside every hard limit, and was in turn."""
    assert before.next_step.step == "propose"
    assert before.is_ready
    assert not before.stops
    specification, baseline = before.specification, before.record.baseline
    assert specification is not None
    changes = {c: proposal.to_setpoints[c] - n for c, n in proposal.from_setpoints.items()}
    assert any(changes.values()), "an empty proposal"
    assert proposal.outcome != "refused", "a computed proposal beyond its limits"
    for corner in CORNERS:
        if not changes.get(corner):
            continue
        after, axle = proposal.to_setpoints[corner], specification.axle(corner)
        assert abs(changes[corner]) <= specification.step_max_counts, "beyond the step limit"
        assert specification.setpoint_min <= after <= specification.setpoint_max
        assert axle.setpoint_low is not None
        assert axle.setpoint_high is not None
        assert axle.setpoint_low <= after <= axle.setpoint_high
        assert abs(after - baseline.get(corner, proposal.from_setpoints[corner])) <= specification.shift_limit_counts
    for first, second in specification.linked_corners:
        assert proposal.to_setpoints[first] == proposal.to_setpoints[second]
