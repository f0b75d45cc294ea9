"""From a job's records to the document that is issued for it."""

from .build import document_of

__all__ = ["document_of"]
