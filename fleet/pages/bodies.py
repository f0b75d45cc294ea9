"""Forms whose rules are those of the interface's bodies.

A form here only turns what a person typed into the members of a body. Whether they are right is said by the body's
serializer and the service, so a page and a program are refused the same things in the same words. What the words call
by the interface's name is called by the field's label here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from http import HTTPStatus
from typing import Any, ClassVar, Final
from uuid import UUID

from django import forms
from django.forms.boundfield import BoundField
from django.utils.formats import date_format
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext
from rest_framework import serializers
from rest_framework.exceptions import ValidationError as BodyError

from fleet.api.choices import ListOf
from fleet.api.fields import (
    AwareDateTime,
    CornerMap,
    PlainDate,
    StrictBoolean,
    StrictDecimal,
    TrimmedText,
    TyreSizeField,
    VinField,
)
from fleet.api.inputs import Reference
from fleet.api.problems import problem_for_exception
from fleet.looks.lengths import MINUS
from fleet.looks.tolerance_bar import CORNER_NAMES

from .typed import Day, Moment, Pairs, TextLines, TypedDecimal, TypedInteger
from .workshop_page import SENT_BEFORE, RecordForm, Refusal, VersionField

Choices = Callable[[], Sequence[tuple[Any, Any]]]
_FEW: Final = 5
"""Up to so many choices all are seen at once."""
_BOOKKEEPING: Final = ("id", "version")
_INTERFACE_NAME: Final = re.compile(r"\b[a-z]+(?:_[a-z]+)+\b")
_UNITS: Final[Mapping[str, Any]] = {"mm": "mm", "kg": "kg", "km": "km", "kpa": "kPa", "pct": "%", "counts": "counts"}
_LONG_UNITS: Final[Mapping[str, Any]] = {
    "mm_per_h": "mm/h",
    "mm_per_count": _("mm per count"),
    "months": "months",
}
_COUNTED: Final[Mapping[Any, Callable[[int], str]]] = {
    "counts": lambda number: ngettext("count", "counts", number),
    "months": lambda number: ngettext("month", "months", number),
}
"""Units that are words, and take the plural."""
PLACES: Final[Mapping[str, Any]] = {
    "front": _("front"),
    "rear": _("rear"),
    "FL": _("front left"),
    "FR": _("front right"),
    "RL": _("rear left"),
    "RR": _("rear right"),
}
"""By which members of the same name at several places are told apart."""
IN_WORDS_OF_PAGES: Final[Mapping[str, Any]] = {
    "id_reused": SENT_BEFORE,
    "stale_version": _(
        "Somebody changed this since you opened it. What is on record now stands beside your entries; send them again "
        "to replace it."
    ),
}


@dataclass(frozen=True, slots=True)
class Group:
    """Fields that belong together, with what to know about them; a name stands for all fields within that member."""

    heading: Any
    names: tuple[str, ...]
    explanation: Any = ""


@dataclass(frozen=True, slots=True)
class Member:
    """One value of a body: where it stands, and the serializer field that reads it."""

    path: tuple[str, ...]
    source: serializers.Field[Any, Any, Any, Any]
    is_required: bool

    @property
    def name(self) -> str:
        return "-".join(self.path)


class BodyForm(RecordForm):
    """A form for the body that `body_class` reads. `labels`, `hints` and `units` go by a member's last or full name.

    `when_needed` says, by full name, of fields that the body lets pass empty when its rules ask for them all the same.
    """

    body_class: ClassVar[type[serializers.Serializer[Any]]]
    labels: ClassVar[Mapping[str, Any]] = {}
    hints: ClassVar[Mapping[str, Any]] = {}
    units: ClassVar[Mapping[str, Any]] = {}
    when_needed: ClassVar[Mapping[str, Any]] = {}
    choices: ClassVar[Mapping[str, Choices]] = {}
    groups: ClassVar[tuple[Group, ...]] = ()
    left_out: ClassVar[frozenset[str]] = frozenset()
    use_required_attribute = False

    version = VersionField(required=False)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.members = [m for m in _members(self.body_class()) if m.path[0] not in self.left_out]
        for member in self.members:
            self.fields[member.name] = self._field(member)
        self.order_fields([bound.name for _group, fields in self.shown_groups() for bound, _unit in fields])

    def _field(self, member: Member) -> forms.Field:
        field = _field_for(member, self.choices.get(member.path[-1]))
        field.required = member.is_required
        field.label = self._said(self.labels, member) or member.path[-1].replace("_", " ").capitalize()
        field.help_text = self._said(self.hints, member, member.source.help_text)
        field.error_messages["required"] = _("Must not be empty.")
        field.widget.attrs.setdefault("autocomplete", "off")
        return field

    def _said(self, words: Mapping[str, Any], member: Member, otherwise: Any = "") -> Any:
        if member.name in words:
            return words[member.name]
        if member.path[-1] in CORNER_NAMES:
            return CORNER_NAMES[member.path[-1]] if words is self.labels else ""
        said = words.get(member.path[-1], otherwise)
        place = PLACES.get(member.path[-2]) if len(member.path) > 1 and words is self.labels else None
        return format_lazy("{said}, {place}", said=said, place=place) if place else said

    def unit(self, name: str, number: int = 2) -> Any:
        """Of a field, in the form that goes with the number; empty where it has none."""
        sign = self._sign(name)
        return _COUNTED[sign](number) if sign in _COUNTED else sign

    def _sign(self, name: str) -> Any:
        last = name.split("-")[-1]
        named = name.split("-")[0] if last in CORNER_NAMES else last
        if named in self.units:
            return self.units[named]
        endings = {**_LONG_UNITS, **_UNITS}
        return next((sign for ending, sign in endings.items() if named.endswith(f"_{ending}")), "")

    def shown_groups(self) -> Iterator[tuple[Group, list[tuple[BoundField, Any]]]]:
        """Each group with its fields and their units; without groups all fields are one."""
        everything = tuple(dict.fromkeys(member.path[0] for member in self.members))
        for group in self.groups or (Group("", everything),):
            members = [m for name in group.names for m in self.members if name in (m.path[0], m.name)]
            yield group, [(self[m.name], self.unit(m.name)) for m in members]

    def clean(self) -> dict[str, Any]:
        """The validated body, beside the form's own bookkeeping."""
        typed = dict(self.cleaned_data)
        body = self.body_class(data=self._body(typed), partial=bool(self.left_out))
        if not body.is_valid():
            self._refuse_members(BodyError(body.errors))
        own = {name: typed.get(name) for name in _BOOKKEEPING}
        return {**own, **(body.validated_data if not self.errors else {})}

    def _body(self, typed: Mapping[str, Any]) -> dict[str, Any]:
        body: dict[str, Any] = {}
        for member in self.members:
            if (value := _sent(member, typed.get(member.name))) is not _OMITTED:
                within = body
                for step in member.path[:-1]:
                    within = within.setdefault(step, {})
                within[member.path[-1]] = value
            elif len(member.path) > 1 and not self._may_be_missing(member):
                body.setdefault(member.path[0], {})
        return body

    def _may_be_missing(self, member: Member) -> bool:
        return not self.body_class().fields[member.path[0]].required

    def refuse(self, error: Refusal) -> None:
        """Say in the form what a service or the database refused."""
        problem = problem_for_exception(error)
        assert problem is not None  # every kind is one
        self.status = problem.status
        if (in_words := IN_WORDS_OF_PAGES.get(problem.code or "")) is not None:
            self.add_error(None, in_words)
        elif problem.errors and problem.errors[0]["pointer"]:
            self._refuse_members(error)
        else:
            self.add_error(None, str(problem.detail or problem.members()["detail"]))

    def _refuse_members(self, error: Exception) -> None:
        problem = problem_for_exception(error)
        assert problem is not None  # a refusal of a body
        for refused in problem.errors:
            name = self._field_at(refused["pointer"])
            if name is None or name not in self.errors:
                self.add_error(name, self._in_words(refused["detail"], name))

    def _field_at(self, pointer: str) -> str | None:
        """The field that a pointer leads to or into; else the first one within what it leads to."""
        steps = pointer.strip("/").split("/")
        for length in range(len(steps), 0, -1):
            path = tuple(steps[:length])
            for member in self.members:
                if member.path[:length] == path:
                    return member.name
        return None

    def _in_words(self, detail: str, about: str | None) -> str:
        """A refusal with the labels of the fields that it calls by the interface's names, those beside it first."""
        within = (about or "").rpartition("-")[0]
        by_distance = sorted(self.members, key=lambda member: member.name.rpartition("-")[0] == within)
        named = {member.path[-1]: self.fields[member.name].label for member in by_distance}
        return _INTERFACE_NAME.sub(lambda found: f"“{named[found[0]]}”" if found[0] in named else found[0], detail)

    def show_present(self, present: Mapping[str, Any]) -> None:
        """After somebody else's change: what stands now, beside each entry that differs; sending again replaces it."""
        self.show_anew({"version": present["version"]})
        self.status = HTTPStatus.PRECONDITION_FAILED
        for member in self.members:
            field = self.fields[member.name]
            if _differs(field, present.get(member.name), self[member.name].data):
                now = value_in_words(field, present.get(member.name))
                self.add_error(member.name, _("On record now: %(value)s.") % {"value": now or _("nothing")})


