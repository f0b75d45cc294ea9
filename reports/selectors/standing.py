"""What is known of vehicles between jobs: outside tolerance, stopped, or left with something to be done.

The one rule of it: lists order and mark vehicles by `with_known`, and what they say of each comes from `standings_of`.
A person learns of the jobs, alerts and documents that they may see, and of any vehicle that they see now how it was
last measured.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from django.db.models import BooleanField, Case, Exists, Max, OuterRef, Q, QuerySet, Subquery, TextChoices, Value, When
from django.db.models.functions import Greatest
from django.utils.translation import gettext_lazy as _

from calibration.metrology.conformity import Verdict
from calibration.metrology.corners import Corner
from calibration.models import OPEN_STATES, Job, Pause
from calibration.rules.course import VOIDING_KINDS
from calibration.selectors.casefiles import case_files
from calibration.selectors.drift import last_measured_outside
from calibration.selectors.jobs import visible_jobs
from calibration.selectors.vehicle_drift import VehicleDrift, drifts_of
from fleet.actor import Actor
from fleet.models import ServiceEvent, Vehicle
from fleet.selectors.vehicles import sees_whole_workshop

from ..models import Certificate, DriftAlert
from .alerts import expected_of, most_serious_first, passed_at, visible_alerts, with_has_passed
from .certificates import visible_certificates
from .due import SOON, due_within


class Known(TextChoices):
    """What comes first where several are so."""

    OUTSIDE = "outside", _("Outside tolerance")
    MEASURE = "measure", _("Measure now")
    """The day by which it was expected outside has passed without a measurement."""
    STOPPED = "stopped", _("Stopped: to be looked at")
    PAUSED = "paused", _("Job paused")
    NOT_COMPLETED = "not_completed", _("Adjustment not completed")


BETWEEN_JOBS: Final = (Known.OUTSIDE, Known.MEASURE, Known.NOT_COMPLETED)
"""What is so for days and months; the others are for as long as a vehicle is in the bay."""
OUTSIDE_KINDS: Final = (DriftAlert.Kind.OUT_OF_TOLERANCE, DriftAlert.Kind.UNEVEN)
SAID_BY_THE_DATE: Final = (DriftAlert.Kind.OVERDUE,)
"""Alerts that say no more than when the next check is due."""
DONE_BY: Final[Mapping[str, frozenset[str]]] = {
    "wheel_alignment": frozenset({ServiceEvent.Kind.ALIGNMENT}),
    "not_adjustable_here": VOIDING_KINDS,
}
"""Events that end further work that was advised; of the rest nothing is ever recorded."""


@dataclass(frozen=True, slots=True)
class Advised:
    """Further work that the last document advises; `code` as in the document."""

    code: str
    detail: str
    corner: Corner | None


@dataclass(frozen=True, slots=True)
class LastDocument:
    """The newest document on the last closed job, with what it has to be done."""

    number: int
    kind: str
    issued_at: datetime
    verdict: Verdict | None
    to_mend: tuple[str, ...] = ()
    advised: tuple[Advised, ...] = ()


@dataclass(frozen=True, slots=True)
class Standing:
    """One vehicle. `known` is empty where nothing keeps it from being merely due some day."""

    known: Known | None
    verdict: Verdict | None
    """On the last measurement of all corners; None where none was judged, or work was done since."""
    measured_at: datetime | None
    alerts: tuple[DriftAlert, ...] = ()
    open_job: Job | None = None
    paused_because: str = ""
    last_job: Job | None = None
    is_completed: bool = True
    """Whether the last closed job ended as it was meant to."""
    document: LastDocument | None = None
    drift: VehicleDrift | None = None


# --- the rule ------------------------------------------------------------------------------------------
def with_known(vehicles: QuerySet[Vehicle], actor: Actor) -> QuerySet[Any]:
    """Annotated with `known`, one of `Known` or empty.

    An alert rests while its vehicle is in the bay, and so does what an earlier job left undone.
    """
    of_vehicle = own_jobs(actor).filter(vehicle=OuterRef("pk"))
    in_the_bay = Exists(of_vehicle.filter(state__in=OPEN_STATES))
    alerts = visible_alerts(actor).filter(vehicle=OuterRef("pk"), state=DriftAlert.State.OPEN)
    alerted, passed = Exists(alerts.filter(kind__in=OUTSIDE_KINDS)), Exists(alerts.filter(has_passed=True))
    measured = last_measured_outside().filter(vehicle=OuterRef("pk"))
    last_closed = _closed(of_vehicle).order_by("-closed_at", "-id")
    left_undone = Subquery(last_closed.values("left_undone")[:1], output_field=BooleanField())
    return vehicles.annotate(in_the_bay=in_the_bay, left_undone=left_undone).annotate(
        known=Case(
            When(Exists(measured) | Q(alerted, in_the_bay=False), then=Value(Known.OUTSIDE.value)),
            When(passed, in_the_bay=False, then=Value(Known.MEASURE.value)),
            When(pk__in=_stopped(actor, vehicles), then=Value(Known.STOPPED.value)),
            When(Exists(of_vehicle.filter(state=Job.State.PAUSED)), then=Value(Known.PAUSED.value)),
            When(in_the_bay=False, left_undone=True, then=Value(Known.NOT_COMPLETED.value)),
            default=Value(""),
        )
    )


def urgent_first(vehicles: QuerySet[Vehicle], actor: Actor) -> QuerySet[Any]:
    """What is known first, then what is due within two weeks or overdue, then the rest; by registration."""
    is_due = due_within(SOON, actor.now, "drift_series__")
    urgency = Case(When(~Q(known=""), then=Value(0)), When(is_due, then=Value(1)), default=Value(2))
    found: QuerySet[Any] = with_known(vehicles, actor).annotate(urgency=urgency)
    return found.order_by("urgency", "registration", "vin")


def known_changed_at(vehicles: QuerySet[Vehicle], now: datetime) -> dict[uuid.UUID, datetime]:
    """Before which time nothing but a measurement can have changed what is known `BETWEEN_JOBS`."""
    of_vehicles = DriftAlert.objects.filter(vehicle__in=vehicles).order_by()
    alerts = of_vehicles.filter(kind__in=(*OUTSIDE_KINDS, DriftAlert.Kind.TREND))
    jobs = Job.objects.filter(vehicle__in=vehicles).order_by()
    found: dict[uuid.UUID, datetime] = {}
    for rows, names in ((alerts, ("opened_at", "resolved_at")), (jobs, ("opened_at", "closed_at"))):
        for vehicle, at in rows.values_list("vehicle").annotate(at=Greatest(*map(Max, names))):
            found[vehicle] = max(at, found.get(vehicle, at))
    for alert in with_has_passed(of_vehicles, now).filter(has_passed=True):
        expected = expected_of(alert.details)
        assert expected is not None  # it has passed
        found[alert.vehicle_id] = max(passed_at(expected), found[alert.vehicle_id])
    return found


def own_jobs(actor: Actor) -> QuerySet[Job]:
    """The jobs that the actor may see, for use within queries of vehicles."""
    jobs = Job.objects.order_by()
    return jobs if sees_whole_workshop(actor) else jobs.filter(pk__in=visible_jobs(actor).values("pk"))


def _closed(jobs: QuerySet[Job]) -> QuerySet[Any]:
    """Closed jobs, annotated with `left_undone`: not signed off, or found since not to have been right.

    A job that was opened to go back to earlier set-points has done what it was for.
    """
    reported = Certificate.objects.filter(
        job=OuterRef("pk"), kind=Certificate.Kind.FINDINGS_REPORT, state=Certificate.State.ISSUED
    )
    went_back = Q(state=Job.State.REVERTED, reason=Job.Reason.REVERSION)
    undone = Q(state__in=[Job.State.ENDED, Job.State.REVERTED]) | Exists(reported)
    return jobs.filter(closed_at__isnull=False).annotate(
        left_undone=Case(When(went_back, then=Value(False)), When(undone, then=Value(True)), default=Value(False))
    )


def _stopped(actor: Actor, vehicles: QuerySet[Vehicle]) -> list[uuid.UUID]:
    """Those in the bay whose job goes no further before somebody has looked: as many as there are bays, at most."""
    at_work = visible_jobs(actor).filter(state__in=OPEN_STATES, vehicle__in=vehicles.order_by().values("pk"))
    cases = case_files(at_work.exclude(state=Job.State.PAUSED))
    return [case.job.vehicle_id for case in cases if case.standing.next_step.step == "inspect"]


# --- what is said of each ------------------------------------------------------------------------------
def standings_of(actor: Actor, known: Mapping[uuid.UUID, str]) -> dict[uuid.UUID, Standing]:
    """Of vehicles that the actor sees now, by `known` as `with_known` has it; as many queries for one as for many."""
    drifts = drifts_of(known)
    alerts = _alerts(actor, known)
    open_jobs = {job.vehicle_id: job for job in own_jobs(actor).filter(vehicle__in=known, state__in=OPEN_STATES)}
    pauses = _pauses(open_jobs.values())
    closed = _last_closed(actor, known)
    documents = _documents(actor, closed.values())
    return {
        vehicle: Standing(
            known=Known(kind) if kind else None,
            verdict=drift.last_verdict if (drift := drifts.get(vehicle)) else None,
            measured_at=drift.measured_at if drift else None,
            alerts=tuple(alerts.get(vehicle, ())),
            open_job=(job := open_jobs.get(vehicle)),
            paused_because=pauses.get(job.pk, "") if job else "",
            last_job=(last := closed.get(vehicle)),
            is_completed=not (last and last.left_undone),
            document=documents.get(last.pk) if last else None,
            drift=drift,
        )
        for vehicle, kind in known.items()
    }


def standing_of(actor: Actor, vehicle: Vehicle) -> Standing:
    found = with_known(Vehicle.objects.filter(pk=vehicle.pk), actor).values_list("pk", "known")
    return standings_of(actor, dict(found))[vehicle.pk]


def _alerts(actor: Actor, vehicles: Iterable[uuid.UUID]) -> dict[uuid.UUID, list[DriftAlert]]:
    found = visible_alerts(actor).filter(vehicle__in=list(vehicles), state=DriftAlert.State.OPEN)
    by_vehicle: dict[uuid.UUID, list[DriftAlert]] = {}
    for alert in sorted(found.exclude(kind__in=SAID_BY_THE_DATE).order_by("opened_at", "id"), key=most_serious_first):
        by_vehicle.setdefault(alert.vehicle_id, []).append(alert)
    return by_vehicle


def _pauses(jobs: Iterable[Job]) -> dict[uuid.UUID, str]:
    """Why each is paused."""
    paused = [job.pk for job in jobs if job.state == Job.State.PAUSED]
    return dict(Pause.objects.filter(job__in=paused).order_by("recorded_at", "id").values_list("job", "reason"))


def _last_closed(actor: Actor, vehicles: Iterable[uuid.UUID]) -> dict[uuid.UUID, Any]:
    jobs = _closed(own_jobs(actor).filter(vehicle__in=list(vehicles)))
    return {job.vehicle_id: job for job in jobs.order_by("vehicle_id", "-closed_at", "-id").distinct("vehicle_id")}


def _documents(actor: Actor, jobs: Iterable[Job]) -> dict[uuid.UUID, LastDocument]:
    by_id = {job.pk: job for job in jobs}
    issued = visible_certificates(actor).filter(job__in=by_id, state=Certificate.State.ISSUED).order_by("number")
    members = ("as_left__verdict", "ending__to_mend", "follow_ups")
    rows = list(issued.values_list("job", "number", "kind", "issued_at", *(f"file__snapshot__{m}" for m in members)))
    done = _done_since(by_id[row[0]] for row in rows)
    return {
        job: LastDocument(number, kind, issued_at, verdict, tuple(to_mend or ()), _advised(advised, done.get(job, ())))
        for job, number, kind, issued_at, verdict, to_mend, advised in rows
    }


def _done_since(jobs: Iterable[Job]) -> dict[uuid.UUID, set[tuple[str, str]]]:
    """Kind and corner of what was done to each job's vehicle after it had closed."""
    of_vehicles = {job.vehicle_id: job for job in jobs}
    kinds = frozenset().union(*DONE_BY.values())
    events = ServiceEvent.objects.filter(vehicle__in=of_vehicles, kind__in=kinds)
    found: dict[uuid.UUID, set[tuple[str, str]]] = {}
    for vehicle, kind, corner, at in events.values_list("vehicle", "kind", "corner", "happened_at"):
        job = of_vehicles[vehicle]
        if job.closed_at is not None and at > job.closed_at:
            found.setdefault(job.pk, set()).add((kind, corner))
    return found


def _advised(listed: Iterable[Mapping[str, Any]], done: Iterable[tuple[str, str]]) -> tuple[Advised, ...]:
    every = (Advised(each["code"], each.get("detail") or "", each.get("corner")) for each in listed or ())
    return tuple(each for each in every if not _is_done(each, done))


def _is_done(advised: Advised, done: Iterable[tuple[str, str]]) -> bool:
    ends = DONE_BY.get(advised.code, frozenset())
    return any(kind in ends and corner in ("", advised.corner) for kind, corner in done)
