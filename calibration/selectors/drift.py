"""Stored drift: of one vehicle, and of many at once."""

from __future__ import annotations

import math
import uuid
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from django.db.models import F, QuerySet
from django.db.models.functions import Abs
from numpy.typing import NDArray

from fleet.models import Vehicle

from ..metrology.corners import CORNERS
from ..metrology.drift_alerts import NOT_JUDGED_BY, DistanceDue, Fleet
from ..metrology.drift_series import Basis, SeriesState, beginning
from ..metrology.drift_state import COLUMNS, DriftStates, states_from_table
from ..models import OPEN_STATES, DriftSeries, DriftState
from ..rules.check_due import DueByDistance
from ..rules.drift_course import NOTHING_DUE, Due
from .binary_rows import Kind, copied

Column = NDArray[Any]
NOBODY: Final = uuid.UUID(int=0)

JUDGED_BY: Final = tuple(name for name in COLUMNS if name not in NOT_JUDGED_BY)
OF_CORNER: Final[Mapping[str, Kind]] = {
    "vehicle_id": "uuid",
    "tolerance_mm": "float8",
    **dict.fromkeys(JUDGED_BY, "float8"),
}
OF_VEHICLE: Final[Mapping[str, Kind]] = {
    "vehicle_id": "uuid",
    "side_limit_mm": "float8",
    "interval_days": "float8",
    "due_day": "float8",
    "due_at_km": "float8",
    "distance_due_day": "float8",
    "distance_interval_days": "float8",
    "is_revised": "bool",
}
VEHICLES_SQL: Final = f"""
    SELECT {", ".join(OF_VEHICLE)} FROM calibration_driftseries d
    WHERE {{where}} AND NOT EXISTS (SELECT 1 FROM calibration_job j WHERE j.vehicle_id = d.vehicle_id
                                    AND j.state = ANY(%s))
    ORDER BY vehicle_id LIMIT %s
"""  # noqa: S608  (our own columns' names)
CORNERS_SQL: Final = f"""
    SELECT {", ".join(OF_CORNER)} FROM calibration_driftstate
    WHERE vehicle_id BETWEEN %s AND %s ORDER BY vehicle_id, corner
"""  # noqa: S608
OF_MODEL_SQL: Final = f"""
    SELECT {", ".join(COLUMNS)} FROM calibration_driftstate s
    WHERE vehicle_id IN (SELECT v.id FROM fleet_vehicle v WHERE v.vehicle_model_id = %s)
    ORDER BY vehicle_id, corner LIMIT %s
"""  # noqa: S608


@dataclass(frozen=True, slots=True, eq=False)
class FleetStates:
    """The drift states of v vehicles, four to each in the order of `CORNERS`, and what they are judged by."""

    vehicles: tuple[bytes, ...]
    """Their ids, as the database sends them: of a fleet few are looked at one by one."""
    states: DriftStates
    fleet: Fleet
    revised: frozenset[int]
    """Places of the vehicles whose record changed behind what alerts were judged by."""

    def vehicle(self, place: int) -> uuid.UUID:
        return uuid.UUID(bytes=self.vehicles[place])


def stored_state(vehicle: Vehicle) -> SeriesState:
    """The four states as they are kept, and what they are judged by; a beginning where nothing is kept."""
    kept = DriftSeries.objects.filter(vehicle=vehicle).first()
    return _state(kept, DriftState.objects.filter(vehicle=vehicle))


def stored_of(vehicles: Collection[uuid.UUID]) -> dict[uuid.UUID, tuple[SeriesState, Due]]:
    """States and due dates of those vehicles of which something is kept, in two queries."""
    rows: dict[uuid.UUID, list[DriftState]] = {}
    for row in DriftState.objects.filter(vehicle__in=vehicles):
        rows.setdefault(row.vehicle_id, []).append(row)
    return {
        kept.vehicle_id: (_state(kept, rows.get(kept.vehicle_id, ())), _due(kept))
        for kept in DriftSeries.objects.filter(vehicle__in=vehicles)
    }


