"""Words for what records hold as codes."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import TextChoices


def with_labels(choices: type[TextChoices], values: Iterable[str]) -> str:
    """The labels of several codes, in the order of the choices."""
    held = set(values)
    return ", ".join(str(choice.label) for choice in choices if choice.value in held)
