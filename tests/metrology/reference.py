"""Reading the published check values."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent.parent / "reference"


def reference_json(name: str) -> Any:
    """The content of a JSON file of check values."""
    return json.loads((FOLDER / name).read_text(encoding="utf-8"))


def reference_rows(name: str) -> list[dict[str, str]]:
    """The rows of a CSV file of check values."""
    with (FOLDER / name).open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))
