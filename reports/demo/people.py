"""The demo's people, all invented, and how they sign in.

Passwords and PINs are derived from the installation's secret key: nobody can guess them from this file, and the
loader can always write them down again.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass
from itertools import count
from typing import Final

from django.utils.crypto import salted_hmac

from fleet.pins import is_easily_guessed

KEY_SALT: Final = "reports.demo.people"
PIN_LENGTH: Final = 6
PASSWORD_GROUPS: Final = 4


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody in the demo; `operator` is the key of the operator they speak for."""

    key: str
    name: str
    email: str
    roles: tuple[str, ...]
    may_approve: bool = False
    operator: str | None = None

    @property
    def password(self) -> str:
        text = base64.b32encode(_derived("password", self.email)).decode().lower()
        return "-".join(text[start : start + 5] for start in range(0, 5 * PASSWORD_GROUPS, 5))

    @property
    def pin(self) -> str:
        """The first one derived that is not easily guessed."""
        tries = (_derived("pin", f"{self.email}:{number}") for number in count())
        pins = (str(int.from_bytes(each[:8], "big") % 10**PIN_LENGTH).zfill(PIN_LENGTH) for each in tries)
        return next(pin for pin in pins if not is_easily_guessed(pin))


def _derived(purpose: str, email: str) -> bytes:
    return salted_hmac(KEY_SALT, f"{purpose}:{email}", algorithm="sha256").digest()


MANAGER: Final = Person("manager", "Ines Tarrow", "ines.tarrow@tarnlane.example", ("manager", "technician"))
OTHERS: Final = (
    Person("deputy", "Bram Ellingsworth", "bram.ellingsworth@tarnlane.example", ("technician",), may_approve=True),
    Person("sunniva", "Sunniva Pell", "sunniva.pell@tarnlane.example", ("technician",)),
    Person("kofi", "Kofi Brandreth", "kofi.brandreth@tarnlane.example", ("technician",)),
    Person("auditor", "Petra Hollis-Nwosu", "petra.hollis-nwosu@tarnlane.example", ("auditor",)),
    Person(
        "contact",
        "Dara Whitmoor",
        "dara.whitmoor@northmere.example",
        ("operator_contact",),
        operator="ambulances",
    ),
    Person("quay", "Odile Marchfield", "odile.marchfield@skerrowport.example", ("operator_contact",), operator="port"),
    Person(
        "ranger",
        "Tomasin Kerrowby",
        "tomasin.kerrowby@tembariplains.example",
        ("operator_contact",),
        operator="lodge",
    ),
)
