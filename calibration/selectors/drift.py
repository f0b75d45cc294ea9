"""Stored drift: of one vehicle, and of many at once."""

from __future__ import annotations

import numpy as np

from fleet.models import Vehicle

from ..metrology.corners import CORNERS
from ..metrology.drift_series import Basis, SeriesState, beginning
from ..metrology.drift_state import COLUMNS, states_from_table
from ..models import DriftSeries, DriftState


def stored_state(vehicle: Vehicle) -> SeriesState:
    """The four states as they are kept, and what they are judged by; a beginning where nothing is kept."""
    kept = DriftSeries.objects.filter(vehicle=vehicle).first()
    rows = {row.corner: row for row in DriftState.objects.filter(vehicle=vehicle)}
    if kept is None or len(rows) < len(CORNERS):
        return beginning()
    in_order = [rows[corner] for corner in CORNERS]
    table = np.array([[getattr(row, name) for name in COLUMNS] for row in in_order])
    target, tolerance = (
        (a, b, c, d) for a, b, c, d in ([row.target_mm for row in in_order], [row.tolerance_mm for row in in_order])
    )
    return SeriesState(states_from_table(table), Basis(target, tolerance, kept.side_limit_mm, kept.interval_days))