def _state(kept: DriftSeries | None, of_corners: Iterable[DriftState]) -> SeriesState:
    rows = {row.corner: row for row in of_corners}
    if kept is None or len(rows) < len(CORNERS):
        return beginning()
    in_order = [rows[corner] for corner in CORNERS]
    table = np.array([[getattr(row, name) for name in COLUMNS] for row in in_order])
    a, b, c, d = (row.target_mm for row in in_order)
    e, f, g, h = (row.tolerance_mm for row in in_order)
    basis = Basis((a, b, c, d), (e, f, g, h), kept.side_limit_mm, kept.interval_days, kept.interval_km)
    return SeriesState(states_from_table(table), basis)


def last_measured_outside() -> QuerySet[DriftState]:
    """Corners whose last measurement lies outside: `drift_alerts.out_of_tolerance` of it alone, by the database."""
    known = DriftState.objects.filter(visits__gt=0, last_mm__lt=math.inf)  # to PostgreSQL, nan is above inf
    return known.filter(tolerance_mm__lt=Abs("last_mm") - F("last_expanded"))


def stored_due(vehicle: Vehicle) -> Due:
    """When its next check is due, as it is kept."""
    kept = DriftSeries.objects.filter(vehicle=vehicle).first()
    return _due(kept) if kept else NOTHING_DUE


def _due(kept: DriftSeries) -> Due:
    return Due(kept.due_day, DueByDistance(kept.due_at_km, kept.distance_due_day, kept.distance_interval_days))


def states_of_vehicle(vehicle_id: uuid.UUID) -> FleetStates:
    """Of one vehicle, unless it is in the bay: of none then, or where nothing is kept of it."""
    return _states("d.vehicle_id = %s", vehicle_id, 1)


def states_after(vehicle_id: uuid.UUID | None, most: int) -> FleetStates:
    """The next vehicles in the order of their ids that are not in the bay, at most so many."""
    return _states("d.vehicle_id > %s", vehicle_id or NOBODY, most)


def states_of_model(vehicle_model_id: uuid.UUID, most: int) -> DriftStates:
    """The states of a model's vehicles, at most of so many: what its rate prior is learned from."""
    columns = copied(OF_MODEL_SQL, [vehicle_model_id, most * len(CORNERS)], dict.fromkeys(COLUMNS, "float8"))
    return DriftStates(*(columns[name] for name in COLUMNS))


def _states(where: str, vehicle_id: uuid.UUID, most: int) -> FleetStates:
    """Two reads cost less than their join; what only one of them finds was recorded or ended in between."""
    of_vehicles = copied(VEHICLES_SQL.format(where=where), [vehicle_id, list(OPEN_STATES), most], OF_VEHICLE)
    wanted: list[bytes] = of_vehicles["vehicle_id"].tolist()
    ends = [uuid.UUID(bytes=end) for end in (wanted[0], wanted[-1])] if wanted else [NOBODY, NOBODY]
    of_corners = copied(CORNERS_SQL, ends, OF_CORNER)
    found: list[bytes] = of_corners["vehicle_id"][:: len(CORNERS)].tolist()
    both = set(wanted) & set(found)
    vehicle = _chosen(of_vehicles, np.array([each in both for each in wanted], dtype=bool))
    corner = _chosen(of_corners, np.repeat(np.array([each in both for each in found], dtype=bool), len(CORNERS)))
    side, nothing = vehicle["side_limit_mm"], np.full(len(CORNERS) * len(both), np.nan)
    return FleetStates(
        vehicles=tuple(each for each in wanted if each in both),
        states=DriftStates(*(nothing if name in NOT_JUDGED_BY else corner[name] for name in COLUMNS)),
        fleet=Fleet(
            corner["tolerance_mm"],
            np.column_stack([side, side]),
            vehicle["interval_days"],
            vehicle["due_day"],
            DistanceDue(vehicle["due_at_km"], vehicle["distance_due_day"], vehicle["distance_interval_days"]),
        ),
        revised=frozenset(np.flatnonzero(vehicle["is_revised"]).tolist()),
    )


def _chosen(columns: Mapping[str, Column], chosen: NDArray[np.bool_]) -> Mapping[str, Column]:
    return columns if chosen.all() else {name: column[chosen] for name, column in columns.items()}
