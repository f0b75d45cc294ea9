"""A height check with its readings, and the form by which a wrong one is struck out and replaced."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Any, ClassVar
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.api.resources import found
from fleet.errors import FieldError, Forbidden, Invalid
from fleet.looks.lengths import LengthUnit, length
from fleet.looks.tolerance_bar import CORNER_NAMES
from fleet.pages.bodies import BodyForm, Group
from fleet.pages.changing import FormPage
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission, may

from ..api.check_documents import findings_of
from ..api.documents import vehicle_document
from ..api.history.jobs import VERDICT_TEXTS
from ..api.serializers.rounds import NewStrike
from ..metrology.corners import CORNERS
from ..models import HeightCheck, HeightCheckReading
from ..selectors.height_checks import MeasuredHeightCheck, measured_height_checks, visible_height_checks
from ..services.height_checks import check_reading_strike, require_may_strike
from .height_checks import LOADINGS, far_from_target
from .shown import names_of


class HeightCheckView(WorkshopPage):
    """`/checks/<id>/`"""

    permission = Permission.READ_OWN_VEHICLES

    def get(self, request: HttpRequest, check_id: UUID) -> HttpResponse:
        check = found(visible_height_checks(self.actor), check_id)
        (measured,) = measured_height_checks([check])
        values = {
            "check": check,
            "vehicle": vehicle_document(self.actor, check.vehicle),
            "loading": LOADINGS[check.loading],
            "revision": measured.revision,
            "verdict": measured.result["verdict"],
            "findings": findings_of(measured),
            "rows": _rows(measured, self.reader.length_unit),
            "may_work": may(self.actor, Permission.RECORD_FACTS),
            "unit": self.reader.length_unit,
        }
        return render(request, "calibration/height_check.html", values)


def _rows(measured: MeasuredHeightCheck, unit: LengthUnit) -> list[dict[str, Any]]:
    """Every reading by corner; what was read instead of a struck one stands below it."""
    strikes = measured.strikes
    names = names_of([*(row.measured_by_id for row in measured.readings), *(s.recorded_by for s in strikes.values())])
    serials = {each["identity"]: each["serial"] for each in measured.check.instruments}
    return [
        {
            "id": row.pk,
            "corner": CORNER_NAMES[corner],
            "height": length(float(row.height_mm), unit),
            "by": names.get(row.measured_by_id, "") if row.measured_by_id else "",
            "instrument": serials.get(str(row.instrument_id), ""),
            "strike": strikes.get(row.pk),
            "struck_by": names.get(strikes[row.pk].recorded_by, "") if row.pk in strikes else "",  # type: ignore[arg-type]
            "is_unconfirmed": row in measured.unconfirmed,
        }
        for corner in CORNERS
        for row in measured.readings
        if row.corner == corner
    ]


class StrikeForm(BodyForm):
    """What was wrong with a reading, and what was read instead."""

    body_class = NewStrike
    labels: ClassVar = {
        "height_mm": gettext_lazy("What was read instead"),
        "confirmed": gettext_lazy("The height stands, also far from the target"),
        "reason": gettext_lazy("What was wrong with the reading"),
    }
    hints: ClassVar = {
        "height_mm": "",
        "confirmed": gettext_lazy("Needed only where you are asked for it."),
        "reason": gettext_lazy("A sentence: it stays with the reading."),
    }
    groups = (Group("", ("replacement", "reason")),)


class StrikeCheckReadingView(FormPage):
    """`/check-readings/<id>/strike/`"""

    permission = Permission.RECORD_FACTS
    template = "calibration/strike.html"
    form_class = StrikeForm
    model = HeightCheck
    kind = "page.check_reading_strike"
    heading = gettext_lazy("Strike out a reading")
    submit = gettext_lazy("Strike it out")

    @cached_property
    def reading(self) -> HeightCheckReading:
        visible = HeightCheckReading.objects.filter(height_check__in=visible_height_checks(self.actor))
        return found(visible.select_related("instrument"), self.kwargs["reading_id"])

    @property
    def measured(self) -> MeasuredHeightCheck:
        """As it stands now."""
        return measured_height_checks(visible_height_checks(self.actor).filter(pk=self.reading.height_check_id))[0]

    def make(self, record_id: UUID, values: dict[str, Any]) -> HeightCheck:
        try:
            return check_reading_strike(actor=self.actor, record_id=record_id, reading_id=self.reading.pk, **values)
        except Invalid as error:
            height = float(values["replacement"]["height_mm"])
            raise Invalid(self._in_words_of_page(each, height) for each in error.errors) from None

    def _in_words_of_page(self, error: FieldError, height: float) -> FieldError:
        if error.code != "confirm_height":
            return error
        corner: Any = self.reading.corner
        target = self.measured.specification
        return FieldError(
            error.pointer, error.code, far_from_target(height, target.target_mm(corner) if target else None)
        )

    def find(self, record_id: UUID) -> HeightCheck:
        return self.measured.check

    def destination(self, made: HeightCheck) -> str:
        verdict = self.measured.result["verdict"]
        said = VERDICT_TEXTS[verdict] if verdict else _("not judged")
        messages.success(
            self.request, _("The reading is struck out. The height check now says: %(verdict)s.") % {"verdict": said}
        )
        return self.cancel_url()

    def cancel_url(self) -> str:
        return reverse("height_check_page", args=[self.reading.height_check_id])

    def context(self) -> Mapping[str, Any]:
        measured, reading = self.measured, self.reading
        corner = measured.result["corners"][reading.corner]
        names = names_of([reading.measured_by_id])
        return {
            "check": measured.check,
            "vehicle": measured.check.vehicle,
            "corner": CORNER_NAMES[reading.corner],
            "height": length(float(reading.height_mm)),
            "by": names.get(reading.measured_by_id, "") if reading.measured_by_id else "",
            "instrument": reading.instrument,
            "mean": length(corner["mean_mm"]),
            "uncertainty": length(u) if (u := corner["expanded_uncertainty_mm"]) is not None else "",
            "target": length(t) if (t := corner["target_mm"]) is not None else "",
            "tolerance": length(corner["tolerance_mm"] or 0.0),
            "verdict": corner["verdict"],
            **self._right(measured),
        }

    def _right(self, measured: MeasuredHeightCheck) -> dict[str, Any]:
        """Why this reading is not struck out by this person; or that they do it alone."""
        if self.reading.pk in measured.strikes:
            return {"refusal": _("This reading is struck out already."), "is_struck": True}
        try:
            return {"is_alone": require_may_strike(self.actor, self.reading)}
        except Forbidden as refusal:
            return {"refusal": str(refusal)}
