"""Filters of lists, and the reason of a replacement."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest
from django.utils.translation import gettext_lazy as _

from fleet.models import Operator, VehicleModel
from fleet.pages.typed import PlainText
from fleet.pages.workshop_page import RecordForm

from ..models import Certificate, DriftAlert

SEARCH_LENGTH_MAX = 40


class VehicleFilterForm(forms.Form):
    """`/vehicles/?q=&operator=&model=&work=&sort=`"""

    q = forms.CharField(
        label=_("VIN or registration"),
        required=False,
        max_length=SEARCH_LENGTH_MAX,
        help_text=_("A part is enough."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    operator = forms.ModelChoiceField(
        Operator.objects.none(), label=_("Operator"), required=False, empty_label=_("all")
    )
    model = forms.ModelChoiceField(VehicleModel.objects.none(), label=_("Model"), required=False, empty_label=_("all"))
    work = forms.ChoiceField(
        label=_("Work"),
        required=False,
        choices=[
            ("", _("all")),
            ("known", _("outside tolerance, to be measured now, stopped or not completed")),
            ("open", _("with an open job")),
            ("none", _("never worked on")),
        ],
    )
    sort = forms.ChoiceField(
        label=_("Sorted by"),
        required=False,
        choices=[
            ("", _("last worked on")),
            ("registration", _("registration")),
            ("vin", _("VIN")),
            ("newest", _("newest on record")),
        ],
    )

    def __init__(self, *args: Any, is_of_workshop: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if is_of_workshop:
            self.fields["operator"].queryset = Operator.objects.order_by("name", "id")  # type: ignore[attr-defined]
            models = VehicleModel.objects.order_by("make", "name", "year_from", "id")
            self.fields["model"].queryset = models  # type: ignore[attr-defined]
        else:
            del self.fields["operator"], self.fields["model"]


class CertificateFilterForm(forms.Form):
    """`/certificates/?q=&kind=&state=`"""

    q = forms.CharField(
        label=_("Number, VIN or registration"),
        required=False,
        max_length=SEARCH_LENGTH_MAX,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    kind = forms.ChoiceField(label=_("Kind"), required=False, choices=[("", _("all")), *Certificate.Kind.choices])
    state = forms.ChoiceField(label=_("State"), required=False, choices=[("", _("all")), *Certificate.State.choices])


class AlertFilterForm(forms.Form):
    """`/alerts/?q=&kind=&state=`; without a state those that are open."""

    q = forms.CharField(
        label=_("VIN or registration"),
        required=False,
        max_length=SEARCH_LENGTH_MAX,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    kind = forms.ChoiceField(label=_("Kind"), required=False, choices=[("", _("all")), *DriftAlert.Kind.choices])
    state = forms.ChoiceField(
        label=_("State"),
        required=False,
        choices=[("", DriftAlert.State.OPEN.label), ("resolved", DriftAlert.State.RESOLVED.label), ("any", _("all"))],
    )


class AcknowledgementForm(RecordForm):
    """What is to be done about an alert."""

    note = PlainText(
        label=_("What is to be done"),
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=_("And by when. The alert stays open until the matter is put right."),
        error_messages={"required": _("Say in a sentence what is to be done.")},
    )


class ExplanationForm(RecordForm):
    """What explains that the records do not go with a head."""

    explanation = PlainText(
        label=_("What explains it"),
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=_("And who found that out. The finding stays where it is."),
        error_messages={"required": _("Say in a sentence what explains it.")},
    )


class ReplacementForm(RecordForm):
    """Why another certificate is to take this one's place."""

    reason = PlainText(
        label=_("What is wrong with it"),
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=_("The new one states it. The old one stays on record and holds until the new one is issued."),
        error_messages={"required": _("Say in a sentence what is wrong.")},
    )


class SendAgainForm(RecordForm):
    """Nothing to fill in; its id alone, so that pressed twice it is one sending."""

    def tell(self, request: HttpRequest) -> None:
        """Say on the next page why it was refused."""
        for errors in self.errors.values():
            for error in errors:
                messages.warning(request, str(error))
