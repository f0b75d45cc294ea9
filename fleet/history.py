"""A vehicle's history in sentences: one line for each entry of its ledger, made when it is shown.

The entry itself stays as it was written; what a line says is taken from it and from nothing else. Upper apps
register the lines of their own kinds in `api.history`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any

from django.utils.translation import gettext as _

from .days import local_day
from .looks import dates
from .looks.corners import corner_name
from .models import LedgerEntry, ServiceEvent
from .registering import register_all
from .tyres import sidewall_of

Row = Mapping[str, Any]
Summary = Callable[[LedgerEntry], str]
_registered: dict[str, Summary] = {}


def summarises(kind: str) -> Callable[[Summary], Summary]:
    """Register a function that puts entries of this kind into a line."""

    def register(function: Summary) -> Summary:
        _registered[kind] = function
        return function

    return register


def summaries() -> Mapping[str, Summary]:
    """What puts entries of each kind into a line."""
    register_all("api.history")
    return _registered


def summary_of(entry: LedgerEntry) -> str:
    """What happened, in one line for people."""
    summary = summaries().get(entry.kind)
    return summary(entry) if summary else entry.kind.replace("_", " ").capitalize() + "."


def rows_of(entry: LedgerEntry, table: str) -> list[Row]:
    """The rows of one table in an entry, in their order."""
    return list(entry.payload["rows"].get(table, ()))


def record_of(entry: LedgerEntry) -> Row:
    """The row that the entry is about."""
    return next(row for row in rows_of(entry, entry.record_type) if row["id"] == str(entry.record_id))


@summarises("vehicle_added")
def _vehicle_added(entry: LedgerEntry) -> str:
    return _("Vehicle added with VIN %(vin)s.") % {"vin": record_of(entry)["vin"]}


@summarises("vehicle_changed")
def _vehicle_changed(entry: LedgerEntry) -> str:
    if rows_of(entry, "fleet.tenure"):
        return _("Vehicle handed over to another operator.")
    return _("Data of the vehicle changed.")


@summarises("vin_corrected")
def _vin_corrected(entry: LedgerEntry) -> str:
    record = record_of(entry)
    return _("VIN corrected from %(before)s to %(vin)s: %(reason)s") % {
        "before": record["previous_vin"],
        "vin": record["vin"],
        "reason": record["reason"],
    }


@summarises("tyres_fitted")
def _tyres_fitted(entry: LedgerEntry) -> str:
    record = record_of(entry)
    tyres = ", ".join(f"{corner_name(corner)} {sidewall_of(tyre)}" for corner, tyre in sorted(record["tyres"].items()))
    return _("Tyres fitted on %(day)s: %(tyres)s.") % {
        "day": dates.day(date.fromisoformat(record["fitted_on"])),
        "tyres": tyres,
    }


@summarises("service_event_recorded")
def _service_event(entry: LedgerEntry) -> str:
    record = record_of(entry)
    happened = str(ServiceEvent.Kind(record["kind"]).label).capitalize()
    day = dates.day(local_day(datetime.fromisoformat(record["happened_at"])))
    if record["corner"]:
        return _("%(event)s at %(corner)s on %(day)s.") % {
            "event": happened,
            "corner": corner_name(record["corner"]),
            "day": day,
        }
    return _("%(event)s on %(day)s.") % {"event": happened, "day": day}
