"""Settings of an earlier import, proposed for what was put right of it, so that nobody has to say them again."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, Final
from uuid import UUID

from django.utils.translation import gettext as _

from fleet.actor import Actor
from fleet.errors import Invalid

from ..imports.assumptions import NAMES
from ..imports.registry import kind_of, suggested_mapping, undecided
from ..imports.tables import Sample
from ..models import Import, ImportFile
from ..selectors.imports import visible_imports
from .imports import sample_for

PLAIN: Final = ("time_zone", "atomic")


def earlier_import(actor: Actor, import_id: UUID, kind: str) -> Import:
    """An import whose settings are to be taken over. Raises `Invalid` where it is none of this kind."""
    run = visible_imports(actor).filter(pk=import_id).first()
    if run is None:
        raise Invalid.at(
            "/settings_of", "no_such_import", _("There is no such import. Leave it out, or look for its id.")
        )
    if run.kind != kind:
        detail = _("That was an import of `%(other)s`. Its settings are of no use to `%(kind)s`: leave it out.")
        raise Invalid.at("/settings_of", "other_kind", detail % {"other": run.kind, "kind": kind})
    return run


def taken_over(earlier: Import, body: Mapping[str, Any], said: Collection[str]) -> dict[str, Any]:
    """The body of a new import, with the earlier one's settings for what was not said."""
    known = {**{name: getattr(earlier, name) for name in PLAIN}, **dict.fromkeys(NAMES, ""), **earlier.assumptions}
    return {**body, **{name: value for name, value in known.items() if name not in said}}


def proposed_columns(earlier: Import | None, file: ImportFile, sample: Sample, kind: str) -> dict[str, str]:
    """Our columns with the headings that they are likely to have in a file; empty for what was declined before.

    An error file says it by its own headings (`imports.error_file`). In any other file what was said of a heading
    before is taken to hold, and so is that a heading of then is none of ours.
    """
    ours = kind_of(kind)
    known = suggested_mapping(ours, sample.headings)
    if earlier is None or sample.is_error_file:
        return known
    is_open = file.format == ImportFile.Format.NDJSON  # any line may have further members
    kept = {name: heading for name, heading in earlier.columns.items() if is_open or heading in sample.headings}
    before = set(_headings_of(earlier))
    candidates = {**{name: [heading] for name, heading in known.items()}, **undecided(ours, sample.headings)}
    declined = [name for name, those in candidates.items() if name not in earlier.columns and before & set(those)]
    return {**known, **kept, **dict.fromkeys(declined, "")}


def _headings_of(run: Import) -> Collection[str]:
    """Of its file, where that is still kept and could be read."""
    if run.file.removed_at is not None:
        return ()
    try:
        return sample_for(run.file).headings
    except Invalid:
        return ()
