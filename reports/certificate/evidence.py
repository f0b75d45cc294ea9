"""Page two: what the verdict rests on, after ISO/IEC 17025 7.8.2, 7.8.4 and 7.8.6."""

from __future__ import annotations

from django.utils.translation import gettext as _
from reportlab.platypus import Flowable, Paragraph

from calibration.metrology.corners import CORNERS
from reports.drawing.quantities import rounded

from . import styles, texts
from .closing import closing, signatures
from .consequences import consequences
from .display import Display, corner_list
from .document import AxleTarget, Document, InstrumentEntry, ReadinessEntry, SpecificationSummary
from .proof import Proof
from .record import record
from .uncertainty_table import uncertainty_budget
from .work_record import work_record

_FIRM = "\N{NO-BREAK SPACE}"


def evidence(document: Document, width: float, renderer_version: str, proof: Proof | None) -> list[list[Flowable]]:
    """One list for each section; where there is nothing to say it is left out."""
    sections = [
        _specification(document, width),
        [*_method(document, width), *uncertainty_budget(document, width), *consequences(document)],
        _instruments_and_readiness(document, width),
        *work_record(document, width),
        closing(document, width),
        signatures(document, width),
        record(document, width, renderer_version, proof),
    ]
    return [section for section in sections if section]


def _specification(document: Document, width: float) -> list[Flowable]:
    specification, display = document.specification, Display.of(document)
    title, part = _("Specification"), _("How it was measured and decided")
    if specification is None:
        none = styles.paragraph(_("None was at hand for this vehicle model."), styles.SMALL)
        return styles.section(title, [none], width, part)
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
    words = styles.paragraph(" ".join((text, *_control(specification))), styles.SMALL)
    return styles.section(title, [words, *_concession(document)], width, part)


def _axle(name: str, axle: AxleTarget, display: Display) -> str:
    text = f"{name} {display.length(axle.target_mm)} ± {display.length_with_unit(axle.tolerance_mm)}".replace(
        " ", _FIRM
    )
    if axle.setpoint_low is None or axle.setpoint_high is None:
        return text
    band = _("set-points %(low)s to %(high)s") % {
        "low": display.counts(axle.setpoint_low),
        "high": display.counts(axle.setpoint_high),
    }
    return f"{text}, {band}"


def _control(specification: SpecificationSummary) -> list[str]:
    """What the control unit can and cannot move."""
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


def _method(document: Document, width: float) -> list[Flowable]:
    if not document.rounds:
        return []
    sentences = [texts.METHOD, texts.UNCERTAINTY, texts.DECISION_RULE, *_traceability(document)]
    body = styles.paragraph(" ".join(str(sentence) for sentence in sentences), styles.SMALL)
    return styles.section(_("Method, uncertainty and decision rule"), [body], width)


def _traceability(document: Document) -> list[str]:
    """Claimed only where the certificate of a calibration can be named."""
    unnamed = [each for each in document.instruments if not each.calibration_reference]
    sentences = [str(texts.TRACEABILITY)] if len(unnamed) < len(document.instruments) else []
    if unnamed:
        names = ", ".join(_instrument_name(each) for each in unnamed)
        sentences.append(str(texts.NO_TRACEABILITY) % {"instruments": names})
    return sentences


def _instrument_name(instrument: InstrumentEntry) -> str:
    return f"{texts.wording(texts.INSTRUMENT_KINDS, instrument.kind)} {instrument.serial}"


def _instrument(instrument: InstrumentEntry, document: Document) -> Paragraph:
    """What heights were measured with, and its calibration."""
    display = Display.of(document)
    text = _(
        "%(accuracy)s, resolution %(resolution)s, calibrated %(calibrated)s, due %(due)s, calibration certificate "
        "%(certificate)s."
    ) % {
        "accuracy": _accuracy(instrument, display),
        "resolution": display.length_with_unit(instrument.resolution_mm),
        "calibrated": display.day(instrument.calibrated_on),
        "due": display.day(instrument.calibration_due_on),
        "certificate": instrument.calibration_reference or _("none on record"),
    }
    name = styles.bold(_instrument_name(instrument))
    return Paragraph(f"{name}: {styles.markup(text)}", styles.SMALL)


def _accuracy(instrument: InstrumentEntry, display: Display) -> str:
    if instrument.accuracy_class:
        return _("accuracy class %(name)s") % {"name": instrument.accuracy_class}
    if instrument.certificate_expanded_uncertainty_mm is None:
        return _("class III assumed, u doubled")
    return _("certificate, U = %(u)s, k = %(k)s") % {
        "u": display.length_with_unit(instrument.certificate_expanded_uncertainty_mm),
        "k": rounded(instrument.certificate_coverage_factor or 2.0, 2),
    }


def _instruments_and_readiness(document: Document, width: float) -> list[Flowable]:
    """With what was measured, and in which condition the vehicle was."""
    instruments = [_instrument(each, document) for each in document.instruments]
    readiness = [*_outcomes(document), *_readiness_notes(document)]
    if not instruments and not readiness:
        return []
    title = _("Measuring instruments and readiness") if instruments else _("Readiness")
    return styles.section(title, [*instruments, *readiness], width)


def _outcomes(document: Document) -> list[Flowable]:
    """The items by outcome: what failed or was left undone stands first and apart."""
    told = []
    for outcome, word in texts.READINESS_OUTCOMES.items():
        items = [entry.item for entry in document.readiness if entry.outcome == outcome]
        if items:
            listed = "; ".join(texts.wording(texts.READINESS_ITEMS, item) for item in items)
            told.append(f"{styles.bold(str(word))}: {styles.markup(listed)}.")
    return [Paragraph(" ".join([*told, *_checked_by(document)]), styles.SMALL)] if told else []


def _readiness_notes(document: Document) -> list[Flowable]:
    """What was seen at an item, and that it had failed before it passed."""
    return [
        styles.bullet(f"{texts.wording(texts.READINESS_ITEMS, entry.item)}: {text}", styles.SMALL_ITEM)
        for entry in document.readiness
        if (text := " ".join(filter(None, [_failed_before(entry, document), entry.note])))
    ]


def _failed_before(entry: ReadinessEntry, document: Document) -> str:
    if entry.failed_at is None:
        return ""
    values = {"when": Display.of(document).stamp(entry.failed_at), "note": entry.failed_note.rstrip(".")}
    if not entry.failed_note:
        return _("Had failed on %(when)s and passed later.") % values
    return _("Had failed on %(when)s (%(note)s) and passed later.") % values


def _checked_by(document: Document) -> list[str]:
    people = dict.fromkeys(entry.checked_by for entry in document.readiness if entry.checked_by)
    times = [entry.checked_at for entry in document.readiness if entry.checked_at is not None]
    if not people or not times:
        return []
    text = _("Checked by %(people)s, last %(when)s.")
    values = {"people": ", ".join(people), "when": Display.of(document).stamp(max(times))}
    return [styles.markup(text % values)]
