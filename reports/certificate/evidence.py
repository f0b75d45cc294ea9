"""Page two: what the verdict rests on, after ISO/IEC 17025 7.8.2, 7.8.4 and 7.8.6."""

from __future__ import annotations

from django.utils.translation import gettext as _
from reportlab.platypus import Flowable, Paragraph, Spacer

from calibration.metrology.corners import CORNERS
from reports.drawing.quantities import MINUS, rounded
from reports.drawing.words import corner_name

from . import styles, texts
from .conclusion import last_state, measured_states
from .display import DASH, Display, corner_list
from .document import AxleTarget, Document, HeightState, InstrumentEntry, ReadinessEntry, Signature
from .work_record import work_record


def evidence(document: Document, width: float, renderer_version: str) -> list[Flowable]:
    return [
        styles.paragraph(_("How it was measured and decided"), styles.PART),
        *_specification(document),
        *_method(document),
        *_budget(document, width),
        *_instruments(document, width),
        *_readiness(document, width),
        *work_record(document, width),
        *_signatures(document, width),
        *_record(document, renderer_version),
    ]


def _specification(document: Document) -> list[Flowable]:
    specification, display = document.specification, Display.of(document)
    title = styles.section(_("Specification"))
    if specification is None:
        return [*title, styles.paragraph(_("None was at hand for this vehicle model."), styles.SMALL)]
    text = _(
        "Revision %(revision)s, in force from %(from)s. Source: %(kind)s, %(source)s. Measuring "
        "condition: %(condition)s. %(front)s. %(rear)s. Left minus right at most %(side)s. Settling "
        "allowance ± %(settling)s."
    ) % {
        "revision": specification.revision,
        "from": display.day(specification.effective_from),
        "kind": texts.wording(texts.SOURCE_KINDS, specification.source_kind),
        "source": specification.source,
        "condition": specification.measuring_condition,
        "front": _axle(_("Front"), specification.front, display),
        "rear": _axle(_("Rear"), specification.rear, display),
        "side": display.length_with_unit(specification.side_difference_max_mm),
        "settling": display.length_with_unit(specification.settling_mm),
    }
    return [
        *title,
        styles.paragraph(" ".join((text, *_control(document))), styles.SMALL),
        *_concession(document),
    ]


def _axle(name: str, axle: AxleTarget, display: Display) -> str:
    text = f"{name} {display.length(axle.target_mm)} ± {display.length_with_unit(axle.tolerance_mm)}"
    if axle.setpoint_low is None or axle.setpoint_high is None:
        return text
    band = _("set-points %(low)s to %(high)s") % {
        "low": display.counts(axle.setpoint_low),
        "high": display.counts(axle.setpoint_high),
    }
    return f"{text}, {band}"


def _control(document: Document) -> list[str]:
    """What the control unit can and cannot move."""
    specification = document.specification
    if specification is None:
        return []
    sentences = []
    uncontrolled = [corner for corner in CORNERS if corner not in specification.controlled_corners]
    if uncontrolled:
        sentences.append(_("Not controlled: %(corners)s.") % {"corners": corner_list(uncontrolled)})
    linked = _("One set-point for %(corners)s.")
    sentences += [linked % {"corners": corner_list(pair)} for pair in specification.linked_corners]
    if specification.setpoint_kind == "offset":
        sentences.append(_("Set-points are stored as offsets."))
    return sentences


def _concession(document: Document) -> list[Flowable]:
    concession, display = document.concession, Display.of(document)
    if concession is None:
        return []
    text = _(
        "Concession: targets front %(front)s, rear %(rear)s. Reason: %(reason)s Acknowledged by %(name)s, %(day)s."
    )
    values = {
        "front": display.length_with_unit(concession.front_target_mm),
        "rear": display.length_with_unit(concession.rear_target_mm),
        "reason": concession.reason,
        "name": concession.acknowledged_by,
        "day": display.day(concession.acknowledged_on),
    }
    return [Paragraph(styles.bold(text % values), styles.SMALL)]