def initial_of(body: Mapping[str, Any]) -> dict[str, Any]:
    """A body's values by the names of a form's fields."""
    flat: dict[str, Any] = {}
    for name, value in body.items():
        if isinstance(value, Mapping):
            flat |= {f"{name}-{inner}": each for inner, each in initial_of(value).items()}
        else:
            flat[name] = value
    return flat


_OMITTED: Final = object()


def _members(
    body: serializers.Serializer[Any], *, within: tuple[str, ...] = (), optional: bool = False
) -> list[Member]:
    found: list[Member] = []
    for name, field in body.fields.items():
        if name not in _BOOKKEEPING:
            found += _members_of((*within, name), field, optional=optional)
    return found


def _members_of(path: tuple[str, ...], field: Any, *, optional: bool) -> Iterable[Member]:
    if isinstance(field, serializers.Serializer):
        return _members(field, within=path, optional=optional or not field.required)
    if isinstance(field, CornerMap):
        parts = [_members_of((*path, corner), field.child, optional=optional) for corner in field.corners]
        return [member for part in parts for member in part]
    may_be_empty = field.allow_null or getattr(field, "allow_blank", False) or isinstance(field, StrictBoolean)
    is_list = isinstance(field, ListOf) and field.allow_empty
    return [Member(path, field, field.required and not (optional or may_be_empty or is_list))]


