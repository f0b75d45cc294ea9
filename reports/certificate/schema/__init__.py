"""The published JSON Schema of the attachment `record.json`, one file for each version of the format."""

from __future__ import annotations

from pathlib import Path
from typing import Final

SCHEMA_FILE: Final = Path(__file__).with_name("certificate-1.json")
"""Written by `python -m reports.certificate.schema.writing`; once released, only additions."""


def schema_text() -> str:
    return SCHEMA_FILE.read_text(encoding="utf-8")
