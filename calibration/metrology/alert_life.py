"""What becomes of alerts: one open alert per vehicle, place and kind; updated, never multiplied, resolved."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass
from typing import Literal, TypeVar

from .drift_alerts import AlertKind, Finding
from .errors import MetrologyError

Action = Literal["open", "update", "resolve"]
Reason = Literal["", "put_right", "checked", "record_revised", "overtaken"]
Key = tuple[int, AlertKind, str]


@dataclass(frozen=True, slots=True)
class StandingAlert:
    """An open alert: since which day, and the values that it shows."""

    kind: AlertKind
    vehicle: int
    place: str
    opened_day: float
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class AlertChange:
    """What is to be done; `reason` says why an alert is resolved, `values` are the new ones (the last ones then)."""

    action: Action
    kind: AlertKind
    vehicle: int
    place: str
    values: Mapping[str, float]
    reason: Reason = ""


def alert_changes(
    standing: Iterable[StandingAlert],
    findings: Iterable[Finding],
    put_right_day: Mapping[int, float],
    revised: Set[int] = frozenset(),
) -> list[AlertChange]:
    """What findings of now make of the alerts that stand: by vehicle, kind and place.

    A finding opens an alert, or updates the one there is. An alert whose finding is gone is resolved where the vehicle
    was put right since it opened, `overdue` where a check came, any where records behind it were struck or corrected.
    Otherwise it stays: a finding that a quiet measurement hides is not dealt with.

    Of a corner that is out of tolerance nothing is forecast: its `trend` is overtaken, and none is opened before that
    alert is resolved.

    Parameters
    ----------
    put_right_day : mapping
        Day of the last signed-off job or repair by vehicle.
    revised : set
        Vehicles whose series was replayed since, because a record was struck, corrected or came late.

    Raises
    ------
    MetrologyError
        If two alerts or two findings have the same vehicle, kind and place.

    Source: design, section 8.

    >>> alert = StandingAlert("trend", 7, "FL", 100.0, {"level_mm": 4.0})
    >>> [change.action for change in alert_changes([alert], [], {})]
    []
    >>> [(change.action, change.reason) for change in alert_changes([alert], [], {7: 120.0})]
    [('resolve', 'put_right')]
    >>> outside = Finding("out_of_tolerance", 7, "FL", {"level_mm": 9.0})
    >>> [(change.action, change.kind, change.reason) for change in alert_changes([alert], [outside], {})]
    [('open', 'out_of_tolerance', ''), ('resolve', 'trend', 'overtaken')]
    """
    open_alerts, found = _by_key("standing", standing), _by_key("findings", findings)
    ended: dict[Key, Reason] = {}
    for key in open_alerts.keys() - found.keys():
        if reason := _resolution(open_alerts[key], put_right_day, revised):
            ended[key] = reason
    overtaken = _overtaken_trends(found.keys() | (open_alerts.keys() - ended.keys()))
    ended.update(dict.fromkeys(overtaken & open_alerts.keys(), "overtaken"))
    changes = [
        AlertChange(
            "update" if key in open_alerts else "open", finding.kind, finding.vehicle, finding.place, finding.values
        )
        for key, finding in found.items()
        if key not in overtaken and (key not in open_alerts or not _same(open_alerts[key].values, finding.values))
    ]
    for key, reason in ended.items():
        alert = open_alerts[key]
        changes.append(AlertChange("resolve", alert.kind, alert.vehicle, alert.place, alert.values, reason))
    return sorted(changes, key=lambda change: (change.vehicle, change.kind, change.place))


def _overtaken_trends(keys: Set[Key]) -> Set[Key]:
    """The trends of corners that are, or by an alert that stands are known to be, out of tolerance."""
    outside = {(vehicle, place) for vehicle, kind, place in keys if kind == "out_of_tolerance"}
    return {key for key in keys if key[1] == "trend" and (key[0], key[2]) in outside}


def _resolution(alert: StandingAlert, put_right_day: Mapping[int, float], revised: Set[int]) -> Reason:
    if alert.kind == "overdue":
        return "checked"
    if put_right_day.get(alert.vehicle, float("-inf")) > alert.opened_day:
        return "put_right"
    return "record_revised" if alert.vehicle in revised else ""


def _same(first: Mapping[str, float], second: Mapping[str, float]) -> bool:
    """Equal values; nan is equal to itself here."""
    return first.keys() == second.keys() and all(
        first[name] == second[name] or (math.isnan(first[name]) and math.isnan(second[name])) for name in first
    )


Item = TypeVar("Item", StandingAlert, Finding)


def _by_key(argument: str, items: Iterable[Item]) -> dict[Key, Item]:
    by_key: dict[Key, Item] = {}
    for item in items:
        key = (item.vehicle, item.kind, item.place)
        if key in by_key:
            raise MetrologyError(argument, key, "one a vehicle, kind and place")
        by_key[key] = item
    return by_key
