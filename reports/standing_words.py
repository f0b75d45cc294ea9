"""What is known of a vehicle between jobs in plain sentences, for pages and documents."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, tzinfo
from typing import Any, Final

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from calibration.models import Job
from fleet.looks import dates
from fleet.looks.lengths import LengthUnit

from .alert_words import alert_in_words
from .certificate.display import in_sentence
from .certificate.texts import kind_in_sentence, wording
from .drawing.words import corner_name
from .selectors.standing import Advised, Known, LastDocument, Standing

WORK: Final = {
    "headlamp_aim": gettext_lazy("headlamp aim"),
    "wheel_alignment": gettext_lazy("wheel alignment"),
    "driver_assistance": gettext_lazy("driver assistance"),
    "not_adjustable_here": gettext_lazy("springs and mountings"),
}
"""What a document advises in a whole sentence, by its code."""


def known_word(known: str) -> str:
    """The state as a word that needs no colour; empty where nothing is known."""
    return str(Known(known).label) if known else ""


def standing_shown(standing: Standing, unit: LengthUnit, zone: tzinfo) -> dict[str, Any]:
    """What pages show of it: the part `reports/pages/parts/standing.html`."""
    return {
        "word": known_word(standing.known or ""),
        "verdict": standing.verdict,
        "measured_at": standing.measured_at,
        "outstanding": outstanding(standing, unit, zone),
    }


def outstanding(standing: Standing, unit: LengthUnit, zone: tzinfo) -> list[str]:
    """What is not done, a sentence each, the most pressing first."""
    return [*_in_the_bay(standing, zone), *_left_undone(standing, zone), *_alerts(standing, unit), *_advised(standing)]


def _in_the_bay(standing: Standing, zone: tzinfo) -> Iterator[str]:
    job = standing.open_job
    if job is None:
        return
    values = {"number": job.number, "since": _day(job.opened_at, zone), "state": Job.State(job.state).label}
    if standing.paused_because:
        yield _("In the bay since %(since)s (job %(number)s), paused: %(reason)s.") % {
            **values,
            "reason": standing.paused_because.rstrip("."),
        }
    elif standing.known == Known.STOPPED:
        yield _("In the bay since %(since)s (job %(number)s). Stopped: to be looked at.") % values
    else:
        yield _("In the bay since %(since)s (job %(number)s): %(state)s.") % values


def _left_undone(standing: Standing, zone: tzinfo) -> Iterator[str]:
    job, document = standing.last_job, standing.document
    if standing.is_completed or standing.open_job is not None or job is None or job.closed_at is None:
        return
    if document is None:
        yield _("Job %(number)s ended on %(day)s without its adjustment completed.") % {
            "number": job.number,
            "day": _day(job.closed_at, zone),
        }
        return
    yield _("Adjustment not completed: %(document)s.") % {"document": _named(document, zone)}
    if document.to_mend:
        yield _("What to mend: %(what)s") % {"what": " ".join(document.to_mend)}


def _alerts(standing: Standing, unit: LengthUnit) -> Iterator[str]:
    """What is the matter, then what is to be done about it: one note often stands at all alerts of a vehicle."""
    for alert in standing.alerts:
        yield alert_in_words(alert, unit)
    for note in dict.fromkeys(alert.note for alert in standing.alerts if alert.note):
        yield _("To be done: %(note)s") % {"note": note}


def _advised(standing: Standing) -> Iterator[str]:
    document = standing.document
    if document is None or not document.advised:
        return
    work = ", ".join(_work(each) for each in document.advised)
    yield _("Advised by no. %(number)s, not on record as done: %(work)s.") % {"number": document.number, "work": work}


def _work(advised: Advised) -> str:
    work = wording(WORK, advised.code)
    return f"{work} ({in_sentence(corner_name(advised.corner))})" if advised.corner else work


def _named(document: LastDocument, zone: tzinfo) -> str:
    return _("%(kind)s no. %(number)s of %(day)s") % {
        "kind": kind_in_sentence(document.kind),
        "number": document.number,
        "day": _day(document.issued_at, zone),
    }


def _day(at: datetime, zone: tzinfo) -> str:
    return dates.day(at.astimezone(zone))
