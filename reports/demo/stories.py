"""The demo's vehicles and what happens to them. All of it is invented; the heights come from simulated vehicles."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from .clock import bay_day, working_day
from .visit import Visit

Errors = Mapping[str, float]
"""How far corners are off their targets on arrival, mm."""
Telling = Callable[[Visit], None]


@dataclass(frozen=True, slots=True)
class Scene:
    """One visit of a story: when, by whom, why; `ages_mm`: what happened to the heights since the last one."""

    days_ago: int
    hour: int
    technician: str
    reason: str
    odometer_km: int
    telling: Telling
    note: str = ""
    ages_mm: Errors = field(default_factory=dict)
    in_the_bay: bool = False

    def starts_at(self, now: datetime) -> datetime:
        """On a working day in the past, seldom on the hour; a vehicle that is still here came on the last one."""
        days = bay_day(now) if self.in_the_bay else self.days_ago
        return working_day(now, days, self.hour, 7 * (self.odometer_km % 8))


@dataclass(frozen=True, slots=True)
class Story:
    """One vehicle. `vin` is complete but for its check digit, which position 9 leaves open as 0."""

    key: str
    model: str
    operator: str
    registration: str
    model_year: int
    serial: str
    scenes: tuple[Scene, ...]
    errors_mm: Errors = field(default_factory=dict)
    faulty: tuple[str, str] | None = None
    """A corner and its fault."""


def _finish(visit: Visit) -> None:
    """Whatever the next step asks, until the work is signed off."""
    visit.follow()


def _replace_a_sensor(visit: Visit) -> None:
    """The front-left corner does not answer to its first write: its sensor is dead."""
    visit.follow(until=["inspect"])
    visit.pause("Front-left height sensor gives no signal; a new one is ordered.")
    visit.until(days=2, hour=9)
    visit.simulated.repair("FL")
    visit.simulated.age({"FL": 6.0})
    visit.event("sensor_replaced", "FL", "Sensor and its connector renewed, fault memory cleared.")
    visit.resume("Part came with the morning delivery and is fitted.", nothing_changed=False)
    visit.follow()


def _misread(visit: Visit) -> None:
    """One reading of a pair is ten millimetres wrong, seen at once; another person strikes it."""
    visit.follow(until=["measure"])
    visit.measure(misread_mm={"RR": 10})
    visit.follow(until=["propose", "sign_off", "settle_and_measure"])
    visit.strike("kofi", "RR", "Read from the lip of the arch instead of the mark; checked together.")
    visit.follow()


def _leaks(visit: Visit) -> None:
    """Adjusting repairs nothing: a vehicle that sinks is sent to be mended."""
    visit.check({"leakage": "Rear right down 14 mm in an hour with the engine off; soap bubbles at the line's union."})
    visit.measure()
    visit.after(timedelta(minutes=20))
    visit.end("Slow leak at the rear right line: to be mended first, then measured again.")


def _wants_too_much(visit: Visit) -> None:
    """A proposal by hand beyond every limit is refused and kept; the computed one is written."""
    visit.follow(until=["propose"])
    visit.enter(
        dict.fromkeys(("FL", "FR", "RL", "RR"), 34),
        "The lodge asked for as much clearance as there is, for the river crossings.",
    )
    visit.follow()


def _concession(visit: Visit) -> None:
    """Other targets than the specification's, acknowledged by the operator and approved by another person."""
    visit.follow(until=["propose", "sign_off", "settle_and_measure"])
    visit.ask_for_concession(
        562,
        580,
        "Recovery winch at the front and a second spare wheel: 14 mm more clearance on the approach tracks.",
        "Fleet office of the lodge",
    )
    visit.follow()


def _goes_back(visit: Visit) -> None:
    """After the first write the operator wants the earlier level back until the headlamps can be aimed."""
    visit.follow(until=["write"])
    visit.write(visit.standing)
    visit.follow(until=["sign_off", "propose"])
    visit.go_back("Needed on the night ferry before the headlamps can be aimed: earlier level restored.")
    visit.follow()


def _waits_for_approval(visit: Visit) -> None:
    visit.follow(until=["get_approval"])


def _waits_for_parts(visit: Visit) -> None:
    """As found is recorded; then a spring proves torn."""
    visit.follow(until=["propose"])
    visit.pause("Rear left spring bellows perished at the fold; ordered, expected in two days.")


