"""The first steps of a workshop: what is there, what is missing, and where to go next, up to its first job."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.permissions import Permission
from fleet.registering import register_all
from fleet.selectors.set_up import SetUp, set_up_of

from .changing import BACK_TO_FIRST_STEPS
from .public_address import BENCH
from .workshop_page import WorkshopPage


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that a first job needs; `found` says what of it is there."""

    heading: str
    explanation: str
    found: str
    is_done: bool
    url: str
    action: str
    may_wait: bool = False
    """The job can be done without, but better with it."""


_other_beginnings: dict[str, Any] = {}


def register_other_beginning(name: str, label: Any) -> None:
    """Say by which page else a workshop that has nothing yet may begin: the name of its address, and what it says."""
    _other_beginnings[name] = label


class FirstStepsView(WorkshopPage):
    """`/first-steps/`"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest) -> HttpResponse:
        register_all("pages.navigation")
        set_up = set_up_of(self.actor)
        steps = [make(set_up) for make in STEPS]
        missing = [step for step in steps if not step.is_done]
        values = {
            "steps": steps,
            "next_step": next((step for step in missing if not step.may_wait), None),
            "done": len(steps) - len(missing),
            "other_beginnings": _other_beginnings if _is_empty(set_up) else {},
            "is_finished": set_up.jobs.signed_off > 0,
        }
        return render(request, "fleet/setup/first_steps.html", values)


def _is_empty(has: SetUp) -> bool:
    return not (has.operators or has.vehicle_models or has.vehicles or has.bays or has.jobs.opened)


def _there_and_back(name: str, *args: Any) -> str:
    return reverse(name, args=args) + BACK_TO_FIRST_STEPS


def _workshop(has: SetUp) -> Step:
    found = _("Time zone %(zone)s") % {"zone": has.time_zone}
    return Step(
        _("Your workshop"),
        _(
            "Name, address and time zone stand on every certificate. All times are shown in this zone: where it is not "
            "yours, change it in the settings."
        ),
        found if has.has_address else _("%(found)s, no address yet") % {"found": found},
        has.has_address,
        _there_and_back("settings"),
        _("Open the settings"),
    )


def _people(has: SetUp) -> Step:
    return Step(
        _("People"),
        _(
            "Whoever measures signs the job off with a PIN of their own: people set theirs by the link of their "
            "invitation, you set yours under “Your account”. In a one-person workshop switch on “One person approves "
            "alone” in the settings, too, or what needs approval waits for a second person."
        ),
        ngettext("%(n)s person can sign", "%(n)s people can sign", has.may_sign) % {"n": has.may_sign},
        has.may_sign > 0,
        reverse("people"),
        _("See the people"),
    )


def _operator(has: SetUp) -> Step:
    return Step(
        _("An operator"),
        _("Whose vehicles these are: the customer, or you."),
        ngettext("%(n)s operator", "%(n)s operators", has.operators) % {"n": has.operators},
        has.operators > 0,
        _there_and_back("operator_new"),
        _("Add an operator"),
    )


def _vehicle_model(has: SetUp) -> Step:
    return Step(
        _("A vehicle model"),
        _("Make, model and model years."),
        ngettext("%(n)s vehicle model", "%(n)s vehicle models", has.vehicle_models) % {"n": has.vehicle_models},
        has.vehicle_models > 0,
        _there_and_back("vehicle_model_new"),
        _("Add a vehicle model"),
    )


def _specification(has: SetUp) -> Step:
    bare = has.model_without_specification
    return Step(
        _("Its specification"),
        _("Targets, tolerances and limits, from the manufacturer's manual. Have it at hand; it takes ten minutes."),
        ngettext("%(n)s model has one in force", "%(n)s models have one in force", has.specified_models)
        % {"n": has.specified_models},
        has.specified_models > 0,
        _there_and_back("specification_new", bare) if bare else reverse("vehicle_models"),
        _("Record a specification"),
    )


def _instrument(has: SetUp) -> Step:
    found = ngettext("%(n)s in use", "%(n)s in use", has.instruments_in_use) % {"n": has.instruments_in_use}
    if has.instruments_overdue:
        found += _(", %(n)s overdue for calibration") % {"n": has.instruments_overdue}
    return Step(
        _("An instrument"),
        _("The tape, rule or laser with which heights are measured, and when it is due for calibration."),
        found,
        has.instruments_in_use > 0,
        _there_and_back("instrument_new"),
        _("Add an instrument"),
    )


def _bay(has: SetUp) -> Step:
    return Step(
        _("A bay"),
        _("Where vehicles are measured. Its floor survey tells a twisted body from a crooked floor."),
        ngettext("%(n)s bay", "%(n)s bays", has.bays) % {"n": has.bays},
        has.bays > 0,
        _there_and_back("bay_new"),
        _("Add a bay"),
        may_wait=True,
    )


def _vehicle(has: SetUp) -> Step:
    return Step(
        _("A vehicle"),
        _("Its VIN stands on a plate on the body and in the papers."),
        ngettext("%(n)s vehicle", "%(n)s vehicles", has.vehicles) % {"n": has.vehicles},
        has.vehicles > 0,
        _there_and_back("vehicle_new"),
        _("Add a vehicle"),
    )


def _tyres(has: SetUp) -> Step:
    vin = has.first_vehicle
    return Step(
        _("Its tyres"),
        _("Size, load index and speed symbol from the sidewalls. A tyre of another size stands otherwise."),
        ngettext("%(n)s vehicle has them recorded", "%(n)s vehicles have them recorded", has.vehicles_with_tyres)
        % {"n": has.vehicles_with_tyres},
        has.vehicles_with_tyres > 0,
        _there_and_back("fitment_new", vin) if vin else _there_and_back("vehicle_new"),
        _("Record the tyres"),
        may_wait=True,
    )


def _tablet(has: SetUp) -> Step:
    return Step(
        _("A tablet"),
        _("Jobs are done on the bench, on a tablet or on any other device with a browser."),
        ngettext("%(n)s tablet enrolled", "%(n)s tablets enrolled", has.tablets) % {"n": has.tablets},
        has.tablets > 0,
        reverse("tablets"),
        _("Enrol a tablet"),
        may_wait=True,
    )


def _job(has: SetUp) -> Step:
    return Step(
        _("The first job"),
        _("Open the vehicle on the bench and follow what it asks for, up to the sign-off."),
        _("%(opened)s opened, %(signed)s signed off") % {"opened": has.jobs.opened, "signed": has.jobs.signed_off},
        has.jobs.signed_off > 0,
        f"{BENCH}#/vehicle/{has.first_vehicle}" if has.first_vehicle else BENCH,
        _("Open the bench"),
    )


STEPS: Final[tuple[Callable[[SetUp], Step], ...]] = (
    _workshop,
    _people,
    _operator,
    _vehicle_model,
    _specification,
    _instrument,
    _bay,
    _vehicle,
    _tyres,
    _tablet,
    _job,
)
