"""How the tests are shared out among test processes, so that none is left with a long file at the end."""

from __future__ import annotations

from typing import Any, Final

import pytest
from xdist.scheduler import LoadFileScheduling  # type: ignore[import-untyped]

FAULTS: Final = "tests/campaigns/faults"
REQUESTS: Final = "tests/campaigns/requests"
SHEETS: Final = "tests/reports/test_certificate_"
TOGETHER: Final = (FAULTS, REQUESTS, SHEETS)
"""Files that one process runs, since they share two services, a furnished workshop, or pages drawn once."""
LONG: Final = (
    "tests/campaigns/test_outbox_under_fire.py",
    FAULTS,
    "tests/deploy/test_backup.py",
    "tests/reports/test_demo.py",
    REQUESTS,
    "tests/deploy/test_service.py",
    "tests/deploy/test_external_services.py",
    "tests/calibration/test_state_machine.py",
    "tests/simulator/test_campaign.py",
    SHEETS,
    "tests/reports/pages/test_every_form.py",
    "tests/deploy",
    "tests/campaigns",
    "tests/reports/test_broker.py",
)
"""What takes longest, and what mostly waits, comes first."""


class LongFirst(LoadFileScheduling):  # type: ignore[misc]
    """One file, or one of `TOGETHER`, to a process, in the order of collection."""

    def __init__(self, config: pytest.Config, log: Any = None) -> None:
        config.option.loadscopereorder = False
        super().__init__(config, log)

    def _split_scope(self, nodeid: str) -> str:
        return next((each for each in TOGETHER if nodeid.startswith(each)), None) or str(super()._split_scope(nodeid))


def rank(nodeid: str) -> int:
    """Where a test stands in the order: lower is earlier."""
    return next((place for place, long in enumerate(LONG) if nodeid.startswith(long)), len(LONG))
