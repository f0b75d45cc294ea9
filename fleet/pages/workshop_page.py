"""Pages that show a workshop's records: times in its zone, lengths in the reader's unit, steps carried out once."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from http import HTTPStatus
from typing import Any, ClassVar, Final, TypeVar
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError
from django.db import DataError, IntegrityError, transaction
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet import receipts
from fleet.actor import Actor
from fleet.api.problems import problem_for_exception
from fleet.errors import Invalid, LevelbookError
from fleet.ids import new_id
from fleet.looks.lengths import LengthUnit
from fleet.models import Membership
from fleet.permissions import Permission, require
from fleet.services.changes import acting_person

from .access import MemberView, actor_of

T = TypeVar("T")
Refusal = LevelbookError | IntegrityError | DataError
REFUSALS: Final = (LevelbookError, IntegrityError, DataError)
"""By a service, or by the database: another record stands against it, or a value does not fit its column."""
SENT_BEFORE = _(
    "This form was sent before, with other content; that stays as it is, and nothing was changed now. Look at the "
    "page, and send the form once more if you mean it."
)


@dataclass(frozen=True, slots=True)
class Reader:
    """Who reads a page: in which zone and unit."""

    name: str
    time_zone: ZoneInfo
    length_unit: LengthUnit


def reader_unit(actor: Actor) -> LengthUnit:
    """The unit in which somebody reads lengths, for parts of a page that know no more than who reads it."""
    return _unit_of(acting_person(actor, Membership.objects.select_related("workshop")))


def _unit_of(person: Membership) -> LengthUnit:
    return "inch" if (person.length_unit or person.workshop.length_unit) == "inch" else "mm"


class WorkshopPage(MemberView):
    """A page of records. `permission` is what opening it needs; selectors say what is then seen."""

    permission: ClassVar[Permission | None] = None

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if actor_of(request) is None:
            return super().dispatch(request, *args, **kwargs)  # leads to the sign-in
        if self.permission is not None:
            require(self.actor, self.permission)
        with timezone.override(self.reader.time_zone):
            return super().dispatch(request, *args, **kwargs)

    @cached_property
    def reader(self) -> Reader:
        me = acting_person(self.actor, Membership.objects.select_related("workshop"))
        return Reader(me.name, ZoneInfo(me.workshop.time_zone), _unit_of(me))

    def once(
        self,
        kind: str,
        form: RecordForm,
        do: Callable[[uuid.UUID, dict[str, Any]], T],
        find: Callable[[uuid.UUID], T],
        **about: object,
    ) -> T | None:
        """Carry out a valid form's step, once however often it is sent; None where it was refused.

        `about` is what else makes it the same request. The form then says why, with nothing typed lost, and
        `form.status` is the answer's.
        """
        body = dict(form.cleaned_data)
        record_id = body.pop("id")
        try:
            with transaction.atomic():
                made, _is_new = receipts.once(
                    self.actor, kind, record_id, {**about, **body}, lambda new: do(new, dict(body)), find
                )
        except REFUSALS as error:
            form.refuse(error)
            return None
        return made


LOAD_ANEW: Final = _("Load the page anew.")
LARGEST_VERSION: Final = 2**31 - 1


class VersionField(forms.IntegerField):
    """Which version of a record was seen; whatever is none says to load the page anew."""

    widget = forms.HiddenInput

    def __init__(self, **options: Any) -> None:
        super().__init__(min_value=1, max_value=LARGEST_VERSION, **options)
        self.error_messages = dict.fromkeys(self.error_messages, LOAD_ANEW)

    def run_validators(self, value: Any) -> None:
        try:
            super().run_validators(value)
        except ValidationError:
            raise ValidationError(LOAD_ANEW, "no_version") from None


def _require_version_7(made: uuid.UUID) -> None:
    """As the interface does of ids that clients make."""
    if made.version != 7:
        raise ValidationError(LOAD_ANEW, "not_uuid7")


class RecordForm(forms.Form):
    """A form that makes a record. Its id is made anew for each form shown, so that sending it twice changes nothing."""

    id = forms.UUIDField(
        widget=forms.HiddenInput,
        initial=new_id,
        error_messages={"required": LOAD_ANEW, "invalid": LOAD_ANEW},
        validators=[_require_version_7],
    )

    status: int = HTTPStatus.UNPROCESSABLE_ENTITY
    """Of the answer where the form comes back with errors."""

    def refuse(self, error: Refusal) -> None:
        """Say in the form what a service refused: at its field where that is named, else above."""
        problem = problem_for_exception(error)
        assert problem is not None  # every kind is one
        self.status = problem.status
        for pointer, detail in _refusals(error) if isinstance(error, LevelbookError) else [("", str(problem.detail))]:
            name = pointer.strip("/").split("/")[0]
            self.add_error(name if name in self.fields and not self.fields[name].widget.is_hidden else None, detail)

    def show_anew(self, values: Mapping[str, Any]) -> None:
        """Let the form that comes back carry what stands now (a version, a hash); what was typed stays."""
        data: Any = self.data.copy()  # type: ignore[attr-defined]  # what a browser sends is a QueryDict
        for name, value in {"id": new_id(), **values}.items():
            data[self.add_prefix(name)] = str(value)
        self.data = data


def _refusals(error: LevelbookError) -> list[tuple[str, str]]:
    if isinstance(error, Invalid):
        return [(each.pointer, str(each.detail)) for each in error.errors]
    if error.code == "id_reused":
        return [("", str(SENT_BEFORE))]
    return [(error.pointer or "", str(error))]