def _field_for(member: Member, choices: Choices | None) -> forms.Field:
    source = member.source
    if choices is not None or isinstance(source, Reference):
        return forms.ChoiceField(choices=[("", "–"), *(choices() if choices else ())])
    if isinstance(source, serializers.ChoiceField):
        return _choice(_offered(source), is_required=member.is_required)
    if isinstance(source, ListOf):
        return _list(source)
    plain: tuple[tuple[type, Callable[[], forms.Field]], ...] = (
        (StrictBoolean, forms.BooleanField),
        (StrictDecimal, lambda: TypedDecimal(grouped=member.path[-1].endswith("_km"))),
        (serializers.IntegerField, TypedInteger),
        (PlainDate, Day),
        (AwareDateTime, Moment),
        (serializers.EmailField, lambda: forms.CharField(widget=forms.EmailInput(attrs={"spellcheck": "false"}))),
        (VinField, lambda: forms.CharField(widget=forms.TextInput(attrs=_CODE))),
        (TyreSizeField, lambda: forms.CharField(widget=forms.TextInput(attrs=_CODE))),
    )
    for kind, make in plain:
        if isinstance(source, kind):
            return make()
    is_long = isinstance(source, TrimmedText) and bool(source.allowed_controls)
    return forms.CharField(widget=forms.Textarea(attrs={"rows": 3}) if is_long else forms.TextInput)


_CODE: Final = {"autocapitalize": "characters", "spellcheck": "false"}


def _offered(source: serializers.ChoiceField) -> list[tuple[Any, Any]]:
    """The choices in words; corners have names."""
    return [(code, CORNER_NAMES.get(code, label)) for code, label in source.choices.items()]


def _choice(offered: list[tuple[Any, Any]], *, is_required: bool) -> forms.Field:
    if len(offered) <= _FEW and is_required:
        return forms.ChoiceField(choices=offered, widget=forms.RadioSelect)
    return forms.ChoiceField(choices=[("", "–"), *offered])


def _list(source: ListOf) -> forms.Field:
    if isinstance(source.child, serializers.ChoiceField):
        return forms.MultipleChoiceField(choices=_offered(source.child), widget=forms.CheckboxSelectMultiple)
    return Pairs() if isinstance(source.child, ListOf) else TextLines()


def _sent(member: Member, value: Any) -> Any:
    """A typed value as the body has it."""
    source = member.source
    if value in (None, "", []) and not isinstance(value, bool):
        if isinstance(source, ListOf):
            return []
        if source.allow_null:
            return None
        return "" if getattr(source, "allow_blank", False) else _OMITTED
    if isinstance(source, PlainDate | AwareDateTime):
        return value.isoformat()
    return value


def _differs(field: forms.Field, now: Any, typed: Any) -> bool:
    """Whether somebody typed something else than what stands in the record; ids are typed as text."""
    return field.has_changed(str(now) if isinstance(now, UUID) else now, typed)


def value_in_words(field: forms.Field, value: Any) -> str:
    """A value as it would stand in its field."""
    if isinstance(field, forms.BooleanField):
        return str(_("yes") if value else _("no"))
    if isinstance(value, date):
        return date_format(value)
    if isinstance(field, forms.ChoiceField):
        named = {str(key): label for key, label in list(field.choices)}  # type: ignore[arg-type]  # grouped nowhere
        values = value if isinstance(value, list | tuple) else [value]
        return ", ".join(str(named.get(str(each), each)) for each in values if each not in (None, ""))
    shown = str(field.widget.format_value(field.prepare_value(value)) or "")
    return shown.replace("-", MINUS) if isinstance(field, forms.IntegerField) else shown
