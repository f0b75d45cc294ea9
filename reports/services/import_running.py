"""An import under way: piece by piece, each with the place where the next one begins in one transaction.

Whatever is killed, a piece is recorded with its progress or not at all, and the outbox has it carried out again. What
is to be checked only runs through the same services, and is taken back. All or nothing is looked through so first; then
all its pieces are recorded in one transaction, so that no reader ever sees some of them without the others.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import time, timedelta
from typing import Final
from uuid import UUID
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import transaction
from django.utils import translation
from django.utils.translation import gettext as _

from calibration.services.drift import drift_changed
from fleet import outbox
from fleet.actor import Actor
from fleet.callers import actor_for
from fleet.days import workshop_zone
from fleet.errors import Forbidden
from fleet.permissions import Permission, require

from ..imports import registry, storage, tables
from ..imports.assumptions import DAY_ORDER, LOADING, TIME_OF_DAY, ZONE_OF_DAYS
from ..imports.columns import Reading
from ..imports.faults import Fault, FileFault
from ..imports.kinds import ImportKind, Piece
from ..imports.row_words import Sentences
from ..imports.sources import Row
from ..models import Import, ImportedVehicle, ImportFile, RowProblem, SeenRow
from .imports import (
    EVALUATE_KIND,
    REMOVE_KIND,
    UNFINISHED,
    import_ask_to_go_on,
    import_end,
    too_many_for_atomic,
)

PIECE_ROWS: Final = 500
VEHICLES_AT_ONCE: Final = 200
LONGEST_DETAIL: Final = 600
POSTPONED: Final = timedelta(days=1)


class _TakenBack(Exception):  # noqa: N818
    """Ends a savepoint whose effect is not wanted."""


@dataclass
class _Outcome:
    """What came of some rows, until it is noted with them."""

    faults: list[tuple[int, list[Fault]]] = field(default_factory=list)
    vehicles: set[UUID] = field(default_factory=set)
    keys: dict[str, str] = field(default_factory=dict)


def import_go_on(*, actor: Actor, import_id: UUID) -> None:
    """Carry out the next piece and ask for the one after it; nothing where the run has ended."""
    if _written_out(actor, import_id):
        return
    run = Import.objects.select_for_update().filter(pk=import_id, state__in=UNFINISHED).first()
    if run is None:
        return
    with translation.override(run.language):
        try:
            person = _person(actor, run)
            _go_on(actor, person, run)
        except FileFault as fault:
            _fail(actor, run, fault)


def import_vehicles_evaluate(*, actor: Actor, import_id: UUID) -> None:
    """Have the drift of the vehicles that a run touched brought up to date, each once, some at a time."""
    rows = list(ImportedVehicle.objects.filter(of_import=import_id).order_by("id")[:VEHICLES_AT_ONCE])
    for each in rows:
        drift_changed(actor, each.vehicle_id)
    ImportedVehicle.objects.filter(pk__in=[each.pk for each in rows]).delete()
    if len(rows) == VEHICLES_AT_ONCE:
        outbox.append(actor, EVALUATE_KIND, {"import": str(import_id)})


def import_file_remove(*, actor: Actor, file_id: UUID) -> None:
    """Remove the content of a file whose time is over; later, where a run still reads it."""
    file = ImportFile.objects.select_for_update().filter(pk=file_id, removed_at=None).first()
    if file is None:
        return
    if Import.objects.filter(file=file, state__in=UNFINISHED).exists():
        outbox.append(actor, REMOVE_KIND, {"file": str(file_id)}, due_at=actor.now + POSTPONED)
        return
    storage.remove_content(file)
    file.removed_at = actor.now
    file.save(update_fields=["removed_at"])


def _written_out(actor: Actor, import_id: UUID) -> bool:
    """Write a spreadsheet's rows out where that is not done; the run is not locked meanwhile and may be cancelled."""
    run = Import.objects.select_related("file").filter(pk=import_id, state__in=UNFINISHED).first()
    if run is None or not tables.needs_rows(run.file):
        return False
    file = ImportFile.objects.select_for_update().get(pk=run.file_id)
    if storage.has_rows(file):
        return False
    with translation.override(run.language):
        try:
            with transaction.atomic():
                file.lines = tables.rows_write_out(file)
                file.save(update_fields=["lines"])
        except FileFault as fault:
            if locked := Import.objects.select_for_update().filter(pk=import_id, state__in=UNFINISHED).first():
                _fail(actor, locked, fault)
            return True
    import_ask_to_go_on(actor, run)
    return True


def _person(actor: Actor, run: Import) -> Actor:
    """The manager who started it, acting now; refused where they are none any more."""
    member = run.started_by
    person = actor_for(member, actor.now)
    try:
        require(person, Permission.SET_UP)
    except Forbidden as refusal:
        raise FileFault("role_missing", str(refusal)) from None
    if not member.is_active:
        raise FileFault("role_missing", _("Whoever started it is no longer of the workshop. Start it once more."))
    return person


def _go_on(actor: Actor, person: Actor, run: Import) -> None:
    run.state = Import.State.RUNNING
    if run.atomic and not run.dry_run and run.phase == Import.Phase.RECORDING:
        _record_all(actor, person, run)
        return
    outcome = _Outcome()
    is_last = _carry_out(person, run, outcome)
    _note(run, outcome)
    if is_last:
        _conclude(actor, run)
    else:
        run.save()
        import_ask_to_go_on(actor, run)


