"""Which vehicle, for whom, which job."""

from __future__ import annotations

from django.utils.translation import gettext as _
from reportlab.platypus import Flowable

from calibration.metrology.corners import CORNERS, Corner

from . import styles, texts
from .display import DASH, Display, corner_list
from .document import Document, Party, Tyre

Fact = tuple[str, str]
"""A label, and a value as markup."""

_LABEL = 58.0


def facts(document: Document, width: float) -> list[Flowable]:
    """The vehicle at the left, the job at the right, a note on the vehicle's identity below."""
    columns: list[styles.Cell] = [_column(column, width / 2) for column in (_vehicle(document), _job(document))]
    table = styles.plain_table([columns], [width / 2] * 2, *styles.NO_PADDING)
    return [table, *([styles.paragraph(document.vehicle.note)] if document.vehicle.note else [])]


def _column(column: list[Fact], width: float) -> Flowable:
    rows: list[list[styles.Cell]] = [[styles.paragraph(label, styles.SOFT), value] for label, value in column]
    return styles.plain_table(rows, [_LABEL, width - _LABEL], ("LEFTPADDING", (0, 0), (0, -1), 0), *styles.CLOSE)


def _vehicle(document: Document) -> list[Fact]:
    vehicle, display = document.vehicle, Display.of(document)
    year = f" ({vehicle.model_year})" if vehicle.model_year else ""
    column = [
        (_("Vehicle"), styles.bold(f"{vehicle.make} {vehicle.model}{year}".strip())),
        (_("VIN"), styles.bold(vehicle.vin)),
        (_("Registration"), styles.markup(vehicle.registration or DASH)),
        (_("Odometer"), styles.markup(display.odometer(vehicle.odometer_km))),
        (_("Tyres"), styles.markup(_tyres(document))),
    ]
    if document.specification is not None:
        column.append((_("Condition"), styles.markup(document.specification.measuring_condition)))
    return column


def _job(document: Document) -> list[Fact]:
    job, display = document.job, Display.of(document)
    done = ", ".join(part for part in (display.days(job.opened_at, job.closed_at), job.place) if part)
    return [
        *_operator(document.operator),
        (_("Job"), styles.markup(f"{job.number}, {texts.wording(texts.REASONS, job.reason)}")),
        (_("Received"), styles.markup(display.stamp(job.opened_at))),
        (_("Work done"), styles.markup(done)),
        (_("Done by"), styles.markup(", ".join(_workers(document)) or DASH)),
    ]


def _workers(document: Document) -> list[str]:
    """Everybody who checked, measured or wrote, in the order in which they first did."""
    checked = [(entry.checked_at, entry.checked_by) for entry in document.readiness if entry.checked_at is not None]
    measured = [(entry.taken_at, entry.measured_by) for entry in document.counted_rounds]
    read = [
        (entry.taken_at, reading.measured_by)
        for entry in document.counted_rounds
        for reading in entry.readings
        if reading.measured_by
    ]
    written = [(entry.written_at, entry.written_by) for entry in document.counted_writes]
    done = sorted([*checked, *measured, *read, *written], key=lambda each: each[0])
    return list(dict.fromkeys(name for _when, name in done if name))


def _operator(operator: Party | None) -> list[Fact]:
    if operator is None:
        return [(_("Operator"), DASH)]
    known = [
        (_("Address"), ", ".join(operator.address)),
        (_("Telephone"), operator.telephone),
        (_("E-mail"), operator.email),
    ]
    name = (_("Operator"), styles.bold(operator.name))
    return [name, *((label, styles.markup(value)) for label, value in known if value)]


def _tyres(document: Document) -> str:
    """Equal tyres are named once."""
    display = Display.of(document)
    groups: dict[str, list[Corner]] = {}
    for corner in CORNERS:
        if corner in document.tyres:
            groups.setdefault(_tyre(document.tyres[corner], display), []).append(corner)
    if not groups:
        return DASH
    if len(groups) == 1 and len(document.tyres) == len(CORNERS):
        return _("%(tyre)s, all four") % {"tyre": next(iter(groups))}
    return "\n".join(f"{corner_list(corners)}: {tyre}" for tyre, corners in groups.items())


def _tyre(tyre: Tyre, display: Display) -> str:
    service = f"{tyre.load_index}{tyre.speed_symbol}"
    parts = [f"{tyre.size} {service}".strip()]
    if tyre.pressure_kpa is not None:
        parts.append(display.pressure(tyre.pressure_kpa))
    if tyre.tread_mm is not None:
        parts.append(_("tread %(depth)s") % {"depth": display.length_with_unit(tyre.tread_mm)})
    return ", ".join(parts)
