"""Every reading of every round, struck ones too, with the set-points stored at the time."""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.translation import gettext as _
from reportlab.platypus import Flowable

from calibration.metrology.corners import CORNERS, Corner
from reports.drawing.quantities import rounded
from reports.drawing.words import corner_name

from . import styles, texts
from .display import DASH, Display
from .document import Document, HeightState, ReadingEntry, RoundEntry

_READINGS_IN_ROW = 12
"""More go on in another row, so that every row fits on a page."""

_NUMBER, _ABOUT = 18.0, 178.0

Source = tuple[str, str]
"""Who took a reading with which instrument, where that differs from the round's."""


def round_table(document: Document, width: float) -> list[Flowable]:
    if not document.rounds:
        return []
    writer = _Rows(document, Display.of(document), _other_sources(document))
    title = _("Every reading, in %(unit)s, with the set-points stored at the time")
    head = [_("No."), _("When, who"), *map(corner_name, CORNERS)]
    rows = [row for entry in document.rounds for row in writer.of_round(entry)]
    widths = [_NUMBER, _ABOUT, *[(width - _NUMBER - _ABOUT) / 4] * 4]
    table = styles.small_table([head], rows, widths, ("RIGHTPADDING", (0, 0), (-1, -1), 1))
    heading = title % {"unit": writer.display.length_unit_name}
    return styles.section(heading, [table, *_legend(writer.sources)], width)


def _other_sources(document: Document) -> dict[Source, int]:
    """Numbered in the order of their first reading."""
    readings = [reading for entry in document.rounds for reading in entry.readings]
    sources = dict.fromkeys((reading.measured_by, reading.instrument) for reading in readings)
    return {source: number for number, source in enumerate(filter(any, sources), start=1)}


def _legend(sources: dict[Source, int]) -> list[Flowable]:
    entries = [f"[{number}] {', '.join(filter(None, source))}" for source, number in sources.items()]
    return [styles.paragraph("; ".join(entries), styles.SMALL)] if entries else []


@dataclass(frozen=True, slots=True)
class _Rows:
    document: Document
    display: Display
    sources: dict[Source, int]

    def of_round(self, entry: RoundEntry) -> list[list[styles.Cell]]:
        of_corner = {corner: [r for r in entry.readings if r.corner == corner] for corner in CORNERS}
        longest = max(1, *(len(readings) for readings in of_corner.values()))
        return [self._row(entry, of_corner, start) for start in range(0, longest, _READINGS_IN_ROW)]

    def _row(self, entry: RoundEntry, of_corner: dict[Corner, list[ReadingEntry]], start: int) -> list[styles.Cell]:
        part = slice(start, start + _READINGS_IN_ROW)
        cells = [self._cell(of_corner[corner][part], entry.setpoints.get(corner)) for corner in CORNERS]
        return [str(entry.number), _("continued") if start else self._about(entry), *cells]

    def _about(self, entry: RoundEntry) -> str:
        when = f"{self.display.stamp(entry.taken_at)}, {entry.measured_by}"
        return styles.markup("; ".join([when, *self._instrument(entry), *self._uses(entry), *_circumstances(entry)]))

    def _instrument(self, entry: RoundEntry) -> list[str]:
        """Named where there are several to choose from."""
        return [entry.instrument] if len(self.document.instruments) != 1 else []

    def _uses(self, entry: RoundEntry) -> list[str]:
        """Whether the round is part of what was found, or of what was left."""
        left = _("as left") if self.document.kind == "certificate" else _("last measured")
        named = ((_("as found"), self.document.as_found), (left, self.document.as_left))
        return [name for name, state in named if _pools(state, entry)]

    def _cell(self, readings: list[ReadingEntry], setpoint: int | None) -> str:
        listed = ", ".join(map(self._reading, readings)) or DASH
        if setpoint is None:
            return listed
        stored = _("at %(counts)s") % {"counts": self.display.counts(setpoint)}
        return f"{listed} {styles.markup(stored)}"

    def _reading(self, reading: ReadingEntry) -> str:
        text = styles.markup(self.display.length(reading.height_mm))
        struck = _("struck")
        text = f"<strike>{text}</strike> {styles.markup(struck)}" if reading.struck else text
        number = self.sources.get((reading.measured_by, reading.instrument))
        return text if number is None else f"{text} [{number}]"


def _pools(state: HeightState | None, entry: RoundEntry) -> bool:
    return state is not None and entry.number in state.rounds


def _circumstances(entry: RoundEntry) -> list[str]:
    notes = [] if entry.settled else [_("not settled, not judged")]
    if entry.settling_cut_short_s is not None:
        notes.append(_("settling cut short after %(seconds)s s") % {"seconds": entry.settling_cut_short_s})
    if entry.ride_position != "normal":
        position = texts.wording(texts.RIDE_POSITIONS, entry.ride_position)
        notes.append(_("ride position %(position)s, not judged") % {"position": position})
    if entry.temperature_deg_c is not None:
        notes.append(f"{rounded(entry.temperature_deg_c, 0)}\u00a0°C")
    if entry.repeats is not None:
        notes.append(_("round %(number)s received once more, not counted") % {"number": entry.repeats})
    return notes + ([_("from paper")] if entry.from_paper else [])