def _method(document: Document) -> list[Flowable]:
    sentences = [texts.METHOD, texts.UNCERTAINTY, texts.DECISION_RULE]
    sentences += [texts.TRACEABILITY] if document.instruments else []
    body = " ".join(str(sentence) for sentence in sentences)
    return [*styles.section(_("Method, uncertainty and decision rule")), styles.paragraph(body, styles.SMALL)]


def _budget(document: Document, width: float) -> list[Flowable]:
    """Standard uncertainties of the last measurement by component, then the combined figures."""
    state = last_state(document)
    if state is None:
        return []
    unit = Display.of(document).length_unit_name
    head: list[styles.Cell] = [_("Uncertainty of the last measurement, in %(unit)s") % {"unit": unit}]
    head += [styles.paragraph(corner_name(corner), styles.HEAD_RIGHT) for corner in CORNERS]
    column = (width - 200.0) / 4
    rows = [*_component_rows(state, document), *_summary_rows(state, document)]
    table = styles.ruled_table([head], rows, [200.0, *[column] * 4], *styles.CLOSE)
    return [Spacer(0, 3), table, *_modes(document)]


def _modes(document: Document) -> list[Flowable]:
    """The attitude of the body, for those who look for its cause."""
    display, text = (
        Display.of(document),
        _("%(state)s: heave %(heave)s, pitch %(pitch)s, roll %(roll)s, warp %(warp)s."),
    )
    sentences = [
        text
        % {
            "state": title,
            "heave": display.length_with_unit(state.modes.heave_mm, signed=True),
            "pitch": display.length_with_unit(state.modes.pitch_mm, signed=True),
            "roll": display.length_with_unit(state.modes.roll_mm, signed=True),
            "warp": display.length_with_unit(state.modes.warp_mm, signed=True),
        }
        for title, state in measured_states(document)
        if state.modes is not None
    ]
    return [styles.paragraph(" ".join(sentences), styles.SMALL)] if sentences else []


def _component_rows(state: HeightState, document: Document) -> list[list[styles.Cell]]:
    names = dict.fromkeys(line.component for result in state.corners.values() for line in result.budget)
    return [[_name(texts.wording(texts.COMPONENTS, name)), *_component_cells(state, name, document)] for name in names]


def _component_cells(state: HeightState, name: str, document: Document) -> list[styles.Cell]:
    cells: list[styles.Cell] = []
    for corner in CORNERS:
        lines = state.corners[corner].budget if corner in state.corners else ()
        found = [line.standard_uncertainty_mm for line in lines if line.component == name]
        cells.append(_right(_fine(found[0], document) if found else DASH))
    return cells


def _fine(value_mm: float, document: Document) -> str:
    """One more decimal than heights, as the components are smaller."""
    return rounded(value_mm, 2) if document.units.length == "mm" else rounded(value_mm / 25.4, 3)


def _right(text: str) -> Paragraph:
    return styles.paragraph(text, styles.SMALL_RIGHT)


def _summary_rows(state: HeightState, document: Document) -> list[list[styles.Cell]]:
    results = [state.corners.get(corner) for corner in CORNERS]
    combined = [_fine(r.standard_uncertainty_mm, document) if r else DASH for r in results]
    factors = [_factor(r.coverage_factor, r.degrees_of_freedom) if r else DASH for r in results]
    expanded = [Display.of(document).length(r.expanded_uncertainty_mm) if r else DASH for r in results]
    counted = [f"{r.readings} / {r.rounds}{_median(r.estimator)}" if r else DASH for r in results]
    rows = [
        (_("Combined standard uncertainty"), combined),
        (_("Coverage factor k (degrees of freedom)"), factors),
        (_("Expanded uncertainty U"), expanded),
        (_("Readings / rounds pooled"), counted),
    ]
    if any(r is not None and r.conformance_probability is not None for r in results):
        chances = [_percent(r.conformance_probability) if r else DASH for r in results]
        rows.append((_("Probability of being within tolerance"), chances))
    return [[_name(name), *map(_right, values)] for name, values in rows]