STORIES: Final[tuple[Story, ...]] = (
    Story(
        key="a year with one ambulance",
        model="ambulance",
        operator="ambulances",
        registration="NA 318",
        model_year=2022,
        serial="100318",
        errors_mm={"RL": -17.0, "FR": 2.0},
        scenes=(
            Scene(402, 9, "sunniva", "complaint", 61240, _finish, "Leans to the left when parked at the station."),
            Scene(215, 10, "kofi", "routine", 79810, _finish, ages_mm={"RL": -1.5, "RR": -1.0}),
            Scene(31, 9, "sunniva", "routine", 97655, _finish, ages_mm={"RL": -13.0, "RR": -15.0}),
        ),
    ),
    Story(
        key="a replaced sensor",
        model="ambulance",
        operator="ambulances",
        registration="NA 324",
        model_year=2023,
        serial="100324",
        errors_mm={"FL": -21.0, "RR": 3.0},
        faulty=("FL", "dead"),
        scenes=(Scene(159, 8, "kofi", "complaint", 40933, _replace_a_sensor, "Warning lamp on, front left low."),),
    ),
    Story(
        key="air at the rear only",
        model="courier",
        operator="ambulances",
        registration="NA 402",
        model_year=2021,
        serial="200402",
        errors_mm={"FL": -14.0, "RL": 16.0, "RR": 14.0},
        scenes=(Scene(118, 11, "sunniva", "routine", 88120, _finish, "Patient transport; steel springs in front."),),
    ),
    Story(
        key="a misreading",
        model="estate",
        operator="ambulances",
        registration="NA 511",
        model_year=2024,
        serial="300511",
        errors_mm={"FL": 13.0, "FR": 12.0},
        scenes=(Scene(87, 13, "sunniva", "tyre_change", 23504, _misread),),
    ),
    Story(
        key="a slow leak",
        model="shuttle",
        operator="port",
        registration="SFP 7",
        model_year=2020,
        serial="400007",
        errors_mm={"RL": -9.0, "RR": -9.0},
        scenes=(Scene(64, 9, "kofi", "complaint", 120877, _leaks, "Stands lower every morning."),),
    ),
    Story(
        key="left alone",
        model="estate",
        operator="port",
        registration="SFP 12",
        model_year=2023,
        serial="300012",
        errors_mm={"FL": 1.0, "RR": -1.5},
        scenes=(Scene(52, 10, "kofi", "routine", 34410, _finish),),
    ),
    Story(
        key="one sensor for the rear axle",
        model="shuttle",
        operator="port",
        registration="SFP 9",
        model_year=2022,
        serial="400009",
        errors_mm={"RL": 15.0, "RR": 15.0},
        scenes=(Scene(43, 8, "sunniva", "control_unit_replaced", 66002, _finish),),
    ),
    Story(
        key="back to where it was",
        model="estate",
        operator="port",
        registration="SFP 15",
        model_year=2024,
        serial="300015",
        errors_mm={"FL": -16.0, "FR": -15.0, "RL": -14.0, "RR": -16.0},
        scenes=(Scene(36, 12, "kofi", "complaint", 18230, _goes_back),),
    ),
    Story(
        key="more than the limits allow",
        model="safari",
        operator="lodge",
        registration="TPL 2",
        model_year=2021,
        serial="500002",
        errors_mm={"RL": -15.0, "RR": -13.0},
        scenes=(Scene(24, 10, "sunniva", "spring_replaced", 71990, _wants_too_much),),
    ),
    Story(
        key="a concession",
        model="safari",
        operator="lodge",
        registration="TPL 5",
        model_year=2022,
        serial="500005",
        errors_mm={"FL": 1.0, "RR": -2.0},
        scenes=(Scene(17, 8, "kofi", "complaint", 55218, _concession, "Grounds on the approach tracks."),),
    ),
    Story(
        key="an approval waiting",
        model="safari",
        operator="lodge",
        registration="TPL 6",
        model_year=2024,
        serial="500006",
        errors_mm={"FL": 24.0, "FR": 23.0, "RL": 21.0, "RR": 24.0},
        scenes=(Scene(1, 13, "sunniva", "routine", 21047, _waits_for_approval, in_the_bay=True),),
    ),
    Story(
        key="waiting for parts",
        model="ambulance",
        operator="ambulances",
        registration="NA 330",
        model_year=2024,
        serial="100330",
        errors_mm={"RL": -19.0},
        scenes=(Scene(1, 9, "kofi", "complaint", 12664, _waits_for_parts, in_the_bay=True),),
    ),
)
