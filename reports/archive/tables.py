"""Which tables an archive holds and in what order, and which it leaves out and why.

Every table of the service is named here, by a model's label: a test compares, so that a new one cannot be forgotten.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from django.apps import apps
from django.db.models import Field, ForeignKey, Model

from fleet.tenancy.migration import tenant_foreign_keys

EMAIL: Final = "email"
FILE: Final = "file"
CERTIFICATE_FILES: Final = "reports.certificatefile"
PHOTOS: Final = ("calibration.photo", "calibration.heightcheckphoto")
PEOPLE: Final = "fleet.membership"
WORKSHOP: Final = "fleet.workshop"


@dataclass(frozen=True, slots=True)
class Added:
    """A column that stands in an archive in the place of one that cannot: its name and what it says."""

    name: str
    says: str


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the archive. `without` are columns that it leaves out, with the reason."""

    model: type[Model]
    order: tuple[str, ...]
    without: Mapping[str, str]
    added: Added | None = None

    @property
    def label(self) -> str:
        return self.model._meta.label_lower

    @property
    def member(self) -> str:
        return f"tables/{self.label}.csv"

    @property
    def fields(self) -> list[Field[Any, Any]]:
        """Of the columns, in their order."""
        return [
            each
            for each in self.model._meta.concrete_fields
            if each.name != "workshop" and each.attname not in self.without
        ]

    @property
    def columns(self) -> list[str]:
        return [*(each.attname for each in self.fields), *([self.added.name] if self.added else [])]


_PIN: Final = "secret: only the person knows it"
_OWN: Final = "belongs to the workshop that the archive is of, and to no other"
_SALT: Final = "lets a person be forgotten; a workshop that takes the archive in makes its own"
_IN_A_FILE: Final = "the content is a file of the archive, named in the column `file`"

_TABLES: Final[Mapping[str, tuple[tuple[str, ...], Mapping[str, str], Added | None]]] = {
    WORKSHOP: (("id",), {"id": _OWN, "created_at": _OWN, "version": _OWN, "is_demo": _OWN}, None),
    "fleet.numbering": (("series",), {}, None),
    "fleet.operator": (("created_at", "id"), {"commitment_salt": _SALT}, None),
    PEOPLE: (
        ("created_at", "id"),
        {
            "user_id": "an account of this installation; the column `email` stands for it",
            "pin": _PIN,
            "pin_failures": _PIN,
            "pin_locked_until": _PIN,
            "commitment_salt": _SALT,
        },
        Added(EMAIL, "E-mail address with which the person signs in; empty of one who was taken in beside themselves"),
    ),
    "fleet.bay": (("created_at", "id"), {}, None),
    "fleet.instrument": (("created_at", "id"), {}, None),
    "fleet.instrumentcalibration": (("recorded_at", "id"), {}, None),
    "fleet.instrumentwithdrawal": (("recorded_at", "id"), {}, None),
    "fleet.vehiclemodel": (("created_at", "id"), {}, None),
    "fleet.specification": (("recorded_at", "id"), {}, None),
    "fleet.vehicle": (("created_at", "id"), {}, None),
    "fleet.vincorrection": (("recorded_at", "id"), {}, None),
    "fleet.tenure": (("began_at", "id"), {}, None),
    "fleet.fitment": (("recorded_at", "id"), {}, None),
    "fleet.serviceevent": (("recorded_at", "id"), {}, None),
    "calibration.job": (("number",), {}, None),
    **{
        f"calibration.{name}": (("recorded_at", "id"), {}, None)
        for name in (
            *("readiness", "pause", "resumption", "reversion", "jobend", "signoff", "refiling", "baselinereset"),
            *("round", "readingstrike", "assessment", "leaktest", "proposal", "write", "concession", "approval"),
            *("decision", "finding", "ruling", "jobprior", "driftrateprior", "heightcheck", "heightcheckstrike"),
        )
    },
    "calibration.reading": (("recorded_at", "round_id", "ordinal"), {}, None),
    "calibration.heightcheckreading": (("recorded_at", "height_check_id", "ordinal"), {}, None),
    **{
        label: (("recorded_at", "id"), {"path": _IN_A_FILE}, Added(FILE, "Name of the picture within the archive"))
        for label in PHOTOS
    },
    "reports.certificate": (("number",), {}, None),
    CERTIFICATE_FILES: (
        ("recorded_at", "id"),
        {"pdf": _IN_A_FILE},
        Added(FILE, "Name of the PDF within the archive, byte by byte as it was issued"),
    ),
    "reports.driftalert": (("opened_at", "id"), {}, None),
    "reports.declinednotice": (("declined_at", "id"), {}, None),
    "reports.reminder": (("noted_at", "id"), {}, None),
}

