"""The long campaign: requests made up from the interface's description, on a database of its own.

    python -m tests.campaigns.requests.campaign [--requests 20000] [--random-seed 1]

Writes how many requests were answered how, and any answer outside the description; ends with 0 where there is none.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

TEST = f"{Path(__file__).with_name('test_made_up_requests.py')}::test_every_answer_is_as_described"


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Requests made up from the interface's description.")
    parser.add_argument("--requests", type=int, default=20_000)
    parser.add_argument("--random-seed", type=int, default=1)
    chosen = parser.parse_args(arguments)
    os.environ["LEVELBOOK_REQUESTS"] = str(chosen.requests)
    os.environ["LEVELBOOK_RANDOM_SEED"] = str(chosen.random_seed)
    return int(pytest.main([TEST, "-rP", "--show-capture=stdout", "--quiet"]))


if __name__ == "__main__":
    sys.exit(main())
