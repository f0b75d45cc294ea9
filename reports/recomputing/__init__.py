"""A certificate made once more from the records, and compared with what was issued."""

from .result import Outcome, Result
from .whole import recomputed

__all__ = ["Outcome", "Result", "recomputed"]