_CREDENTIAL: Final = "proves who somebody is; people and tablets are invited and enrolled anew"
_LEDGER: Final = "in the folder `ledger`, in the form in which it can be verified"
_DERIVED: Final = "derived from other tables, and made anew from them"
_HERE: Final = "background work and bookkeeping of this installation"
_WEBHOOK: Final = "addresses and secrets of receiving programs; set up anew"
_BROUGHT_IN: Final = "how files were brought in, for as long as they are kept; what came of it is among the records"
_DEPLOYERS: Final = "of the installation or its accounts, and of no workshop"

LEFT_OUT: Final[Mapping[str, str]] = {
    "fleet.accesstoken": _CREDENTIAL,
    "fleet.invitation": _CREDENTIAL,
    "fleet.browsersession": _CREDENTIAL,
    "fleet.enrolmentcode": _CREDENTIAL,
    "fleet.tablet": _CREDENTIAL,
    "fleet.outboxkey": "secret: the key to what tablets have saved",
    "fleet.outboxfile": "encrypted files of tablets; what was carried out of them is among the records",
    "fleet.signinevent": "who signed in when and from where: kept where it happened",
    "fleet.ledgerentry": _LEDGER,
    "fleet.ledgerleaf": _LEDGER,
    "fleet.checkpoint": _LEDGER,
    "fleet.headconflict": "that tablets hold heads with which the records here do not go; told in the ledger",
    "fleet.calendarfeed": _CREDENTIAL,
    "fleet.receipt": _HERE,
    "fleet.outboxitem": _HERE,
    "calibration.repeatabilitysums": _DERIVED,
    "calibration.driftseries": _DERIVED,
    "calibration.driftstate": _DERIVED,
    "calibration.responseposterior": _DERIVED,
    "reports.webhook": _WEBHOOK,
    "reports.webhooksecret": _WEBHOOK,
    "reports.webhookdelivery": _WEBHOOK,
    "reports.webhookattempt": _WEBHOOK,
    "reports.import": _BROUGHT_IN,
    "reports.importfile": _BROUGHT_IN,
    "reports.importfilepart": _BROUGHT_IN,
    "reports.importedvehicle": _BROUGHT_IN,
    "reports.rowproblem": _BROUGHT_IN,
    "reports.seenrow": _BROUGHT_IN,
    "reports.export": _HERE,
    "reports.archiveintake": _HERE,
    "fleet.user": _DEPLOYERS,
    "fleet.installation": _DEPLOYERS,
    "fleet.refusedsignin": _DEPLOYERS,
}
"""Tables of the service's own that are not in an archive as such."""


@cache
def tables() -> tuple[Table, ...]:
    """All tables of an archive, each after those that it refers to."""
    known = {
        label: Table(apps.get_model(label), order, without, added) for label, (order, without, added) in _TABLES.items()
    }
    placed: dict[str, Table] = {}
    while len(placed) < len(known):
        ready = [each for each in known.values() if each.label not in placed and _refers_to(each, known) <= set(placed)]
        if not ready:
            raise RuntimeError(f"tables refer to each other in a circle: {sorted(set(known) - set(placed))}")
        placed |= {each.label: each for each in ready}
    return tuple(placed.values())


def table_of(label: str) -> Table:
    return next(each for each in tables() if each.label == label)


def _refers_to(table: Table, known: Mapping[str, Table]) -> set[str]:
    """Labels of the other tables that rows of this one refer to."""
    keys: list[ForeignKey[Any, Any]] = tenant_foreign_keys(table.model)
    return {each.remote_field.model._meta.label_lower for each in keys} & set(known) - {table.label}
