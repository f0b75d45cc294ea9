"""The drift filter's states of a vehicle, kept up to date with what is on record.

They are derived: whatever comes late, is struck or refiled has the series followed anew, else it only goes on.
"""

from __future__ import annotations

import uuid
from typing import Any

from django.db.models import Exists, OuterRef

from fleet import outbox
from fleet.actor import Actor
from fleet.days import workshop_zone
from fleet.models import Vehicle

from ..metrology.corners import CORNERS
from ..metrology.drift_series import Basis, Respecified, SeriesState, follow_series, marks
from ..metrology.drift_state import COLUMNS
from ..metrology.provenance import DRIFT_PROVENANCE
from ..metrology.rate_prior import DEFAULT_RATE_PRIOR, RatePrior, rate_evidence, rate_prior
from ..models import DriftRatePrior, DriftSeries, DriftState, HeightCheck
from ..rules.drift_course import Due, due_after
from ..selectors.drift import states_of_model, stored_state
from ..selectors.drift_series import Series, series_of

CHANGED_KIND = "calibration.drift_changed"
MOST_TEACHING_VEHICLES = 20_000
"""Of a model: more would not tell its mean any better."""
NOTICEABLE_MM_PER_YEAR = 0.05
NOTICEABLE = 0.02
"""Of the variance, as a share."""


def drift_changed(actor: Actor, vehicle_id: uuid.UUID) -> None:
    """Have the vehicle's drift brought up to date in the background: something that it follows from was recorded."""
    outbox.append(actor, CHANGED_KIND, {"vehicle": str(vehicle_id)})


def drift_of_model_changed(actor: Actor, vehicle_model_id: uuid.UUID) -> None:
    """The same for a model's vehicles: a revision of its specification takes effect, maybe the first that judges what
    was measured on them.
    """
    kept = Exists(DriftSeries.objects.filter(vehicle=OuterRef("pk")))
    waiting = Exists(HeightCheck.objects.filter(vehicle=OuterRef("pk"), specification=None))
    vehicles = Vehicle.objects.filter(kept | waiting, vehicle_model=vehicle_model_id)
    for vehicle_id in vehicles.values_list("pk", flat=True):
        drift_changed(actor, vehicle_id)


def drift_of_workshop_changed(actor: Actor) -> None:
    """The same for all vehicles: the workshop's days begin at other times.

    By distance a check is due at a moment: that stays, but the day on which that is may be another in calendars.
    """
    kept = DriftSeries.objects.all()
    kept.update(due_changed_at=actor.now)
    for vehicle_id in kept.values_list("vehicle", flat=True):
        drift_changed(actor, vehicle_id)


def drift_bring_up_to_date(*, actor: Actor, vehicle_id: uuid.UUID) -> Series | None:
    """Take in what was recorded since; gives the whole series, None where the vehicle is gone.

    May be repeated: what was taken in already is known by its marks.
    """
    vehicle = Vehicle.objects.select_for_update(no_key=True).filter(pk=vehicle_id).first()
    if vehicle is None:
        return None
    series = series_of(vehicle)
    kept = DriftSeries.objects.filter(vehicle=vehicle).first()
    wanted = marks(series.observations)
    known = _common(kept, wanted, _computed_with(series))
    if kept is not None and known == len(kept.marks):
        state = follow_series(stored_state(vehicle), series.observations[known:])
    else:
        state = series.followed()
    _keep(actor, vehicle, kept, state, series, known)
    return series


def _computed_with(series: Series) -> dict[str, Any]:
    """The calculations, and the rate that the series begins with: that of another model where the vehicle gets one."""
    return {**DRIFT_PROVENANCE, "prior": [series.prior.mean, series.prior.variance]}


def drift_evaluated(*, vehicle_ids: list[uuid.UUID]) -> None:
    """Note that alerts have been judged by the series as they stand."""
    for kept in DriftSeries.objects.select_for_update().filter(vehicle__in=vehicle_ids):
        if kept.is_revised or kept.evaluated != len(kept.marks):
            kept.evaluated, kept.is_revised = len(kept.marks), False
            kept.save(update_fields=["evaluated", "is_revised"])


