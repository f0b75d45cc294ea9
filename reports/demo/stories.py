"""The demo's vehicles and what happens to them. All of it is invented; the heights come from simulated vehicles.

Here is what can happen at a visit; what happens between visits is told in `fleet_stories`.
"""

from __future__ import annotations

from typing import Final

from .fleet_stories import FLEET_STORIES
from .scenes import Answer, Check, Job, Season, Story
from .tellings import (
    concession,
    finish,
    goes_back,
    leaks,
    misread,
    replace_a_sensor,
    waits_for_approval,
    waits_for_parts,
    wants_too_much,
)

FIRST_STORIES: Final[tuple[Story, ...]] = (
    Story(
        key="a year with one ambulance",
        model="ambulance",
        operator="ambulances",
        registration="NA 318",
        model_year=2022,
        serial="100318",
        errors_mm={"RL": -17.0, "FR": 2.0},
        scenes=(
            Job(402, 9, "sunniva", 61240, "complaint", finish, "Leans to the left when parked at the station."),
            Job(215, 10, "kofi", 79810, "routine", finish, ages_mm={"RL": -1.5, "RR": -1.0}),
            Check(122, 7, "contact", 88310, "Measured at the station before the early shift."),
            Job(31, 9, "sunniva", 97655, "routine", finish, ages_mm={"RL": -13.0, "RR": -15.0}),
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
        scenes=(Job(159, 8, "kofi", 40933, "complaint", replace_a_sensor, "Warning lamp on, front left low."),),
    ),
    Story(
        key="air at the rear only",
        model="courier",
        operator="ambulances",
        registration="NA 402",
        model_year=2021,
        serial="200402",
        errors_mm={"FL": -14.0, "RL": 16.0, "RR": 14.0},
        scenes=(
            Job(118, 11, "sunniva", 88120, "routine", finish, "Patient transport; steel springs in front."),
            Answer(115, 9, "manager", 88120, note="Steel spring front left has sagged; a pair is on order."),
        ),
    ),
    Story(
        key="a misreading",
        model="estate",
        operator="ambulances",
        registration="NA 511",
        model_year=2024,
        serial="300511",
        errors_mm={"FL": 13.0, "FR": 12.0},
        scenes=(Job(87, 13, "sunniva", 23504, "tyre_change", misread),),
    ),
    Story(
        key="a slow leak",
        model="shuttle",
        operator="port",
        registration="SFP 7",
        model_year=2020,
        serial="400007",
        errors_mm={"RL": -9.0, "RR": -9.0},
        scenes=(Job(64, 9, "kofi", 120877, "complaint", leaks, "Stands lower every morning."),),
    ),
    Story(
        key="left alone",
        model="estate",
        operator="port",
        registration="SFP 12",
        model_year=2023,
        serial="300012",
        errors_mm={"FL": 1.0, "RR": -1.5},
        scenes=(Job(52, 10, "kofi", 34410, "routine", finish),),
    ),
    Story(
        key="one sensor for the rear axle",
        model="shuttle",
        operator="port",
        registration="SFP 9",
        model_year=2022,
        serial="400009",
        errors_mm={"RL": 15.0, "RR": 15.0},
        scenes=(Job(43, 8, "sunniva", 66002, "control_unit_replaced", finish),),
    ),
    Story(
        key="back to where it was",
        model="estate",
        operator="port",
        registration="SFP 15",
        model_year=2024,
        serial="300015",
        errors_mm={"FL": -16.0, "FR": -15.0, "RL": -14.0, "RR": -16.0},
        scenes=(
            Job(36, 12, "kofi", 18230, "complaint", goes_back),
            Answer(34, 16, "manager", 18230, note="Left low on purpose until the headlamps can be aimed; booked in."),
        ),
    ),
    Story(
        key="more than the limits allow",
        model="safari",
        operator="lodge",
        registration="TPL 2",
        model_year=2021,
        serial="500002",
        errors_mm={"RL": -15.0, "RR": -13.0},
        scenes=(Job(24, 10, "sunniva", 71990, "spring_replaced", wants_too_much),),
    ),
    Story(
        key="a concession",
        model="safari",
        operator="lodge",
        registration="TPL 5",
        model_year=2022,
        serial="500005",
        errors_mm={"FL": 1.0, "RR": -2.0},
        scenes=(Job(17, 8, "kofi", 55218, "complaint", concession, "Grounds on the approach tracks."),),
    ),
    Story(
        key="an approval waiting",
        model="safari",
        operator="lodge",
        registration="TPL 6",
        model_year=2024,
        serial="500006",
        errors_mm={"FL": 24.0, "FR": 23.0, "RL": 21.0, "RR": 24.0},
        scenes=(Job(1, 13, "sunniva", 21047, "routine", waits_for_approval, season=Season.IN_THE_BAY),),
    ),
    Story(
        key="waiting for parts",
        model="ambulance",
        operator="ambulances",
        registration="NA 330",
        model_year=2024,
        serial="100330",
        errors_mm={"RL": -19.0},
        scenes=(Job(1, 9, "kofi", 12664, "complaint", waits_for_parts, season=Season.IN_THE_BAY),),
    ),
)

STORIES: Final = (*FIRST_STORIES, *FLEET_STORIES)
