"""Page one, for the operator: the verdict in words, the vehicle from above, the heights, what to do next."""

from __future__ import annotations

from django.utils.translation import gettext as _
from reportlab.graphics.shapes import Drawing
from reportlab.platypus import Flowable, Paragraph, Spacer

from reports.drawing import palette, plan_view
from reports.drawing.marks import bar_mark
from reports.drawing.words import corner_name, verdict_word

from . import styles, texts
from .closing import closing_sentences
from .conclusion import conclude, last_state, measured_states
from .display import Display
from .document import Document, FollowUp, HeightState
from .facts import facts
from .height_table import height_table
from .qr import qr_drawing

_QR_SIDE = 70.0
_PLAN_HEIGHTS = (plan_view.HEIGHT, 165.0, 152.0, 140.0, plan_view.LEAST_HEIGHT)
"""Heights of the plan views; lower ones where that keeps the page whole."""
_SLACK = 8.0
"""Points by which the page may come out longer than its parts were measured."""


def front_page(document: Document, width: float, height: float) -> list[Flowable]:
    """The page, with plan views as high as lets it stay one page; longer ones run on."""
    for plan_height in _PLAN_HEIGHTS:
        flowables = _flowables(document, width, plan_height)
        if styles.height_of(flowables, width) <= height - _SLACK:
            return flowables
    return _flowables(document, width, _PLAN_HEIGHTS[0])


def short_front_page(document: Document, width: float) -> list[Flowable]:
    """The same as short as it can be, to leave room for what follows."""
    return _flowables(document, width, plan_view.LEAST_HEIGHT)


def _flowables(document: Document, width: float, plan_height: float) -> list[Flowable]:
    return [
        _head(document, width),
        Spacer(0, 6),
        _verdict_box(document, width),
        Spacer(0, 5),
        *facts(document, width),
        *_plan_views(document, width, plan_height),
        *height_table(document, width),
        *_next_steps(document, width),
        *_signed(document),
        *_cautions(document, width),
    ]


def _head(document: Document, width: float) -> Flowable:
    code = qr_drawing(document.verification_url, _QR_SIDE)
    cells: list[list[styles.Cell]] = [[_titles(document), _workshop(document), [code]]]
    columns = [width * 0.46, width * 0.54 - _QR_SIDE, _QR_SIDE]
    return styles.plain_table(
        cells,
        columns,
        ("LINEBELOW", (0, 0), (-1, -1), 1.6, palette.INK),
        ("LEFTPADDING", (0, 0), (0, 0), 0),
        ("RIGHTPADDING", (2, 0), (2, 0), 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
    )


def _titles(document: Document) -> list[Flowable]:
    display = Display.of(document)
    number = _("No. %(number)s, issued %(day)s") % {
        "number": document.number,
        "day": display.day(document.issued_at),
    }
    titles: list[Flowable] = [
        styles.Heading(texts.kind_title(document.kind), styles.TITLE, 0),
        styles.paragraph(_("Ride-height adjustment"), styles.SUBTITLE),
        styles.paragraph(number, styles.LEAD),
    ]
    if document.replaces is not None:
        replaced = _("Replaces no. %(number)s") % {"number": document.replaces.number}
        titles.append(styles.paragraph(replaced, styles.BODY))
    return titles


def _workshop(document: Document) -> list[Flowable]:
    """Whose document it is, and how to see whether it still holds."""
    workshop = document.workshop
    contact = " · ".join(way for way in (workshop.telephone, workshop.email) if way)
    lines = [styles.bold(workshop.name), *map(styles.markup, (*workshop.address, contact))]
    how = _("Scan to verify, or enter the code")
    verify = f"{styles.markup(how)}<br/>{styles.bold(document.verification_code)}"
    return [
        Paragraph("<br/>".join(line for line in lines if line), styles.SMALL_RIGHT),
        Spacer(0, 4),
        Paragraph(verify, styles.SOFT_RIGHT),
    ]


def _verdict_box(document: Document, width: float) -> Flowable:
    conclusion, look = conclude(document), look_of(document)
    content: list[Flowable] = [styles.paragraph(conclusion.headline, styles.HEADLINE)]
    content += [styles.paragraph(" ".join(conclusion.sentences), styles.LEAD)]
    if document.concession is not None:
        content.append(Paragraph(styles.bold(str(texts.CONCESSION_CAUTION)), styles.BODY))
    return styles.plain_table(
        [[_large_mark(look), content]],
        [30.0, width - 30.0],
        ("BACKGROUND", (0, 0), (-1, -1), palette.TINT),
        ("LINEBEFORE", (0, 0), (0, -1), 5, look.colour, "butt"),
        ("TOPPADDING", (0, 0), (-1, -1), 6),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 8),
        ("LEFTPADDING", (0, 0), (0, -1), 12),
        ("RIGHTPADDING", (1, 0), (1, -1), 10),
    )


