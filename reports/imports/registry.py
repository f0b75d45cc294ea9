"""Which kinds of imports there are; another one is named here and nowhere else."""

from __future__ import annotations

from .check_rows import CheckRows
from .kinds import register
from .vehicle_rows import VehicleRows

register(VehicleRows())
register(CheckRows())
