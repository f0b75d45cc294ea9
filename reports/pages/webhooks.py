"""Webhooks: other programs that are told of events; what was sent to each, and sending it again."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar
from uuid import UUID

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.pages.bodies import BodyForm
from fleet.pages.changing import ChangePage, FormPage
from fleet.pages.lists import part_of
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission

from ..api.webhook_serializers import RotationInput, WebhookChange, WebhookFields, WebhookInput
from ..models import Webhook, WebhookDelivery
from ..selectors.webhooks import deliveries_of, visible_webhooks, webhook_for
from ..services.webhook_deliveries import delivery_replay
from ..services.webhooks import (
    OVERLAP_HOURS,
    shown_again,
    webhook_add,
    webhook_end,
    webhook_rotate_secret,
    webhook_update,
)
from .forms import SendAgainForm

LABELS: Mapping[str, Any] = {
    "url": gettext_lazy("Address of the receiver"),
    "events": gettext_lazy("Told of"),
    "active": gettext_lazy("Messages are sent"),
}


class NewWebhookForm(BodyForm):
    """Where messages go, and of which events."""

    body_class: ClassVar[type[WebhookFields]] = WebhookInput
    labels = LABELS
    hints: ClassVar = {
        "url": gettext_lazy(
            "Where the other program waits for messages. Whoever runs that program knows it; it begins with https://."
        ),
        "events": gettext_lazy("Each time one of these happens, a message is sent at once."),
    }

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["events"].choices = Webhook.Event.choices  # type: ignore[attr-defined]


class WebhookForm(NewWebhookForm):
    """The same, and whether messages are sent at all."""

    body_class: ClassVar[type[WebhookFields]] = WebhookChange
    hints: ClassVar = {
        **NewWebhookForm.hints,
        "active": gettext_lazy("Without a tick nothing is sent. What is stopped by that can be sent again."),
    }


class RotationForm(BodyForm):
    """For how long the old secret goes on."""

    body_class = RotationInput
    labels: ClassVar = {"overlap_hours": gettext_lazy("The old secret goes on for")}
    units: ClassVar = {"overlap_hours": gettext_lazy("hours")}


class WebhooksView(WorkshopPage):
    """`/webhooks/`"""

    permission = Permission.SET_UP

    def get(self, request: HttpRequest) -> HttpResponse:
        part = part_of(request, visible_webhooks(self.actor).order_by("created_at", "id"))
        values = {"part": part, "rows": [shown_webhook(each) for each in part.rows]}
        return render(request, "reports/pages/webhooks.html", values)


class NewWebhookView(FormPage):
    """`/webhooks/new/`"""

    template = "reports/pages/webhook_new.html"
    form_class = NewWebhookForm
    model = Webhook
    kind = Webhook._meta.label_lower
    leads_to = "webhooks_page"
    heading = gettext_lazy("Add a webhook")
    explanation = gettext_lazy(
        "Have another program told when something happens here, so that nobody has to look: a planning board that "
        "shows signed-off jobs, or an operator’s system that fetches new certificates. A message holds ids and "
        "numbers, and no person’s name."
    )
    submit = gettext_lazy("Add")

    def make(self, record_id: UUID, values: dict[str, Any]) -> tuple[Webhook, str]:
        return webhook_add(actor=self.actor, record_id=record_id, **values)

    def find(self, record_id: UUID) -> tuple[Webhook, str]:
        return shown_again(record_id)

    def answer(self, made: tuple[Webhook, str]) -> HttpResponse:
        return secret_page(self.request, *made)


class WebhookView(ChangePage):
    """`/webhooks/<id>/`: what it is, its form, and what was sent."""

    template = "reports/pages/webhook.html"
    form_class = WebhookForm
    model = Webhook
    parameter = "webhook"
    kind = "page.webhook_update"
    leads_to = "webhooks_page"
    done = gettext_lazy("The webhook is changed.")

    def records(self) -> QuerySet[Webhook]:
        return visible_webhooks(self.actor)

    def initial(self) -> Mapping[str, Any]:
        webhook = self.record
        is_active = webhook.state == Webhook.State.ACTIVE
        return {"url": webhook.url, "events": webhook.events, "active": is_active, "version": webhook.version}

    def change(self, versions: list[int], values: dict[str, Any]) -> Webhook:
        return webhook_update(
            actor=self.actor, webhook_id=self.kwargs["webhook"], expected_versions=versions, changes=values
        )

    def destination(self, made: Any) -> str:
        return reverse("webhook_page", args=[self.kwargs["webhook"]])

    def context(self) -> Mapping[str, Any]:
        webhook = self.record
        part = part_of(self.request, deliveries_of(webhook).order_by("-created_at", "-id"))
        return {
            "heading": gettext_lazy("Webhook"),
            **shown_webhook(webhook),
            "is_ended": webhook.state == Webhook.State.ENDED,
            "is_active": webhook.state == Webhook.State.ACTIVE,
            "part": part,
            "deliveries": [shown_delivery(each) for each in part.rows],
        }


class RotateSecretView(FormPage):
    """`/webhooks/<id>/rotation/`"""

    form_class = RotationForm
    model = Webhook
    kind = "reports.webhook_rotation"
    heading = gettext_lazy("Another secret")
    explanation = gettext_lazy(
        "Messages carry the signatures of both secrets until the old one ends, so that the receiver has time to change."
    )
    submit = gettext_lazy("Make another secret")

    def get(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        webhook_for(self.actor, kwargs["webhook"])  # not found otherwise
        return super().get(request, **kwargs)

    def initial(self) -> Mapping[str, Any]:
        return {"overlap_hours": OVERLAP_HOURS}

    def make(self, record_id: UUID, values: dict[str, Any]) -> tuple[Webhook, str]:
        webhook_id = self.kwargs["webhook"]
        return webhook_rotate_secret(actor=self.actor, record_id=record_id, webhook_id=webhook_id, **values)

    def find(self, record_id: UUID) -> tuple[Webhook, str]:
        return shown_again(record_id)

    def answer(self, made: tuple[Webhook, str]) -> HttpResponse:
        return secret_page(self.request, *made)

    def cancel_url(self) -> str:
        return reverse("webhook_page", args=[self.kwargs["webhook"]])


class EndWebhookView(WorkshopPage):
    """`/webhooks/<id>/end/`: harmless when repeated."""

    permission = Permission.SET_UP

    def post(self, request: HttpRequest, webhook: UUID) -> HttpResponse:
        webhook_end(actor=self.actor, webhook_id=webhook)
        messages.success(request, _("The webhook is ended. Nothing is sent there any more."))
        return redirect("webhooks_page")


class ReplayView(WorkshopPage):
    """`/webhooks/<id>/deliveries/<id>/replay/`: the same form sent twice sends the message once."""

    permission = Permission.SET_UP

    def post(self, request: HttpRequest, webhook: UUID, delivery: UUID) -> HttpResponse:
        known = webhook_for(self.actor, webhook)
        form = SendAgainForm(request.POST)
        if form.is_valid() and self._replayed(form, known, delivery) is not None:
            messages.success(request, _("It is being sent once more. The receiver knows it by its id."))
        else:
            form.tell(request)
        return redirect("webhook_page", webhook=webhook)

    def _replayed(self, form: SendAgainForm, webhook: Webhook, delivery: UUID) -> WebhookDelivery | None:
        return self.once(
            "reports.webhook_replay",
            form,
            lambda record_id, _body: delivery_replay(
                actor=self.actor, record_id=record_id, webhook_id=webhook.pk, delivery_id=delivery
            ),
            lambda _record_id: WebhookDelivery.objects.get(pk=delivery),
            delivery=delivery,
        )


def secret_page(request: HttpRequest, webhook: Webhook, secret: str) -> HttpResponse:
    values = {"webhook": webhook, "secret": secret}
    page = render(request, "reports/pages/webhook_secret.html", values)
    page["Cache-Control"] = "no-store"
    return page


def shown_webhook(webhook: Webhook) -> dict[str, Any]:
    return {
        "webhook": webhook,
        "state": Webhook.State(webhook.state).label,
        "events": [Webhook.Event(each).label for each in webhook.events],
    }


def shown_delivery(delivery: WebhookDelivery) -> dict[str, Any]:
    return {
        "delivery": delivery,
        "event": Webhook.Event(delivery.event).label,
        "state": WebhookDelivery.State(delivery.state).label,
        "attempts": list(delivery.attempts_made.all()),
        "form": SendAgainForm(),
    }
