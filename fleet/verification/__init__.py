"""Whether a workshop's records are what they were: chains, tree, heads, and every row against its ledger entry.

Everything is computed anew from the tables. What is read stays as it was when the reading began, so that the
workshop may go on meanwhile.
"""

from .problem import Problem
from .whole import Verified, consistent_snapshot, problems_of_vehicles, verify_workshop

__all__ = ["Problem", "Verified", "consistent_snapshot", "problems_of_vehicles", "verify_workshop"]
