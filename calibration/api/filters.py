"""Filters of lists, as fields of the query string. A value that cannot be meant is refused, never passed over."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from typing import Any, ClassVar

import django_filters
from django import forms
from django.db.models import Model, QuerySet
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import extend_schema_field
from rest_framework.exceptions import ValidationError
from rest_framework.serializers import Field

from calibration.models import Approval, HeightCheck, Job
from fleet.api.fields import AwareDateTime, PlainDate, VinField
from fleet.api.filters import one_of
from fleet.models import Vehicle, VinCorrection

from .serializers.findings import APPROVAL_STATES


class _VinForm(forms.Field):
    def to_python(self, value: Any) -> str | None:
        vin: str | None = _read(VinField(), value)
        return vin


class _MomentForm(forms.Field):
    """An instant with offset, or a date: its beginning, or with `end_of_day` its end (UTC)."""

    def __init__(self, *, end_of_day: bool = False, **options: Any) -> None:
        self.day_begins_after = timedelta(days=1) if end_of_day else timedelta(0)
        super().__init__(**options)

    def to_python(self, value: Any) -> datetime | None:
        if isinstance(value, str) and len(value) > len("2026-05-04"):
            # An unescaped plus sign in a query string arrives as a space.
            instant: datetime | None = _read(AwareDateTime(), value.replace(" ", "+"))
            return instant
        day = _read(PlainDate(), value)
        return datetime.combine(day, time.min, UTC) + self.day_begins_after if day else None


def _read(reader: Field[Any, Any, Any, Any], value: Any) -> Any:
    """Read as in a body; nothing where nothing was given."""
    if value in ("", None):
        return None
    try:
        return reader.run_validation(value)
    except ValidationError as error:
        details: Any = error.detail
        # The refusal may repeat what was sent: as a parameter, a percent sign in it stays one.
        raise forms.ValidationError(
            [forms.ValidationError("%(refusal)s", each.code, {"refusal": str(each)}) for each in details]
        ) from None


class MomentFilter(django_filters.Filter):
    """A bound in time."""

    field_class = _MomentForm


@extend_schema_field({"type": "string"})
class VinFilter(django_filters.Filter):
    """A vehicle by its VIN, or by one that was corrected since."""

    field_class = _VinForm

    def filter(self, qs: QuerySet[Any], value: str | None) -> QuerySet[Any]:
        if not value:
            return qs
        vehicles = Vehicle.objects.filter(vin=value)
        if not vehicles.exists():
            corrected = VinCorrection.objects.filter(previous_vin=value).order_by("-recorded_at", "-id")
            vehicles = Vehicle.objects.filter(pk__in=corrected.values("vehicle")[:1])
        return qs.filter(**{f"{self.field_name}__in": vehicles.values("pk")})


class JobFilter(django_filters.FilterSet):
    """`?vehicle=&state=&reason=&operator=&since=&until=`"""

    vehicle = VinFilter(field_name="vehicle", label=_("VIN of the vehicle."))
    state = one_of("state", Job.State.values, _("State of the job."))
    reason = one_of("reason", Job.Reason.values, _("Why the vehicle came."))
    operator = django_filters.UUIDFilter(field_name="vehicle__operator", label=_("Operator of the vehicle."))
    since = MomentFilter(
        field_name="opened_at",
        lookup_expr="gte",
        label=_("Opened at this time or later; a date means its beginning (UTC)."),
    )
    until = MomentFilter(
        field_name="opened_at",
        lookup_expr="lt",
        end_of_day=True,
        label=_("Opened before this time; a date means its end (UTC)."),
    )

    class Meta:
        model: ClassVar[type[Model]] = Job
        fields: ClassVar[list[str]] = []


class RecordFilter(django_filters.FilterSet):
    """`?job=&vehicle=&since=&until=` for records of jobs."""

    job = django_filters.UUIDFilter(field_name="job", label=_("Of this job."))
    vehicle = VinFilter(field_name="job__vehicle", label=_("VIN of the vehicle."))
    since = MomentFilter(
        field_name="recorded_at",
        lookup_expr="gte",
        label=_("Recorded at this time or later; a date means its beginning (UTC)."),
    )
    until = MomentFilter(
        field_name="recorded_at",
        lookup_expr="lt",
        end_of_day=True,
        label=_("Recorded before this time; a date means its end (UTC)."),
    )


class HeightCheckFilter(django_filters.FilterSet):
    """`?vehicle=&instrument=&loading=&since=&until=`"""

    vehicle = VinFilter(field_name="vehicle", label=_("VIN of the vehicle."))
    instrument = django_filters.UUIDFilter(field_name="instrument", label=_("Measured with this instrument."))
    loading = one_of("loading", HeightCheck.Loading.values, _("How the vehicle was loaded."))
    since = MomentFilter(
        field_name="happened_at",
        lookup_expr="gte",
        label=_("Measured at this time or later; a date means its beginning (UTC)."),
    )
    until = MomentFilter(
        field_name="happened_at",
        lookup_expr="lt",
        end_of_day=True,
        label=_("Measured before this time; a date means its end (UTC)."),
    )


class _ByView(django_filters.ChoiceFilter):
    """A choice that is only read here; the view acts on it."""

    def filter(self, qs: QuerySet[Any], value: Any) -> QuerySet[Any]:
        return qs


class ApprovalFilter(django_filters.FilterSet):
    """`?state=&subject=&job=&vehicle=`"""

    state = one_of("state", APPROVAL_STATES, _("State of the request."), _ByView)
    subject = one_of("subject", Approval.Subject.values, _("What is to be approved."))
    job = django_filters.UUIDFilter(field_name="job", label=_("Of this job."))
    vehicle = VinFilter(field_name="job__vehicle", label=_("VIN of the vehicle."))
