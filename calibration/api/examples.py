"""Examples of bodies for the schema. Vehicles and people are invented."""

from __future__ import annotations

from typing import Any, Final

from drf_spectacular.utils import OpenApiExample

VIN: Final = "0LBWAGNX6RA000001"
TAPE: Final = "019b1d2e-0000-7000-8000-000000000001"
PROPOSAL: Final = "019b1d2e-0000-7000-8000-000000000002"
FINDING: Final = "019b1d2e-0000-7000-8000-000000000003"
CLIENT_MADE: Final = "019b1d2e-0000-7000-8000-00000000000a"
SHOWN: Final = "6b86b273ff34fce19d6b804eff5a3f5747ada4eaa22f1d49c01e52ddb7875b4b"
SETPOINTS: Final = {"FL": 128, "FR": 131, "RL": 119, "RR": 122}


def _body(name: str, value: dict[str, Any]) -> OpenApiExample:
    return OpenApiExample(name, value, request_only=True)


def _readings(**heights: tuple[float, float]) -> list[dict[str, Any]]:
    return [{"corner": corner, "height_mm": height} for corner, pair in heights.items() for height in pair]


JOBS: Final = {
    "create": [
        _body(
            "after a repair",
            {"id": CLIENT_MADE, "vehicle": VIN, "reason": "sensor_replaced", "odometer_km": 48210.5},
        )
    ],
    "pause": [_body("waiting", {"reason": "Linkage rod ordered, expected on Thursday."})],
    "resumption": [
        _body("as it was left", {"reason": "Rod has arrived.", "setpoints": SETPOINTS, "nothing_changed": True})
    ],
    "end": [_body("sent away", {"reason": "Air spring leaks; repair declined.", "setpoints": SETPOINTS})],
    "refiling": [_body("wrong vehicle", {"vehicle": VIN, "reason": "Label of the neighbouring vehicle was scanned."})],
    "sign_off": [_body("complete", {"pin": "4711", "content_sha256": SHOWN, "remark": "Road test done."})],
}
READINESS: Final = {
    "create": [
        _body(
            "two items",
            {"checks": {"floor": {"outcome": "pass"}, "leakage": {"outcome": "fail", "note": "Hissing at RR."}}},
        )
    ]
}
ROUNDS: Final = {
    "create": [
        _body(
            "as found",
            {
                "id": CLIENT_MADE,
                "taken_at": "2026-05-04T09:30:00+02:00",
                "instrument": TAPE,
                "temperature_deg_c": 18.5,
                "settled": True,
                "setpoints": SETPOINTS,
                "readings": _readings(FL=(497, 498), FR=(487, 486), RL=(503, 504), RR=(505, 505)),
            },
        )
    ]
}
CHECKS: Final = {
    "create": [
        _body(
            "by the driver",
            {
                "id": CLIENT_MADE,
                "taken_at": "2026-07-06T06:40:00+02:00",
                "odometer_km": 51830,
                "loading": "as_specified",
                "readings": [
                    {"corner": "FL", "height_mm": 489},
                    {"corner": "FR", "height_mm": 487},
                    {"corner": "RL", "height_mm": 501},
                    {"corner": "RR", "height_mm": 504},
                ],
            },
        )
    ]
}
READINGS: Final = {
    "create": [
        _body(
            "read again",
            {"readings": [{"corner": "FL", "height_mm": 497}, {"corner": "FL", "height_mm": 497.5}]},
        )
    ],
    "strike": [_body("slip", {"reason": "Read at the wrong mark.", "replacement": {"height_mm": 497}})],
}
PHOTOS: Final = {
    "create": [
        OpenApiExample("picture", {"file": "(the picture)"}, request_only=True, media_type="multipart/form-data")
    ]
}
PROPOSALS: Final = {
    "create": [
        _body("computed", {}),
        _body(
            "entered by hand",
            {"setpoints": {**SETPOINTS, "FL": 118}, "justification": "Manufacturer's bulletin for this sensor."},
        ),
    ]
}
CONCESSIONS: Final = {
    "create": [
        _body(
            "lowered for a ferry ramp",
            {
                "front_target_mm": 478,
                "rear_target_mm": 496,
                "reason": "Ramp clearance at the operator's port.",
                "acknowledged_by": "Ines Falk, fleet office",
                "acknowledged_on": "2026-05-03",
            },
        )
    ]
}
REVERSIONS: Final = {"create": [_body("go back", {"reason": "The operator wants the earlier height."})]}
WRITES: Final = {
    "create": [
        _body(
            "as proposed",
            {
                "id": CLIENT_MADE,
                "proposal": PROPOSAL,
                "written_at": "2026-05-04T09:52:00+02:00",
                "read_back": {**SETPOINTS, "FL": 116},
            },
        )
    ]
}
LEAK_TESTS: Final = {
    "create": [
        _body(
            "over night",
            {
                "id": CLIENT_MADE,
                "instrument": TAPE,
                "start": {
                    "at": "2026-05-04T17:30:00+02:00",
                    "temperature_deg_c": 20,
                    "heights": {"FL": 486, "FR": 487, "RL": 504, "RR": 503},
                },
                "end": {
                    "at": "2026-05-05T07:30:00+02:00",
                    "temperature_deg_c": 10,
                    "heights": {"FL": 475, "FR": 477, "RL": 470, "RR": 493},
                },
            },
        )
    ]
}
RULINGS: Final = {
    "create": [
        _body(
            "overdue tape",
            {
                "finding": FINDING,
                "decision": "accept",
                "reason": "Compared with the reference rule today: no difference.",
            },
        )
    ]
}
APPROVALS: Final = {
    "decision": [
        _body("approve", {"decision": "approve", "reason": "Within what the sensor allows.", "content_sha256": SHOWN})
    ]
}
VEHICLES: Final = {
    "create": [_body("after a body repair", {"corners": ["RL", "RR"], "reason": "Rear subframe replaced."})]
}