def look_of(document: Document) -> palette.VerdictLook:
    """The last verdict's; a job that was not completed bears no mark of success."""
    state = last_state(document)
    completed = document.kind == "certificate"
    verdict = state.verdict if state is not None and (completed or state.verdict != "within") else None
    return palette.verdict_look(verdict)


def _large_mark(look: palette.VerdictLook) -> Drawing:
    """The verdict's own mark, as on the bars below."""
    drawing = Drawing(14, 18)
    mark = bar_mark(0, 0, look)
    drawing.add(mark)
    drawing.scale(1.7, 1.7)
    drawing.transform = (1.7, 0, 0, 1.7, 7, 8)
    return drawing


def _plan_views(document: Document, width: float, height: float) -> list[Flowable]:
    views = [_plan_view(title, state, document) for title, state in measured_states(document)]
    if not views:
        return []
    span = plan_view.span_mm(views)
    drawings = [plan_view.draw_plan_view(view, span=span, height=height) for view in views]
    column = max(width / len(drawings), plan_view.WIDTH)
    row: list[styles.Cell] = list(drawings)
    table = styles.plain_table(
        [row],
        [column] * len(row),
        ("ALIGN", (0, 0), (-1, -1), "CENTER"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
    )
    return [Spacer(0, 3), table, styles.paragraph(_legend(), styles.SOFT), Spacer(0, 4)]


def _plan_view(title: str, state: HeightState, document: Document) -> plan_view.PlanView:
    dated = f"{title}, {Display.of(document).day(state.taken_at)}"
    corners = {
        corner: plan_view.PlanViewCorner(
            height_mm=result.mean_mm,
            expanded_uncertainty_mm=result.expanded_uncertainty_mm,
            deviation_mm=result.deviation_mm,
            tolerance_mm=result.tolerance_mm,
            verdict=result.verdict,
            remark=f"{verdict_word(result.verdict)} †" if result.overtaken_by else "",
        )
        for corner, result in state.corners.items()
    }
    return plan_view.PlanView(dated, corners, document.units.length)


def _legend() -> str:
    drawing = _(
        "Band: tolerance about its target. Mark and whisker: height with its uncertainty. "
        "Disc: within; diamond: outside; ring: undecided."
    )
    return f"{drawing} {texts.UNCERTAINTY_IN_SHORT}"


def _next_steps(document: Document, width: float) -> list[Flowable]:
    to_mend = list(document.ending.to_mend) if document.ending else []
    follow_ups = [_follow_up(follow_up) for follow_up in document.follow_ups]
    blocks = ((_("What to mend"), to_mend), (_("What to do next"), follow_ups))
    return [
        flowable
        for title, lines in blocks
        if lines
        for flowable in styles.section(title, _bullets(lines, width), width)
    ]


def _bullets(lines: list[str], width: float) -> list[Flowable]:
    """Below each other, or in two columns where none is longer than a line of those."""
    bullets = [styles.bullet(line) for line in lines]
    if len(bullets) == 1 or any(each.wrap(width / 2, each.style.leading)[1] > each.style.leading for each in bullets):
        return list(bullets)
    return [styles.two_columns(bullets, width)]


def _follow_up(follow_up: FollowUp) -> str:
    words = texts.wording(texts.FOLLOW_UPS, follow_up.code)
    where = f"{corner_name(follow_up.corner)}: " if follow_up.corner else ""
    return f"{where}{words} {follow_up.detail}".strip()


def _cautions(document: Document, width: float) -> list[Flowable]:
    """This job's own cautions first, then the standing ones in two columns."""
    own: list[Flowable] = [styles.bullet(caution, styles.SMALL_ITEM) for caution in document.cautions]
    told = {texts.ALTERED_HEIGHT_CAUTION} if document.concession is not None else set()  # in the verdict's box
    cautions = [str(caution) for caution in texts.CAUTIONS if caution not in told]
    standing: list[Flowable] = [styles.bullet(caution, styles.SMALL_ITEM) for caution in cautions]
    return styles.section(_("Cautions"), [*own, styles.two_columns(standing, width)], width)


def _signed(document: Document) -> list[Flowable]:
    """Who answers for it, and what it does not claim."""
    told = " ".join([*_completed(document), *closing_sentences(document)])
    signed = [Paragraph(styles.bold(told), styles.BODY)] if told else []
    return [Spacer(0, 6), *signed, styles.paragraph(str(texts.SCOPE), styles.BODY)]


def _completed(document: Document) -> list[str]:
    text = _("The work is complete: signed by %(name)s, %(role)s, %(when)s.")
    return [
        text
        % {
            "name": signature.name,
            "role": texts.wording(texts.ROLES, signature.role),
            "when": Display.of(document).stamp(signature.signed_at),
        }
        for signature in document.signatures
        if signature.meaning == "work_complete"
    ][-1:]
