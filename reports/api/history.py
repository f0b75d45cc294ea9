"""Certificates and alerts as lines of a vehicle's history."""

from __future__ import annotations

from django.utils.translation import gettext as _

from fleet.history import record_of, summarises
from fleet.models import LedgerEntry

from ..alert_words import alert_sentence
from ..certificate.texts import kind_title
from ..models import DriftAlert
from ..selectors.alerts import had_passed


@summarises("certificate_prepared")
def _prepared(entry: LedgerEntry) -> str:
    record = record_of(entry)
    text = _("%(kind)s no. %(number)s prepared to be signed.")
    return text % {"kind": kind_title(record["kind"]), "number": record["number"]}


@summarises("certificate_issued")
def _issued(entry: LedgerEntry) -> str:
    record = record_of(entry)
    return _("%(kind)s no. %(number)s issued.") % {"kind": kind_title(record["kind"]), "number": record["number"]}


@summarises("certificate_replacement_requested")
def _replacement(entry: LedgerEntry) -> str:
    record = record_of(entry)
    return _("%(kind)s no. %(number)s is to replace the one before: %(reason)s") % {
        "kind": kind_title(record["kind"]),
        "number": record["number"],
        "reason": record["reason"],
    }


@summarises("alert_opened")
def _alert_opened(entry: LedgerEntry) -> str:
    return _("Alert: %(detail)s") % {"detail": _open_alert(entry)}


@summarises("alert_acknowledged")
def _alert_acknowledged(entry: LedgerEntry) -> str:
    return _("Alert acknowledged: %(note)s (%(detail)s)") % {
        "note": record_of(entry)["note"],
        "detail": _open_alert(entry),
    }


@summarises("alert_resolved")
def _alert_resolved(entry: LedgerEntry) -> str:
    reason = DriftAlert.Resolution(record_of(entry)["resolution"]).label
    return _("Alert resolved, %(reason)s: %(detail)s") % {"reason": reason, "detail": _alert(entry)}


def _alert(entry: LedgerEntry) -> str:
    record = record_of(entry)
    return alert_sentence(record["kind"], record["place"], entry.payload["facts"]["details"])


def _open_alert(entry: LedgerEntry) -> str:
    """As it was told at the time of the entry."""
    record, details = record_of(entry), entry.payload["facts"]["details"]
    passed = had_passed(record["kind"], details, entry.recorded_at)
    return alert_sentence(record["kind"], record["place"], details, has_passed=passed)
