"""How pages are shown to oneself: language and unit."""

from __future__ import annotations

from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import translation
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet import services
from fleet.models import Membership
from fleet.services.changes import acting_person

from .access import MemberView


def offered_languages() -> list[tuple[str, Any]]:
    """Each by its own name, for whoever reads no other."""
    return [("", gettext_lazy("as the browser asks")), *settings.LANGUAGES]


class _OneOf(forms.ChoiceField):
    """Leaving it to others is a choice like the rest: nothing is left out."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.empty_values = [None]


class PreferencesForm(forms.Form):
    """The acting person's own."""

    use_required_attribute = False

    language = _OneOf(
        label=gettext_lazy("Language"),
        choices=offered_languages,
        help_text=gettext_lazy(
            "Of these pages, and of e-mails to you. Tablets speak the language of their own browser."
        ),
        widget=forms.Select(attrs={"autocomplete": "off"}),
    )
    length_unit = _OneOf(
        label=gettext_lazy("Heights are shown in"),
        choices=Membership.LengthUnit.choices,
        help_text=gettext_lazy("Records are kept in millimetres."),
        widget=forms.Select(attrs={"autocomplete": "off"}),
    )


class PreferencesView(MemberView):
    """`/account/preferences/`"""

    keeps_entries = True

    def get(self, request: HttpRequest) -> HttpResponse:
        me = acting_person(self.actor, Membership.objects.all())
        form = PreferencesForm(initial={"language": me.language, "length_unit": me.length_unit})
        return self._page(self.filled_in(form))

    def post(self, request: HttpRequest) -> HttpResponse:
        form = PreferencesForm(request.POST)
        if not form.is_valid():
            return self._page(form, status=422)
        me = services.preferences_set(actor=self.actor, **form.cleaned_data)
        translation.activate(me.language or translation.get_language_from_request(request))
        messages.success(request, _("Pages are shown as you chose."))
        return redirect("account")

    def _page(self, form: PreferencesForm, status: int = 200) -> HttpResponse:
        return render(self.request, "fleet/preferences.html", {"form": form}, status=status)
