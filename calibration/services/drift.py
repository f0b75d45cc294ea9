"""The drift filter's states of a vehicle, kept up to date with what is on record.

They are derived: whatever comes late, is struck or refiled has the series followed anew, else it only goes on.
"""

from __future__ import annotations

import uuid

import numpy as np

from fleet import outbox
from fleet.actor import Actor
from fleet.models import Vehicle

from ..metrology.corners import CORNERS
from ..metrology.drift_series import SeriesState, follow_series, marks
from ..metrology.drift_state import COLUMNS
from ..metrology.provenance import DRIFT_PROVENANCE
from ..models import DriftSeries, DriftState
from ..selectors.drift import stored_state
from ..selectors.drift_series import Series, series_of

CHANGED_KIND = "calibration.drift_changed"


def drift_changed(actor: Actor, vehicle_id: uuid.UUID) -> None:
    """Have the vehicle's drift brought up to date in the background: something that it follows from was recorded."""
    outbox.append(actor, CHANGED_KIND, {"vehicle": str(vehicle_id)})


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
    if kept is not None and kept.marks == wanted and kept.computed_with == DRIFT_PROVENANCE:
        return series
    known = _common(kept, wanted)
    if kept is not None and known == len(kept.marks):
        state = follow_series(stored_state(vehicle), series.observations[known:])
    else:
        state = series.followed()
    _keep(vehicle, kept, state, wanted, known)
    return series


def drift_evaluated(*, vehicle_ids: list[uuid.UUID]) -> None:
    """Note that alerts have been judged by the series as they stand."""
    for kept in DriftSeries.objects.select_for_update().filter(vehicle__in=vehicle_ids):
        if kept.is_revised or kept.evaluated != len(kept.marks):
            kept.evaluated, kept.is_revised = len(kept.marks), False
            kept.save(update_fields=["evaluated", "is_revised"])


def _common(kept: DriftSeries | None, wanted: list[str]) -> int:
    """How many observations have been taken in as they stand; none where the calculations changed since."""
    if kept is None or kept.computed_with != DRIFT_PROVENANCE:
        return 0
    pairs = zip(kept.marks, wanted, strict=False)
    return next((place for place, (old, new) in enumerate(pairs) if old != new), min(len(kept.marks), len(wanted)))


def _keep(vehicle: Vehicle, kept: DriftSeries | None, state: SeriesState, wanted: list[str], known: int) -> None:
    if state.basis is None:  # nothing was ever judged
        DriftSeries.objects.filter(vehicle=vehicle).delete()
        DriftState.objects.filter(vehicle=vehicle).delete()
        return
    row = kept or DriftSeries(vehicle=vehicle)
    if kept is not None and kept.computed_with == DRIFT_PROVENANCE and known < kept.evaluated:
        row.is_revised = True
    row.evaluated = min(row.evaluated, known) if row.is_revised else row.evaluated
    row.marks, row.computed_with = wanted, DRIFT_PROVENANCE
    row.side_limit_mm, row.interval_days = state.basis.side_limit_mm, state.basis.interval_days
    states = state.states
    row.due_day = float(np.max(states.day)) + row.interval_days if np.any(states.visits > 0) else float("inf")
    row.save()
    _keep_states(vehicle, state)


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