def _name(text: str) -> Paragraph:
    return styles.paragraph(text, styles.SMALL)


def _factor(coverage_factor: float, degrees_of_freedom: float | None) -> str:
    dof = "∞" if degrees_of_freedom is None else rounded(degrees_of_freedom, 0)
    return f"{rounded(coverage_factor, 2)} ({dof})"


def _median(estimator: str) -> str:
    return f" {_('median')}" if estimator == "median" else ""


def _percent(probability: float | None) -> str:
    """Never a rounded 0 or 100 per cent: a measurement is never certain."""
    if probability is None:
        return DASH
    if probability > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if probability < 0.001 else f"{rounded(100 * probability, 1)} %"


def _instruments(document: Document, width: float) -> list[Flowable]:
    if not document.instruments:
        return []
    head = [_("Instrument"), _("Accuracy"), _("Resolution"), _("Calibrated"), _("Due"), _("Reference")]
    widths = [width * share for share in (0.22, 0.24, 0.12, 0.12, 0.12, 0.18)]
    rows = [_instrument_row(instrument, document) for instrument in document.instruments]
    return [*styles.section(_("Measuring instruments")), styles.ruled_table([head], rows, widths)]


def _instrument_row(instrument: InstrumentEntry, document: Document) -> list[styles.Cell]:
    display = Display.of(document)
    kind = texts.wording(texts.INSTRUMENT_KINDS, instrument.kind)
    cells = [
        f"{kind} {instrument.serial}",
        _accuracy(instrument, display),
        display.length_with_unit(instrument.resolution_mm),
        display.day(instrument.calibrated_on),
        display.day(instrument.calibration_due_on),
        instrument.calibration_reference or DASH,
    ]
    return [styles.markup(cell) for cell in cells]


def _accuracy(instrument: InstrumentEntry, display: Display) -> str:
    if instrument.accuracy_class:
        return _("accuracy class %(name)s") % {"name": instrument.accuracy_class}
    if instrument.certificate_expanded_uncertainty_mm is None:
        return _("class III assumed, u doubled")
    return _("certificate, U = %(u)s, k = %(k)s") % {
        "u": display.length_with_unit(instrument.certificate_expanded_uncertainty_mm),
        "k": rounded(instrument.certificate_coverage_factor or 2.0, 2),
    }


def _readiness(document: Document, width: float) -> list[Flowable]:
    """Three items side by side; a failed or undone one stands out by its word and weight."""
    if not document.readiness:
        return []
    cells: list[styles.Cell] = [_readiness_cell(entry) for entry in document.readiness]
    rows = [[*cells[start : start + 3], "", ""][:3] for start in range(0, len(cells), 3)]
    grid = styles.plain_table(rows, [width / 3] * 3, ("LEFTPADDING", (0, 0), (0, -1), 0), *styles.CLOSE)
    return [*styles.section(_("Readiness")), grid, *_checked_by(document), *_readiness_notes(document)]


def _readiness_cell(entry: ReadinessEntry) -> Paragraph:
    outcome = texts.wording(texts.READINESS_OUTCOMES, entry.outcome)
    item = texts.wording(texts.READINESS_ITEMS, entry.item)
    return Paragraph(f"{styles.markup(item)}: {styles.bold(outcome)}", styles.SMALL)


def _readiness_notes(document: Document) -> list[Flowable]:
    return [
        styles.bullet(f"{texts.wording(texts.READINESS_ITEMS, entry.item)}: {entry.note}", styles.SMALL_ITEM)
        for entry in document.readiness
        if entry.note
    ]