def _carry_out(person: Actor, run: Import, outcome: _Outcome) -> bool:
    """The next piece: True where it was the last."""
    source = tables.source_of(run.file)
    rows = list(itertools.islice(source.rows(run.position, run.line), PIECE_ROWS))
    kind = registry.kind_of(run.kind)
    piece = _piece(person, run, kind, [row for row in rows if row.fault is None])
    for row in rows:
        if row.fault is not None:
            piece.refuse(row.line, [row.fault])
    _perform(kind, piece)
    run.rows += len(rows)
    run.rejected += len(piece.faults)
    run.accepted += len(rows) - len(piece.faults)
    run.known += piece.known
    run.unjudged += piece.unjudged
    if rows:
        run.position, run.line = rows[-1].end, rows[-1].last_line
    if run.atomic and run.rows > settings.IMPORT_MOST_ATOMIC_ROWS:
        raise FileFault("too_many_for_atomic", too_many_for_atomic())
    outcome.faults += sorted(piece.faults.items())
    outcome.keys |= piece.accepted_keys
    outcome.vehicles |= piece.vehicles
    return len(rows) < PIECE_ROWS


def _piece(person: Actor, run: Import, kind: ImportKind, rows: Sequence[Row]) -> Piece:
    facts = {"import": run.pk, "file_sha256": run.file_sha256}
    has_no_effect = run.phase == Import.Phase.CHECKING
    piece = Piece(person, facts, dict(run.columns), _reading(run), rows, has_no_effect)
    if has_no_effect:
        seen = SeenRow.objects.filter(of_import=run, key__in=kind.keys(piece))
        piece.seen = dict(seen.values_list("key", "fingerprint"))
    return piece


def _reading(run: Import) -> Reading:
    """What was said of the file as a whole."""
    said = run.assumptions
    zone = ZoneInfo(run.time_zone) if run.time_zone else None
    at = said.get(TIME_OF_DAY)
    given = {LOADING: said[LOADING]} if LOADING in said else {}
    if at is None:
        return Reading(zone, day_order=said.get(DAY_ORDER, ""), given=given)
    named = run.time_zone or said.get(ZONE_OF_DAYS)
    zone_of_days = ZoneInfo(named) if named else workshop_zone()  # of an import accepted before it was settled with it
    return Reading(zone, zone_of_days, time.fromisoformat(at), said.get(DAY_ORDER, ""), given)


def _perform(kind: ImportKind, piece: Piece) -> None:
    try:
        with transaction.atomic():
            kind.carry_out(piece)
            if piece.has_no_effect:
                raise _TakenBack
    except _TakenBack:
        return


def _record_all(actor: Actor, person: Actor, run: Import) -> None:
    """All pieces in this one transaction; where a row is refused after all, none of them."""
    outcome = _Outcome()
    try:
        with transaction.atomic():
            while not _carry_out(person, run, outcome):
                if run.rejected:
                    break
            if run.rejected:
                raise _TakenBack
    except _TakenBack:
        outcome.vehicles.clear()
        _note(run, outcome)
        _fail_for_rows(actor, run)
        return
    _note(run, outcome)
    import_end(person, run, Import.State.DONE)


def _conclude(actor: Actor, run: Import) -> None:
    """After the last piece."""
    person = actor_for(run.started_by, actor.now)
    if run.dry_run or run.phase == Import.Phase.RECORDING:
        import_end(person, run, Import.State.DONE)
    elif run.rejected:
        _fail_for_rows(actor, run)
    else:
        run.phase = Import.Phase.RECORDING
        run.position = run.line = run.rows = run.accepted = run.known = run.unjudged = 0
        run.save()
        import_ask_to_go_on(actor, run)


def _fail_for_rows(actor: Actor, run: Import) -> None:
    detail = _("All or nothing was asked for, and some rows are not right. Nothing was recorded.")
    _fail(actor, run, FileFault("rows_rejected", detail))


def _fail(actor: Actor, run: Import, fault: FileFault) -> None:
    person = actor_for(run.started_by, actor.now)
    if run.atomic:
        run.accepted = run.known = run.unjudged = 0
    import_end(person, run, Import.State.FAILED, {"code": fault.code, "detail": fault.detail})


def _note(run: Import, outcome: _Outcome) -> None:
    """Problems, what was seen, and the vehicles to be evaluated."""
    if outcome.faults:
        RowProblem.objects.bulk_create(_problems(run, outcome.faults), batch_size=PIECE_ROWS)
    if run.phase == Import.Phase.CHECKING:
        seen = [SeenRow(of_import=run, key=key, fingerprint=mark) for key, mark in outcome.keys.items()]
        SeenRow.objects.bulk_create(seen, ignore_conflicts=True)
        return
    touched = [ImportedVehicle(of_import=run, vehicle_id=each) for each in sorted(outcome.vehicles)]
    ImportedVehicle.objects.bulk_create(touched, ignore_conflicts=True)


def _problems(run: Import, faults: Sequence[tuple[int, Sequence[Fault]]]) -> Iterator[RowProblem]:
    sentences = Sentences(registry.kind_of(run.kind), run.columns)
    for line, of_line in faults:
        for ordinal, each in enumerate(of_line):
            detail = sentences.of(line, each)
            detail = detail if len(detail) <= LONGEST_DETAIL else f"{detail[: LONGEST_DETAIL - 1]}…"
            yield RowProblem(
                of_import=run, line=line, ordinal=ordinal, field=each.column[:32], code=each.code[:48], detail=detail
            )
