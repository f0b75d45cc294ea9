"""A worker's process for tests of what happens when it is killed: it performs one outbox item of an import.

It stops once the rows of its piece are in the database and nothing is committed: it says so on standard output and goes
on after a line on standard input. `--commit-rows-first` is the seeded fault: the rows are committed before the place
where the next piece begins is noted.
"""

from __future__ import annotations

import argparse
import sys
import uuid
from typing import Any

import django


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("workshop", type=uuid.UUID)
    parser.add_argument("item", type=uuid.UUID)
    parser.add_argument("--commit-rows-first", action="store_true")
    parser.add_argument("--piece-rows", type=int, required=True)
    options = parser.parse_args()
    django.setup()
    stop_after_the_rows(commit=options.commit_rows_first, piece_rows=options.piece_rows)
    from fleet import outbox

    outbox.perform(options.workshop, options.item)


def stop_after_the_rows(*, commit: bool, piece_rows: int) -> None:
    from django.db import connection

    from reports.services import import_running

    note = getattr(import_running, "_note")  # noqa: B009

    def held(*args: Any) -> None:
        if commit:
            connection.connection.commit()
        sys.stdout.write("recorded\n")
        sys.stdout.flush()
        sys.stdin.readline()
        note(*args)

    setattr(import_running, "PIECE_ROWS", piece_rows)  # noqa: B010
    setattr(import_running, "_note", held)  # noqa: B010


if __name__ == "__main__":
    main()