def _checked_by(document: Document) -> list[Flowable]:
    people = dict.fromkeys(entry.checked_by for entry in document.readiness if entry.checked_by)
    times = [entry.checked_at for entry in document.readiness if entry.checked_at is not None]
    if not people or not times:
        return []
    text = _("Checked by %(people)s, last %(when)s.")
    values = {"people": ", ".join(people), "when": Display.of(document).stamp(max(times))}
    return [styles.paragraph(text % values, styles.SMALL)]


def _signatures(document: Document, width: float) -> list[Flowable]:
    if not document.signatures:
        return []
    head = [_("Signed by"), _("Meaning"), _("When"), _("SHA-256 of what was signed")]
    widths = [width * share for share in (0.21, 0.19, 0.15, 0.45)]
    rows = [_signature_row(signature, document) for signature in document.signatures]
    return [*styles.section(_("Signatures")), styles.ruled_table([head], rows, widths)]


def _signature_row(signature: Signature, document: Document) -> list[styles.Cell]:
    role = texts.wording(texts.ROLES, signature.role)
    return [
        f"{styles.bold(signature.name)}, {styles.markup(role)}",
        styles.markup(texts.wording(texts.SIGNATURE_MEANINGS, signature.meaning)),
        styles.markup(Display.of(document).stamp(signature.signed_at)),
        styles.paragraph(signature.content_sha256, styles.HASH),
    ]


def _record(document: Document, renderer_version: str) -> list[Flowable]:
    """Closing lines, and a clear end (ISO/IEC 17025 7.8.2.1 d)."""
    lines = [
        *_remarks(document),
        *_replacement(document),
        *_ledger(document),
        *_colophon(document, renderer_version),
    ]
    end = _("End of %(kind)s no. %(number)s") % {
        "kind": texts.kind_title(document.kind).lower(),
        "number": document.number,
    }
    checkpoint = document.ledger.checkpoint if document.ledger else ""
    body: list[Flowable] = [styles.paragraph(" ".join(lines), styles.SMALL)]
    body += [styles.paragraph(_("Checkpoint:\n%(text)s") % {"text": checkpoint}, styles.SMALL)] if checkpoint else []
    return [*styles.section(_("Record")), *body, Paragraph(styles.bold(end), styles.SMALL)]


def _remarks(document: Document) -> list[str]:
    job = document.job
    lines = [_("Job note: %(note)s") % {"note": job.note}] if job.note else []
    lines += [_("Remark at sign-off: %(remark)s") % {"remark": job.remark}] if job.remark else []
    if document.single_person_workshop:
        lines.append(_("This workshop has one person, who approves alone where marked self-approved."))
    if document.photos:
        lines.append(_("Photographs kept with the record: %(count)s.") % {"count": document.photos})
    return lines


def _replacement(document: Document) -> list[str]:
    if not document.replaces:
        return []
    text = _("Replaces no. %(number)s. Reason: %(reason)s")
    return [text % {"number": document.replaces, "reason": document.replacement_reason or DASH}]


def _ledger(document: Document) -> list[str]:
    ledger = document.ledger
    if ledger is None:
        return []
    entry = _("Vehicle ledger, entry %(sequence)s, hash %(hash)s.")
    return [entry % {"sequence": ledger.sequence, "hash": ledger.entry_hash}]


def _colophon(document: Document, renderer_version: str) -> list[str]:
    lines = [
        _("Verify at %(url)s, code %(code)s.") % {"url": document.verification_url, "code": document.verification_code},
        _("Times are in UTC%(offset)s. Calculated by version %(calculation)s, drawn by version %(renderer)s.")
        % {
            "offset": _offset(document),
            "calculation": document.calculation_version or "–",
            "renderer": renderer_version,
        },
    ]
    if document.units.length == "inch":
        lines.append(_("Measured and recorded in mm; 1 in = 25.4 mm exactly."))
    return lines


def _offset(document: Document) -> str:
    """The offset of all times shown, +01:00; empty for UTC itself."""
    text = document.issued_at.isoformat()[-6:]
    return "" if text == "+00:00" else text.replace("-", MINUS)
