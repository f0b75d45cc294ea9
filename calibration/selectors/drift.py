"""Stored drift: of one vehicle, and of many at once."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from fleet.models import Vehicle

from ..metrology.corners import CORNERS
from ..metrology.drift_alerts import Fleet
from ..metrology.drift_series import Basis, SeriesState, beginning
from ..metrology.drift_state import COLUMNS, DriftStates, states_from_table
from ..models import OPEN_STATES, DriftSeries, DriftState

OF_VEHICLE: Final = ("side_limit_mm", "interval_days", "due_day", "is_revised")
READ: Final = ("tolerance_mm", *COLUMNS, *OF_VEHICLE)
ROW: Final = np.dtype(
    [
        ("columns", ">i2"),
        ("length_of_vehicle", ">i4"),
        ("vehicle", "V16"),
        *((name, kind) for column in READ for name, kind in ((f"length_of_{column}", ">i4"), (column, ">f8"))),
    ]
)
"""A row as PostgreSQL's binary COPY gives it: no column is ever null, so that all have one size."""
HEADER_BYTES: Final = 19
TRAILER_BYTES: Final = 2
COPY_SQL: Final = f"""
    COPY (SELECT s.vehicle_id, {", ".join(f"s.{name}" for name in ("tolerance_mm", *COLUMNS))},
                 d.side_limit_mm, d.interval_days, d.due_day, d.is_revised::int::float8
          FROM calibration_driftstate s JOIN calibration_driftseries d ON d.vehicle_id = s.vehicle_id
          WHERE {{where}} ORDER BY s.vehicle_id, s.corner LIMIT %s)
    TO STDOUT (FORMAT BINARY)
"""  # noqa: S608  (our own columns' names)
NOT_IN_THE_BAY: Final = (
    "NOT EXISTS (SELECT 1 FROM calibration_job j WHERE j.vehicle_id = s.vehicle_id AND j.state = ANY(%s))"
)


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
    rows = {row.corner: row for row in DriftState.objects.filter(vehicle=vehicle)}
    if kept is None or len(rows) < len(CORNERS):
        return beginning()
    in_order = [rows[corner] for corner in CORNERS]
    table = np.array([[getattr(row, name) for name in COLUMNS] for row in in_order])
    a, b, c, d = (row.target_mm for row in in_order)
    e, f, g, h = (row.tolerance_mm for row in in_order)
    basis = Basis((a, b, c, d), (e, f, g, h), kept.side_limit_mm, kept.interval_days)
    return SeriesState(states_from_table(table), basis)


def states_of_vehicle(vehicle_id: uuid.UUID) -> FleetStates:
    """Of one vehicle, unless it is in the bay: of none then, or where nothing is kept of it."""
    return _read(f"s.vehicle_id = %s AND {NOT_IN_THE_BAY}", [vehicle_id, list(OPEN_STATES)], 1)


def states_after(vehicle_id: uuid.UUID | None, most: int) -> FleetStates:
    """The next vehicles in the order of their ids that are not in the bay, at most so many."""
    after = vehicle_id or uuid.UUID(int=0)
    return _read(f"s.vehicle_id > %s AND {NOT_IN_THE_BAY}", [after, list(OPEN_STATES)], most)


def states_of_model(vehicle_model_id: uuid.UUID, most: int) -> DriftStates:
    """The states of a model's vehicles, at most of so many: what its rate prior is learned from."""
    of_model = "s.vehicle_id IN (SELECT v.id FROM fleet_vehicle v WHERE v.vehicle_model_id = %s)"
    return _read(of_model, [vehicle_model_id], most).states


def _read(where: str, parameters: Sequence[Any], most: int) -> FleetStates:
    with (
        connection.cursor() as cursor,
        cursor.copy(COPY_SQL.format(where=where), [*parameters, most * len(CORNERS)]) as copy,
    ):
        data = b"".join(copy)
    rows = np.frombuffer(data[HEADER_BYTES : len(data) - TRAILER_BYTES], dtype=ROW)

    def column(name: str) -> NDArray[np.float64]:
        return np.ascontiguousarray(rows[name], dtype=np.float64)

    of_vehicles = {name: column(name)[:: len(CORNERS)] for name in OF_VEHICLE}
    side = of_vehicles["side_limit_mm"]
    return FleetStates(
        vehicles=tuple(rows["vehicle"][:: len(CORNERS)].tolist()),
        states=DriftStates(*(column(name) for name in COLUMNS)),
        fleet=Fleet(
            column("tolerance_mm"), np.column_stack([side, side]), of_vehicles["interval_days"], of_vehicles["due_day"]
        ),
        revised=frozenset(np.flatnonzero(of_vehicles["is_revised"]).tolist()),
    )
