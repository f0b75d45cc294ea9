"""A height check entered at the desk: by whoever measured it, or from what a driver says on the telephone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Final
from uuid import UUID

from django.contrib import messages
from django.utils import timezone
from django.utils.text import format_lazy
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, pgettext_lazy

from fleet.api.fields import CornerMap, HeightMm, StrictBoolean
from fleet.days import local_day
from fleet.errors import FieldError, Invalid
from fleet.models import Instrument
from fleet.pages.bodies import BodyForm, Group
from fleet.pages.vehicles_new import VehiclePartPage, show_findings
from fleet.permissions import Permission
from fleet.selectors.vehicles import sees_whole_workshop

from ..api.check_documents import findings_of
from ..api.history.jobs import VERDICT_TEXTS
from ..api.serializers.height_checks import NewHeightCheck
from ..metrology.corners import CORNERS
from ..metrology.readings import likely_unit
from ..models import HeightCheck
from ..rules import texts
from ..selectors.height_checks import measured_height_checks
from ..selectors.specifications import pure_specification, revision_in_force
from ..services.height_checks import height_check_record

FAR_FROM_TARGET: Final = gettext_lazy(
    "This is more than 150 mm from the target. Measure again. Where it is right, tick that the heights stand and send "
    "the form again."
)
LOADINGS: Final[Mapping[str, Any]] = {
    "as_specified": gettext_lazy("As the specification says"),
    "other": gettext_lazy("Otherwise: the heights are shown, but not judged"),
}


def far_from_target(height: float, target: float | None) -> Any:
    """That a height is to be measured again or confirmed, and in which unit it probably was typed."""
    unit = likely_unit(height, target) if target is not None else None
    return format_lazy("{far} {hint}", far=FAR_FROM_TARGET, hint=texts.UNIT_SLIPS[unit]) if unit else FAR_FROM_TARGET


def instruments() -> list[tuple[UUID, str]]:
    return list(Instrument.objects.order_by("serial").values_list("pk", "serial"))


class TypedHeightCheck(NewHeightCheck):
    """A check as it is typed: one height a corner."""

    heights = CornerMap(HeightMm(), help_text=gettext_lazy("Hub centre to wheel arch at each corner, mm."))
    confirmed = StrictBoolean(
        required=False,
        default=False,
        help_text=gettext_lazy("True where a height far from target was entered again and stands."),
    )

    def get_fields(self) -> Any:
        fields = super().get_fields()
        fields.pop("readings")
        return fields


class HeightCheckForm(BodyForm):
    """The heights of the four corners, with what is known of the measurement."""

    body_class = TypedHeightCheck
    labels: ClassVar = {
        "taken_at": gettext_lazy("Measured at"),
        "odometer_km": gettext_lazy("Odometer"),
        "instrument": gettext_lazy("Instrument"),
        "temperature_deg_c": gettext_lazy("Temperature"),
        "loading": gettext_lazy("How the vehicle is loaded"),
        "confirmed": gettext_lazy("The heights stand, also those far from the target"),
        "note": pgettext_lazy("what somebody noted", "Note"),
    }
    hints: ClassVar = {
        "taken_at": gettext_lazy("In the workshop's time."),
        "odometer_km": "",
        "instrument": gettext_lazy("Left out, the widest accuracy class counts, and the uncertainty doubles."),
        "temperature_deg_c": gettext_lazy("Of the air around the vehicle."),
        "loading": "",
        "confirmed": gettext_lazy("Needed only where you are asked for it."),
        "note": "",
    }
    units: ClassVar = {"temperature_deg_c": "°C", "heights": "mm"}
    choices: ClassVar = {"instrument": instruments, "loading": lambda: list(LOADINGS.items())}
    groups = (
        Group("", ("taken_at", "odometer_km", "instrument", "temperature_deg_c", "loading")),
        Group(
            gettext_lazy("Heights"),
            ("heights", "confirmed"),
            gettext_lazy("From the hub centre straight up to the wheel arch, once at every corner."),
        ),
        Group("", ("note",)),
    )


class OwnHeightCheckForm(HeightCheckForm):
    """What an operator's contact says: the workshop's instruments are not theirs."""

    left_out = frozenset({"instrument"})


class RecordHeightCheckView(VehiclePartPage):
    """`/vehicles/<vin>/checks/new/`"""

    permission = Permission.RECORD_CHECKS
    model = HeightCheck
    kind = "page.height_check"
    heading = gettext_lazy("Record a height check")
    explanation = gettext_lazy(
        "A measurement outside a job: on level ground, nobody aboard, doors closed, suspension at its normal position. "
        "Keep head and hands out of the gap between tyre and arch: the vehicle can drop or rise without warning."
    )
    submit = gettext_lazy("Record the height check")

    @property
    def form_class(self) -> type[HeightCheckForm]:  # type: ignore[override]  # as the person is
        return HeightCheckForm if sees_whole_workshop(self.actor) else OwnHeightCheckForm

    def initial(self) -> Mapping[str, Any]:
        return {"taken_at": timezone.localtime(), "loading": "as_specified"}

    def make(self, record_id: UUID, values: dict[str, Any]) -> HeightCheck:
        heights, confirmed = values.pop("heights"), values.pop("confirmed")
        readings = [{"corner": each, "height_mm": heights[each], "confirmed": confirmed} for each in CORNERS]
        try:
            return height_check_record(
                actor=self.actor, record_id=record_id, vehicle=self.vehicle, readings=readings, **values
            )
        except Invalid as error:
            raise Invalid(self._at_its_field(each, heights) for each in error.errors) from None

    def _at_its_field(self, error: FieldError, heights: Mapping[str, Any]) -> FieldError:
        """A refusal of a reading, at the field of its corner and in the words of this page."""
        steps = error.pointer.strip("/").split("/")
        if steps[0] != "readings" or len(steps) == 1:
            return error
        corner = CORNERS[int(steps[1])]
        height, target = float(heights[corner]), self._target_mm(corner)
        detail = far_from_target(height, target) if error.code == "confirm_height" else error.detail
        return FieldError(f"/heights/{corner}", error.code, detail)

    def _target_mm(self, corner: Any) -> float | None:
        revision = revision_in_force(self.vehicle.vehicle_model_id, local_day(self.actor.now))
        return pure_specification(revision.content).target_mm(corner) if revision else None

    def destination(self, made: HeightCheck) -> str:
        measured = measured_height_checks([made])[0]
        verdict = measured.result["verdict"]
        said = VERDICT_TEXTS[verdict] if verdict else _("not judged")
        messages.success(self.request, _("The height check is recorded: %(verdict)s.") % {"verdict": said})
        show_findings(self.request, findings_of(measured))
        return super().destination(made)
