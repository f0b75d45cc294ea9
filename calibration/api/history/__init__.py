"""Lines of a vehicle's history, registered when the first one is asked for."""

from . import checks, jobs

__all__ = ["checks", "jobs"]
