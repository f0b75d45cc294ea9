"""One workshop at a time: the transaction that carries it, and the database rules that enforce it."""

from .context import NoWorkshopError, current_workshop_id, in_workshop, known_here

__all__ = ["NoWorkshopError", "current_workshop_id", "in_workshop", "known_here"]