def _common(kept: DriftSeries | None, wanted: list[str], computed_with: dict[str, Any]) -> int:
    """How many observations have been taken in as they stand; none where the calculations changed since."""
    if kept is None or kept.computed_with != computed_with:
        return 0
    pairs = zip(kept.marks, wanted, strict=False)
    return next((place for place, (old, new) in enumerate(pairs) if old != new), min(len(kept.marks), len(wanted)))


def _keep(
    actor: Actor, vehicle: Vehicle, kept: DriftSeries | None, state: SeriesState, series: Series, known: int
) -> None:
    if state.basis is None:  # nothing was ever judged
        DriftSeries.objects.filter(vehicle=vehicle).delete()
        DriftState.objects.filter(vehicle=vehicle).delete()
        return
    row, computed_with = kept or DriftSeries(vehicle=vehicle), _computed_with(series)
    is_as_before = kept is not None and kept.computed_with == computed_with
    if kept is not None and ((is_as_before and known < kept.evaluated) or _is_respecified(series, known)):
        row.is_revised = True
    row.evaluated = min(row.evaluated, known) if row.is_revised else row.evaluated
    row.marks, row.computed_with = marks(series.observations), computed_with
    due = _due_columns(due_after(state, series.readings, workshop_zone()))
    if kept is None or any(getattr(kept, name) != value for name, value in due.items()):
        row.due_changed_at = actor.now
    for name, value in {**_basis_columns(state.basis), **due}.items():
        setattr(row, name, value)
    row.save()
    _keep_states(vehicle, state)


def _is_respecified(series: Series, known: int) -> bool:
    """Alerts that were found by another specification are found no more: that is no quiet measurement."""
    return any(isinstance(each, Respecified) for each in series.observations[known:])


def _basis_columns(basis: Basis) -> dict[str, float]:
    return {
        "side_limit_mm": basis.side_limit_mm,
        "interval_days": basis.interval_days,
        "interval_km": basis.interval_km,
    }


def _due_columns(due: Due) -> dict[str, float]:
    return {
        "due_day": due.day,
        "due_at_km": due.by_distance.at_km,
        "distance_due_day": due.by_distance.day,
        "distance_interval_days": due.by_distance.interval_days,
    }


def _keep_states(vehicle: Vehicle, state: SeriesState) -> None:
    assert state.basis is not None  # the caller has looked
    table = state.states.table()
    DriftState.objects.bulk_create(
        [
            DriftState(
                vehicle=vehicle,
                corner=corner,
                target_mm=state.basis.target_mm[place],
                tolerance_mm=state.basis.tolerance_mm[place],
                **dict(zip(COLUMNS, map(float, table[place]), strict=True)),
            )
            for place, corner in enumerate(CORNERS)
        ],
        update_conflicts=True,
        unique_fields=["vehicle", "corner"],
        update_fields=["target_mm", "tolerance_mm", *COLUMNS],
    )


def rate_prior_learn(*, actor: Actor, vehicle_model_id: uuid.UUID) -> DriftRatePrior | None:
    """Keep what a model's fleet teaches now about its corners' rates, where it is noticeably another than known."""
    rates, variances = rate_evidence(states_of_model(vehicle_model_id, MOST_TEACHING_VEHICLES))
    found = rate_prior(rates, variances)
    rows = DriftRatePrior.objects.filter(vehicle_model=vehicle_model_id).order_by("-recorded_at", "-id")
    known = rows.first()
    before = RatePrior(known.mean, known.variance, known.corners) if known else DEFAULT_RATE_PRIOR
    if (
        abs(found.mean - before.mean) < NOTICEABLE_MM_PER_YEAR
        and abs(found.variance / before.variance - 1) < NOTICEABLE
    ):
        return None
    return DriftRatePrior.objects.create(
        vehicle_model_id=vehicle_model_id,
        mean=found.mean,
        variance=found.variance,
        corners=found.corners,
        computed_with=DRIFT_PROVENANCE,
        recorded_at=actor.now,
    )
