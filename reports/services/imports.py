"""Imports: a manager hands in a file and has it carried out in the background; a run may be cancelled."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from typing import IO, Any, Final
from uuid import UUID

from django.conf import settings
from django.db import OperationalError, connection, transaction
from django.utils import translation
from django.utils.translation import gettext as _

from calibration.metrology.corners import CORNERS
from fleet import ledger, outbox
from fleet.actor import Actor
from fleet.days import workshop_zone
from fleet.errors import Conflict, Invalid, NotFound
from fleet.ids import new_id
from fleet.models import Membership
from fleet.permissions import Permission, require
from fleet.services.changes import acting_person
from fleet.time_zones import is_time_zone

from ..imports import registry, storage
from ..imports.assumptions import TIME_OF_DAY, ZONE_OF_DAYS, stated
from ..imports.faults import FileFault
from ..imports.kinds import ImportKind
from ..imports.recognition import HEAD_BYTES, recognised
from ..imports.registry import required_columns, suggested_mapping, undecided
from ..imports.tables import Sample, sample_of
from ..models import Import, ImportedVehicle, ImportFile, SeenRow
from ..selectors.imports import visible_files, visible_imports

GO_ON_KIND: Final = "reports.import_go_on"
EVALUATE_KIND: Final = "reports.import_evaluate"
REMOVE_KIND: Final = "reports.import_file_remove"
LONGEST_NAME: Final = 200
BLOCK: Final = 262_144
PATIENCE: Final = "5s"
"""How long a cancellation waits for the piece that is being recorded."""
UNFINISHED: Final = (Import.State.QUEUED, Import.State.RUNNING)


def import_file_keep(*, actor: Actor, name: str, content: IO[bytes]) -> ImportFile:
    """Keep a file as it was handed in, for some days; it is looked at, and nothing of it is carried out."""
    require(actor, Permission.SET_UP)
    content.seek(0)
    found = recognised(content.read(HEAD_BYTES))
    size, lines = _measured(content)
    if found.format != ImportFile.Format.XLSX:
        _require_not_too_many(lines)
    file = ImportFile.objects.create(
        id=new_id(),
        name=name.replace("\0", "")[:LONGEST_NAME],
        format=found.format,
        encoding=found.encoding,
        delimiter=found.delimiter,
        size=size,
        lines=None if found.format == ImportFile.Format.XLSX else lines,
        sha256=storage.digest_of(_blocks(content)),
        handed_in_by=acting_person(actor, Membership.objects.all()),
        handed_in_at=actor.now,
    )
    storage.keep(file, _blocks(content), of_rows=False)
    due_at = actor.now + timedelta(days=settings.IMPORT_FILE_DAYS)
    outbox.append(actor, REMOVE_KIND, {"file": str(file.pk)}, due_at=due_at)
    return file


def import_begin(
    *,
    actor: Actor,
    record_id: UUID,
    file: ImportFile,
    kind: str,
    columns: Mapping[str, str],
    dry_run: bool = False,
    atomic: bool = False,
    time_zone: str = "",
    assumptions: Mapping[str, str] | None = None,
) -> Import:
    """Have a file carried out. `columns` says which heading of the file is which of our columns, where they differ.

    `assumptions` is what its cells do not say (`imports.assumptions`).
    """
    require(actor, Permission.SET_UP)
    if file.removed_at is not None:
        raise Conflict(_("The content of this file was removed since. Hand it in once more."), code="file_removed")
    if time_zone and not is_time_zone(time_zone):
        raise Invalid.at(
            "/time_zone", "unknown_time_zone", _("There is no such time zone. Write it like Europe/Berlin.")
        )
    if atomic and file.lines is not None and file.lines > settings.IMPORT_MOST_ATOMIC_ROWS + 1:
        raise Invalid.at("/atomic", "too_many_for_atomic", too_many_for_atomic())
    said = _settled(assumptions or {}, time_zone)
    run = Import.objects.create(
        id=record_id,
        file=file,
        file_sha256=file.sha256,
        kind=kind,
        columns=mapping_for(registry.kind_of(kind), file, columns, said),
        time_zone=time_zone,
        assumptions=said,
        language=translation.get_language() or settings.LANGUAGE_CODE,
        dry_run=dry_run,
        atomic=atomic,
        phase=Import.Phase.CHECKING if dry_run or atomic else Import.Phase.RECORDING,
        started_by=acting_person(actor, Membership.objects.all()),
        created_at=actor.now,
    )
    import_ask_to_go_on(actor, run)
    return run


def _settled(assumptions: Mapping[str, str], time_zone: str) -> dict[str, str]:
    """What was said, with the zone of days where that needs one: the workshop may get another before the last piece."""
    said = stated(assumptions)
    if time_zone or TIME_OF_DAY not in said:
        return {name: value for name, value in said.items() if name != ZONE_OF_DAYS}
    return {ZONE_OF_DAYS: workshop_zone().key, **said}


def import_ask_to_go_on(actor: Actor, run: Import) -> None:
    outbox.append(actor, GO_ON_KIND, {"import": str(run.pk)})


def import_cancel(*, actor: Actor, import_id: UUID) -> Import:
    """End a run that waits or is under way. What it recorded before stays; of an all-or-nothing one that is nothing."""
    require(actor, Permission.SET_UP)
    if not visible_imports(actor).filter(pk=import_id).exists():
        raise NotFound
    run = _locked_soon(import_id)
    if run.state == Import.State.CANCELLED:
        return run
    if run.state not in UNFINISHED:
        raise Conflict(_("This import has ended. There is nothing to cancel."), code="import_ended")
    return import_end(actor, run, Import.State.CANCELLED)


def import_end(actor: Actor, run: Import, state: Import.State, failure: Mapping[str, str] | None = None) -> Import:
    """Note how a run ended, in the ledger too, and have the vehicles that it touched evaluated."""
    run.state, run.finished_at, run.failure = state, actor.now, dict(failure) if failure else None
    run.save()
    SeenRow.objects.filter(of_import=run).delete()
    ledger.append(actor, "import_ended", run, facts={"assumptions": run.assumptions} if run.assumptions else None)
    if ImportedVehicle.objects.filter(of_import=run).exists():
        outbox.append(actor, EVALUATE_KIND, {"import": str(run.pk)})
    return run


def file_for(actor: Actor, file_id: UUID) -> ImportFile:
    """A file that was handed in, where the actor may see it."""
    file = visible_files(actor).filter(pk=file_id).first()
    if file is None:
        raise NotFound
    return file


def sample_for(file: ImportFile) -> Sample:
    """What a file begins with; a file that cannot be read is refused."""
    try:
        return sample_of(file)
    except FileFault as fault:
        raise Invalid.at("/file", fault.code, fault.detail) from None


def mapping_for(
    kind: ImportKind, file: ImportFile, columns: Mapping[str, str], said: Mapping[str, str]
) -> dict[str, str]:
    """Our columns with the headings that hold them: those that mean nothing else, and what was said of others."""
    headings = list(sample_for(file).headings)
    is_open = file.format == ImportFile.Format.NDJSON  # any line may have further members
    ours = [each.name for each in kind.columns()]
    known = {**(dict(zip(ours, ours, strict=True)) if is_open else {}), **suggested_mapping(kind, headings)}
    errors = [("/columns", "unknown_column", _no_column(name, ours)) for name in columns if name not in ours]
    missing = [heading for heading in columns.values() if heading and heading not in headings]
    errors += [("/columns", "unknown_heading", _no_heading(each, headings)) for each in missing if not is_open]
    mapping = {name: heading for name, heading in {**known, **columns}.items() if heading}
    unclear = {name: those for name, those in undecided(kind, headings).items() if name not in columns}
    errors += [("/columns", "ambiguous_column", _which_of(name, those)) for name, those in unclear.items()]
    errors += [("/columns", "heading_twice_meant", _one_for_two(*each)) for each in _heights_of_one(kind, mapping)]
    required = [name for name in required_columns(kind, said) if name not in mapping and name not in unclear]
    errors += [("/columns", "missing_column", _no_such_column_in_file(name, headings)) for name in required]
    if errors:
        raise Invalid(errors)
    return mapping


def too_many_for_atomic() -> str:
    return _("All or nothing works for at most %(most)s rows. Split the file, or import it without.") % {
        "most": settings.IMPORT_MOST_ATOMIC_ROWS
    }


def _which_of(name: str, headings: Sequence[str]) -> str:
    named = {"name": name, "headings": ", ".join(f"“{each}”" for each in headings)[:300]}
    return _("Several headings could be “%(name)s”: %(headings)s. Say in `columns` which it is, or none by “”.") % named


def _no_column(name: str, ours: list[str]) -> str:
    return _("There is no column “%(name)s” here. There are: %(known)s.") % {"name": name, "known": ", ".join(ours)}


def _no_heading(heading: str, headings: list[str]) -> str:
    named = {"heading": heading, "known": ", ".join(headings)[:300]}
    return _("The file has no heading “%(heading)s”. It has: %(known)s.") % named


def _heights_of_one(kind: ImportKind, mapping: Mapping[str, str]) -> Iterator[tuple[str, Any, Any]]:
    """Headings that are said to hold the heights of two corners, with what they are said to be."""
    heights = {f"{corner}_mm" for corner in CORNERS} & mapping.keys()
    columns = [each for each in kind.columns() if each.name in heights]
    for first, second in itertools.combinations(columns, 2):
        if mapping[first.name] == mapping[second.name]:
            yield mapping[first.name], first.label, second.label


def _one_for_two(heading: str, first: Any, second: Any) -> str:
    named = {"heading": heading, "first": first, "second": second}
    return _("The heading “%(heading)s” cannot be both “%(first)s” and “%(second)s”. Say which it is.") % named


def _no_such_column_in_file(name: str, headings: list[str]) -> str:
    named = {"name": name, "known": ", ".join(headings)[:300]}
    return _("The file has no column for “%(name)s”. Say which of its headings it is: %(known)s.") % named


def _measured(content: IO[bytes]) -> tuple[int, int]:
    """Bytes and lines."""
    size = lines = 0
    last = b"\n"
    for block in _blocks(content):
        size, lines, last = size + len(block), lines + block.count(b"\n"), block[-1:]
    return size, lines + (last != b"\n")


def _blocks(content: IO[bytes]) -> Iterator[bytes]:
    content.seek(0)
    while block := content.read(BLOCK):
        yield block


def _require_not_too_many(lines: int) -> None:
    most = settings.IMPORT_MOST_ROWS
    if lines > most + 1:
        detail = _("The file has %(lines)s lines; at most %(most)s rows are taken at once. Split it.")
        raise Invalid.at("/file", "too_many_rows", detail % {"lines": lines, "most": most})


def _locked_soon(import_id: UUID) -> Import:
    """The run, locked; a piece takes seconds, but recording all or nothing may take longer than a browser waits."""
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(f"SET LOCAL lock_timeout = '{PATIENCE}'")
            run = Import.objects.select_for_update().get(pk=import_id)
            cursor.execute("SET LOCAL lock_timeout = 0")
            return run
    except OperationalError:
        detail = _("It is being recorded this very moment and cannot be stopped any more. Look again in a minute.")
        raise Conflict(detail, code="being_recorded") from None
