"""Setting a workshop up through the REST interface: people with their own passwords and PINs, models, vehicles."""

from __future__ import annotations

import itertools
import secrets
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.simulator.http_api import Api
from tests.simulator.http_technician import HttpTechnician

PIN = "4711"
_VIN_VALUES = dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", [*range(1, 9), *range(1, 6), 7, 9, *range(2, 10)], strict=True))
_VIN_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
UNUSED_MAKER = "0LB"
"""No region has 0 as the first character of its maker codes (ISO 3780)."""


@dataclass
class HttpWorkshop:
    """What a manager does before the first vehicle comes."""

    manager: Api
    tag: str = field(default_factory=lambda: secrets.token_hex(4))

    def __post_init__(self) -> None:
        self._numbers: Iterator[int] = itertools.count(secrets.randbelow(800_000))
        self._operator: str = ""

    def technician(self) -> HttpTechnician:
        """Somebody new with a tape of their own, who sets their own password and PIN."""
        number, password = next(self._numbers), secrets.token_urlsafe(18)
        email = f"technician-{self.tag}-{number}@workshop.example"
        invited = self.manager.post(
            "/people/", {"email": email, "name": f"Technician {number}", "roles": ["technician"]}
        )
        nobody = self.manager.as_person("")
        nobody.act(f"/invitations/{invited['invitation']}/acceptance/", {"password": password, "pin": PIN})
        signed_in = nobody.act("/tokens/", {"email": email, "password": password, "device": "tablet"})
        return HttpTechnician(self.manager.as_person(signed_in["token"]), self.manager, PIN, self.tape())

    def tape(self) -> str:
        """A steel tape of class II, calibrated last month."""
        today = datetime.now(UTC).date()
        body = {
            "serial": f"T-{self.tag}-{next(self._numbers)}",
            "kind": "tape",
            "accuracy_class": "II",
            "resolution_mm": 1,
            "length_mm": 3000,
            "calibrated_on": str(today - timedelta(days=30)),
            "calibration_due_on": str(today + timedelta(days=335)),
        }
        return str(self.manager.post("/instruments/", body)["id"])

    def model(self, name: str, specification: Mapping[str, Any]) -> str:
        """A vehicle model with its first specification revision."""
        body = {"make": "Brae", "name": f"{name} {self.tag}-{next(self._numbers)}", "year_from": 2020, "year_to": 2035}
        model = str(self.manager.post("/vehicle-models/", body)["id"])
        self.manager.post(f"/vehicle-models/{model}/specifications/", specification)
        return model

    def vehicle(self, model: str) -> str:
        """A vehicle's VIN."""
        number = next(self._numbers)
        body = {
            "vin": vin(number),
            "registration": f"SIM {number}",
            "vehicle_model": model,
            "model_year": 2024,
            "operator": self._the_operator(),
        }
        return str(self.manager.post("/vehicles/", body)["vin"])

    def _the_operator(self) -> str:
        if not self._operator:
            body = {"name": f"Operator {self.tag}", "email": f"operator-{self.tag}@workshop.example"}
            self._operator = str(self.manager.post("/operators/", body)["id"])
        return self._operator


def vin(number: int) -> str:
    """A VIN of an unused maker code with its right check digit (49 CFR 565.15(c))."""
    text = f"{UNUSED_MAKER}WSM000RS{number:06d}"
    values = [int(c) if c.isdigit() else _VIN_VALUES[c] for c in text]
    remainder = sum(value * weight for value, weight in zip(values, _VIN_WEIGHTS, strict=True)) % 11
    return text[:8] + ("X" if remainder == 10 else str(remainder)) + text[9:]
