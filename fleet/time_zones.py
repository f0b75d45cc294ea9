"""In which time zone a workshop is."""

from __future__ import annotations

import zoneinfo
from pathlib import Path
from typing import Final

UNKNOWN: Final = "UTC"
"""Of a workshop of which nobody said where it is."""
_OF_MACHINES: Final = frozenset({"localtime", "Factory"})
_LOCAL_TIME: Final = Path("/etc/localtime")


def time_zones() -> frozenset[str]:
    """Names that mean the same time on every machine: not the one that is set on this, nor that of none."""
    return frozenset(zoneinfo.available_timezones() - _OF_MACHINES)


def is_time_zone(name: str) -> bool:
    return name in time_zones()


def time_zone_of_machine(link: Path = _LOCAL_TIME) -> str | None:
    """The zone that this machine's clock shows; None where it shows none of a place.

    Not from the environment: Django has put the zone of the service there, which is always UTC. Only the first link is
    followed, since some zones are links to others that share their time.
    """
    name = link.readlink().as_posix().partition("/zoneinfo/")[2] if link.is_symlink() else ""
    return name if is_time_zone(name) and "/" in name and not name.startswith("Etc/") else None
