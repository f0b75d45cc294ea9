"""The workshop's settings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext_lazy as _

from fleet import services
from fleet.api.workshop import SIGNING_IN_ROLES, WorkshopChanges
from fleet.models import Role, Workshop
from fleet.time_zones import time_zones

from .bodies import BodyForm, Group
from .changing import ChangePage

LABELS: Mapping[str, Any] = {
    "name": _("Name"),
    "address": _("Address"),
    "email": _("E-mail address"),
    "telephone": _("Telephone"),
    "time_zone": _("Time zone"),
    "language": _("Language of certificates and e-mails"),
    "length_unit": _("Heights are shown in"),
    "page_size": _("Paper of certificates"),
    "single_person": _("One person approves alone"),
    "second_factor_required_for": _("Second factor required for"),
}


def _time_zones() -> list[tuple[str, str]]:
    return [(name, name.replace("_", " ")) for name in sorted(time_zones())]


class SettingsForm(BodyForm):
    """Settings of the workshop."""

    body_class = WorkshopChanges
    labels = LABELS
    hints: ClassVar = {
        "time_zone": _("In which all times are shown, here and on certificates; it says which day it is."),
        "length_unit": _("For whoever has not chosen otherwise. Records are kept in millimetres."),
        "language": _(
            "What a person chose goes before it in e-mails to them; pages are in what they chose or their browser asks "
            "for."
        ),
        "page_size": "",
        "single_person": _("Only while nobody else may approve. It ends by itself when a second person may."),
        "second_factor_required_for": _("They are led to set one up before they can do anything else."),
    }
    choices: ClassVar = {"time_zone": _time_zones}
    groups = (
        Group(_("On certificates"), ("name", "address", "email", "telephone", "language", "page_size")),
        Group(_("How figures are shown"), ("time_zone", "length_unit")),
        Group(_("Who may do what"), ("single_person", "second_factor_required_for")),
    )

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        roles = [(role, Role(role).label) for role in SIGNING_IN_ROLES]
        self.fields["second_factor_required_for"].choices = roles  # type: ignore[attr-defined]  # a field of choices


class SettingsView(ChangePage):
    """`/settings/`"""

    form_class = SettingsForm
    model = Workshop
    kind = "page.workshop_update"
    leads_to = "settings"
    done = _("The settings are changed.")

    @property
    def record(self) -> Workshop:
        return Workshop.objects.get()

    def initial(self) -> Mapping[str, Any]:
        workshop = self.record
        return {name: getattr(workshop, name) for name in (*LABELS, "version")}

    def change(self, versions: list[int], values: dict[str, Any]) -> Workshop:
        return services.workshop_update(actor=self.actor, expected_versions=versions, changes=values)

    def find(self, record_id: UUID) -> Workshop:
        return self.record

    def context(self) -> Mapping[str, Any]:
        return {"heading": _("Settings")}
