"""The sweep over a fleet's drift states, against the bare COPY of them.

    python -m tests.campaigns.drift_sweep [--vehicles 250000]

Makes a fleet's states in temporary tables of the running database (one corner in a thousand drifts), reads them
all by a bare COPY into memory, and sweeps over them as the service does in a fleet that was swept before: read, judge,
and find that nothing changes. Prints both in seconds of the clock and of processors (on a machine that others use too
only these can be compared), and the most memory that a sweep takes.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
import tracemalloc
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import django

if __name__ == "__main__":  # Whoever else imports it has set up its own.
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    os.environ.setdefault("LEVELBOOK_DATABASE_ROLE", "owner")
    django.setup()

import numpy as np
from django.db import connection

from calibration.metrology.corners import CORNERS
from calibration.metrology.drift_alerts import find_alerts
from calibration.metrology.drift_filter import measured
from calibration.metrology.drift_state import COLUMNS, DriftStates, fresh_states
from calibration.selectors import drift
from deploy.embedded.folder import data_folder
from deploy.embedded.usage import running_database

RANDOM_SEED = 20261126
VISITS = 4
IN_THE_BAY_EVERY = 400
AT_ONCE = 20_000
REPEATS = 3
FIGURES = ", ".join(f"{name} float8 NOT NULL" for name in ("target_mm", "tolerance_mm", *COLUMNS))
TABLES = f"""
    CREATE TEMPORARY TABLE calibration_driftstate (vehicle_id uuid NOT NULL, corner varchar(2) NOT NULL,
        {FIGURES});
    CREATE TEMPORARY TABLE calibration_job (vehicle_id uuid NOT NULL, state varchar(10) NOT NULL);
    CREATE TEMPORARY TABLE calibration_driftseries (vehicle_id uuid NOT NULL, side_limit_mm float8 NOT NULL,
        interval_days float8 NOT NULL, due_day float8 NOT NULL, due_at_km float8 NOT NULL,
        distance_due_day float8 NOT NULL, distance_interval_days float8 NOT NULL, is_revised boolean NOT NULL);
"""
INDEXES = """
    CREATE UNIQUE INDEX ON calibration_driftstate (vehicle_id, corner);
    CREATE UNIQUE INDEX ON calibration_driftseries (vehicle_id);
    CREATE INDEX ON calibration_job (vehicle_id);
    ANALYZE calibration_driftstate; ANALYZE calibration_driftseries; ANALYZE calibration_job;
"""
BARE = f"COPY (SELECT vehicle_id, {', '.join(COLUMNS)} FROM calibration_driftstate) TO STDOUT (FORMAT BINARY)"  # noqa: S608


def fleet_states(vehicles: int) -> DriftStates:
    """Corners measured some times, of which one in a thousand drifts."""
    rng = np.random.default_rng(RANDOM_SEED)
    count = 4 * vehicles
    rate = np.where(rng.random(count) < 0.001, 8.0, 0.0)
    states, start = fresh_states(count, prior_level_variance=4.0), rng.normal(0.0, 1.0, count)
    for visit in range(VISITS):
        heights = start + rate * visit / 6.0 + rng.normal(0.0, 1.3, count)
        states = measured(states, 60.0 * visit, heights, 1.69, 0.08)
    return states


def store(states: DriftStates, vehicles: int) -> None:
    with connection.cursor() as cursor:
        cursor.execute(TABLES)
        ids = [f"01a20000-0000-7000-8000-{number:012x}" for number in range(vehicles)]
        columns = ("vehicle_id", "corner", "target_mm", "tolerance_mm", *COLUMNS)
        with cursor.copy(f"COPY calibration_driftstate ({', '.join(columns)}) FROM STDIN") as copy:
            for number, row in enumerate(states.table()):
                copy.write_row([ids[number // 4], CORNERS[number % 4], 486.0, 6.0, *row.tolist()])
        with cursor.copy("COPY calibration_driftseries FROM STDIN") as copy:
            for each in ids:
                copy.write_row([each, 8.0, 60.0, 240.0, 60_000.0, 300.0, 90.0, False])
        with cursor.copy("COPY calibration_job FROM STDIN") as copy:
            for each in ids[::IN_THE_BAY_EVERY]:
                copy.write_row([each, "open"])
        cursor.execute(INDEXES)


def bare_copy() -> int:
    with connection.cursor() as cursor, cursor.copy(BARE) as copy:
        return sum(len(block) for block in copy)


class Sweep:
    """As the service reads and judges, without what it changes: nothing, in a fleet that was swept before."""

    def __init__(self) -> None:
        self.known: dict[bytes, dict[str, Mapping[str, float]]] = {}

    def __call__(self) -> int:
        found, after = 0, None
        while True:
            part = drift.states_after(after, AT_ONCE)
            if part.vehicles:
                found += self._judge(part)
            if len(part.vehicles) < AT_ONCE:
                return found
            after = part.vehicle(-1)

    def _judge(self, part: drift.FleetStates) -> int:
        places = ((place, self.known[vehicle]) for place, vehicle in enumerate(part.vehicles) if vehicle in self.known)
        trends = {(place, corner): values for place, known in places for corner, values in known.items()}
        found = find_alerts(part.states, part.fleet, 200.0, known_trends=trends)
        for each in found:
            if each.kind == "trend":
                self.known.setdefault(part.vehicles[each.vehicle], {})[each.place] = each.values
        return len(found)


@dataclass(frozen=True, slots=True)
class Cost:
    """The least seconds that some runs took, by the clock and of processors, ours and the database's."""

    clock: float
    ours: float
    database: float

    @property
    def processors(self) -> float:
        return self.ours + self.database


def cost(work: Callable[[], int]) -> tuple[Cost, int]:
    """The best of some runs, and what came of it."""
    runs, result = [], 0
    for _ in range(REPEATS):
        before = time.perf_counter(), time.process_time(), database_seconds()
        result = work()
        after = time.perf_counter(), time.process_time(), database_seconds()
        runs.append(tuple(end - start for start, end in zip(before, after, strict=True)))
    return Cost(*(min(column) for column in zip(*runs, strict=True))), result


def database_seconds() -> float:
    """Processor time of the connection's server process, which runs on this machine."""
    process = connection.connection.info.backend_pid
    return float(Path(f"/proc/{process}/schedstat").read_text(encoding="ascii").split()[0]) / 1e9


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description="The sweep over a fleet's drift states, against the bare COPY of them."
    )
    parser.add_argument("--vehicles", type=int, default=250_000)
    chosen = parser.parse_args(arguments)
    with running_database(data_folder()):
        report(chosen.vehicles)
    return 0


def report(vehicles: int) -> None:
    """Print times, their ratio and the memory."""
    store(fleet_states(vehicles), vehicles)
    sweep = Sweep()
    sweep()
    copied, size = cost(bare_copy)
    swept, found = cost(sweep)
    tracemalloc.start()
    sweep()
    _now, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    lines = [
        f"{4 * vehicles} corners, {size / 1e6:.0f} MB, {found} findings, best of {REPEATS}, seconds",
        "               clock  processors  (ours + the database's)",
        *(
            f"  {name:10}{each.clock:8.2f}{each.processors:12.2f}  ({each.ours:.2f} + {each.database:.2f})"
            for name, each in (("bare COPY", copied), ("sweep", swept))
        ),
        f"  ratio     {swept.clock / copied.clock:8.2f}{swept.processors / copied.processors:12.2f}  (budget 1.5)",
        f"  most memory {most / 1e6:.0f} MB",
    ]
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    sys.exit(main())
