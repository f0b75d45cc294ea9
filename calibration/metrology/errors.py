"""Errors of the pure calculations: each names the argument, its value and what is allowed."""

from __future__ import annotations


class MetrologyError(ValueError):
    """An argument that a calculation cannot use.

    >>> str(MetrologyError("length_mm", -1, "a number above 0"))
    'length_mm is -1; allowed: a number above 0'
    """

    def __init__(self, argument: str, value: object, allowed: str) -> None:
        super().__init__(f"{argument} is {value!r}; allowed: {allowed}")
        self.argument = argument
        self.value = value
        self.allowed = allowed
