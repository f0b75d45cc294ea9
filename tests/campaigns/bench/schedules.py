"""The long campaign: random schedules of the bench app in a real Chromium, against the real service.

    python -m tests.campaigns.bench.schedules [--schedules 200] [--random-seed 1] [--first 0]

Writes a line for each schedule and the totals; ends with 0 where nothing was lost, doubled or out of order.
With `--first 13 --schedules 1` it runs schedule 13 again, after those before it on the same tablet.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

NAME = "test_whatever_befalls_the_tablet_nothing_is_lost_nothing_comes_twice_and_the_order_is_kept"
TEST = f"{Path(__file__).with_name('test_schedules.py')}::{NAME}"


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Random schedules of the bench app.")
    parser.add_argument("--schedules", type=int, default=200)
    parser.add_argument("--random-seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    chosen = parser.parse_args(arguments)
    os.environ["LEVELBOOK_SCHEDULES"] = str(chosen.schedules)
    os.environ["LEVELBOOK_FIRST_SCHEDULE"] = str(chosen.first)
    os.environ["LEVELBOOK_RANDOM_SEED"] = str(chosen.random_seed)
    return int(pytest.main([TEST, "--capture=no", "--quiet"]))


if __name__ == "__main__":
    sys.exit(main())
