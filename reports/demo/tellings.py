"""What is done at the visits that stories tell of."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Final

from .visit import Rest, Visit

HALL_DEG_C: Final = 14.0
FROST_DEG_C: Final = -6.0
LARGER_TYRE: Final = {"size": "285/70R17", "load_index": 117, "speed_symbol": "T", "pressure_kpa": 260}


def finish(visit: Visit) -> None:
    """Whatever the next step asks, until the work is signed off."""
    visit.follow()


def replace_a_sensor(visit: Visit) -> Iterator[Rest]:
    """The front-left corner does not answer to its first write: its sensor is dead."""
    visit.follow(until=["inspect"])
    visit.pause("Front-left height sensor gives no signal; a new one is ordered.")
    yield visit.until(days=2, hour=9)
    visit.simulated.repair("FL")
    visit.simulated.age({"FL": 6.0})
    visit.event("sensor_replaced", "FL", "Sensor and its connector renewed, fault memory cleared.")
    visit.resume("Part came with the morning delivery and is fitted.", nothing_changed=False)
    visit.follow()


def renew_a_worn_arm(visit: Visit) -> None:
    """What made the corner drift is found and mended before anything is written."""
    visit.follow(until=["propose", "sign_off", "settle_and_measure"])
    visit.after(timedelta(minutes=35))
    visit.simulated.repair("FL")
    visit.event("linkage_repaired", "FL", "Ball joint of the sensor's arm worn, arm renewed.")
    visit.follow()


def after_new_front_springs(visit: Visit) -> None:
    """New springs carry the body higher: what was known of these corners is over."""
    _renew_springs(visit, ("FL", "FR"))


def after_new_rear_springs(visit: Visit) -> None:
    """The same at the rear."""
    _renew_springs(visit, ("RL", "RR"))


def _renew_springs(visit: Visit, corners: tuple[str, str]) -> None:
    visit.after(timedelta(hours=2))
    for corner in corners:
        visit.event("spring_replaced", corner, "Bellows porous; the pair renewed.")
    visit.simulated.age(dict.fromkeys(corners, 12.0))
    visit.follow()


def misread(visit: Visit) -> None:
    """One reading of a pair is ten millimetres wrong, seen at once; another person strikes it."""
    visit.follow(until=["measure"])
    visit.measure(misread_mm={"RR": 10})
    visit.follow(until=["propose", "sign_off", "settle_and_measure"])
    visit.strike("kofi", "RR", "Read from the lip of the arch instead of the mark; checked together.")
    visit.follow()


def leaks(visit: Visit) -> None:
    """Adjusting repairs nothing: a vehicle that sinks is sent to be mended."""
    visit.check({"leakage": "Rear right down 14 mm in an hour with the engine off; soap bubbles at the line's union."})
    visit.measure()
    visit.after(timedelta(minutes=20))
    visit.end("Slow leak at the rear right line: to be mended first, then measured again.")


def sinks_in_the_cold(visit: Visit) -> Iterator[Rest]:
    """A night in the frost lets the whole vehicle down, and no corner leaks: the air was colder."""
    visit.follow(until=["measure"])
    yield from visit.test_overnight(HALL_DEG_C, FROST_DEG_C)
    visit.follow()


def leak_found_and_mended(visit: Visit) -> Iterator[Rest]:
    """In the same frost one corner sinks faster than the cold explains; after its repair a second night is quiet."""
    visit.follow(until=["measure"])
    yield from visit.test_overnight(HALL_DEG_C, FROST_DEG_C)
    visit.after(timedelta(minutes=50))
    visit.simulated.repair("RR")
    visit.event("leak_repaired", "RR", "Union at the spring chafed through, line renewed; no bubbles.")
    visit.after(timedelta(hours=5))
    yield from visit.test_overnight(HALL_DEG_C, FROST_DEG_C)
    visit.follow()


def wants_too_much(visit: Visit) -> None:
    """A proposal by hand beyond every limit is refused and kept; the computed one is written."""
    visit.follow(until=["propose"])
    visit.enter(
        dict.fromkeys(("FL", "FR", "RL", "RR"), 34),
        "The lodge asked for as much clearance as there is, for the river crossings.",
    )
    visit.follow()


def concession(visit: Visit) -> None:
    """Other targets than the specification's, acknowledged by the operator and approved by another person."""
    visit.follow(until=["propose", "sign_off", "settle_and_measure"])
    visit.ask_for_concession(
        562,
        580,
        "Recovery winch at the front and a second spare wheel: 14 mm more clearance on the approach tracks.",
        "Fleet office of the lodge",
    )
    visit.follow()


def fit_larger_tyres(visit: Visit) -> None:
    """Tyres of a size that the specification does not list: the manager rules on them."""
    visit.fit(LARGER_TYRE)
    visit.follow()


def measured_by_two(visit: Visit) -> None:
    """Two people read every corner three times, so that the workshop learns how well it measures."""
    visit.follow(until=["measure"])
    visit.measure(readers=("sunniva", "kofi"), readings=3)
    visit.follow()


def goes_back(visit: Visit) -> None:
    """After the first write the operator wants the earlier level back until the headlamps can be aimed."""
    visit.follow(until=["write"])
    visit.write(visit.standing)
    visit.follow(until=["sign_off", "propose"])
    visit.go_back("Needed on the night ferry before the headlamps can be aimed: earlier level restored.")
    visit.follow()


def waits_for_approval(visit: Visit) -> None:
    """The proposal stands, nobody has looked at it yet."""
    visit.follow(until=["get_approval"])


def waits_for_parts(visit: Visit) -> None:
    """As found is recorded; then a spring proves torn."""
    visit.follow(until=["propose"])
    visit.pause("Rear left spring bellows perished at the fold; ordered, expected in two days.")
