"""Certificates as lines of a vehicle's history."""

from __future__ import annotations

from django.utils.translation import gettext as _

from fleet.history import record_of, summarises
from fleet.models import LedgerEntry

from ..certificate.texts import kind_title


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
