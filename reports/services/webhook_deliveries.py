"""Messages to webhooks: written with the event, sent by the outbox, tried again over days, replayed by managers.

Each attempt is an outbox item; what came of it and the item of the next one commit together. A worker that is lost
between sending and that commit sends the same message once more: same `webhook-id`, same bytes, by which the
Standard Webhooks scheme has receivers leave a repeat aside.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from http import HTTPStatus
from typing import Any, Final

from django.conf import settings
from django.utils.translation import gettext as _
from standardwebhooks import Webhook as Signer

from fleet import outbox
from fleet.actor import Actor
from fleet.errors import Conflict, NotFound
from fleet.permissions import Permission, require

from ..models import Webhook, WebhookAttempt, WebhookDelivery
from ..outbound.post import Answer, UnansweredError
from ..outbound.sending import send
from ..outbound.target import BadUrlError, InternalAddressError, NotFoundError
from .webhooks import holding_secrets, opened, webhook_disable_gone

KIND: Final = "reports.webhook_attempt"
CLEAR_KIND: Final = "reports.old_deliveries"
CLEARED_AT_ONCE: Final = 2_000
PAUSES: Final = outbox.PAUSES_OUTSIDE
"""Between attempts, as the Standard Webhooks scheme recommends: ten attempts within some three days."""
LONGEST_WISH: Final = timedelta(days=1)
"""Of a receiver that asks to be left alone for a while."""
PATIENT: Final = (HTTPStatus.TOO_MANY_REQUESTS, HTTPStatus.SERVICE_UNAVAILABLE)
_NAMESPACE: Final = uuid.UUID("0b8e0a52-7f0e-5a3c-9f5b-1f6a2d1c7e42")
State = WebhookDelivery.State
Outcome = WebhookAttempt.Outcome


def event_tell(actor: Actor, event: str, record_id: uuid.UUID, data: Mapping[str, Any]) -> None:
    """Write a message to every webhook that wants to know. Told twice of the same, it is one message.

    `data` holds ids, numbers and states; never a person's name or address.
    """
    for webhook in Webhook.objects.filter(state=Webhook.State.ACTIVE, events__contains=[event]):
        message_id = f"msg_{uuid.uuid5(_NAMESPACE, f'{webhook.pk}:{event}:{record_id}').hex}"
        delivery, is_new = WebhookDelivery.objects.get_or_create(
            webhook=webhook,
            message_id=message_id,
            defaults={
                "event": event,
                "body": _body(event, actor.now, data),
                "created_at": actor.now,
                "next_attempt_at": actor.now,
            },
        )
        if is_new:
            _ask_for_attempt(actor, delivery, actor.now)


def delivery_attempt(*, actor: Actor, delivery_id: uuid.UUID, series: int) -> WebhookAttempt | None:
    """Send a message and note what came of it. None where it is gone, done, or another replay sends it."""
    delivery = WebhookDelivery.objects.select_for_update(no_key=True).filter(pk=delivery_id).first()
    if delivery is None or delivery.state != State.WAITING or delivery.series != series:
        return None
    webhook = Webhook.objects.get(pk=delivery.webhook_id)
    if webhook.state != Webhook.State.ACTIVE:
        _finish(delivery, State.STOPPED, actor.now)
        delivery.save()
        return None
    made, wish = _attempted(actor, webhook, delivery)
    made.save(force_insert=True)
    delivery.attempts += 1
    if made.status is not None and made.status // 100 == 2:
        _finish(delivery, State.DELIVERED, actor.now)
        Webhook.objects.filter(pk=webhook.pk, failing_since__isnull=False).update(failing_since=None)
    elif made.status == HTTPStatus.GONE:
        _finish(delivery, State.STOPPED, actor.now)
        webhook_disable_gone(actor, Webhook.objects.select_for_update(no_key=True).get(pk=webhook.pk))
    else:
        Webhook.objects.filter(pk=webhook.pk, failing_since__isnull=True).update(failing_since=actor.now)
        _go_on(actor, delivery, wish)
    delivery.save()
    return made


def delivery_replay(
    *, actor: Actor, record_id: uuid.UUID, webhook_id: uuid.UUID, delivery_id: uuid.UUID
) -> WebhookDelivery:
    """Send a message once more at once, with all its attempts; the receiver knows it by its id."""
    require(actor, Permission.SET_UP)
    wanted = WebhookDelivery.objects.filter(pk=delivery_id, webhook=webhook_id)
    if not wanted.exists():
        raise NotFound
    held = wanted.select_for_update(no_key=True, of=("self",), skip_locked=True)
    delivery = held.select_related("webhook").first()
    if delivery is None:
        raise Conflict(_("This message is being sent at this moment. Look again shortly."), code="being_sent")
    if delivery.webhook.state != Webhook.State.ACTIVE:
        raise Conflict(
            _("This webhook is not active, so nothing is sent. Make it active again first, unless it was ended."),
            code="webhook_not_active",
        )
    delivery.series += 1
    delivery.attempts = 0
    delivery.state, delivery.finished_at, delivery.next_attempt_at = State.WAITING, None, actor.now
    delivery.save()
    _ask_for_attempt(actor, delivery, actor.now)
    return delivery


def old_deliveries_clear(*, actor: Actor) -> None:
    """Remove the messages that are over for long enough, with their attempts; so many at once, then it goes on."""
    until = actor.now - timedelta(days=settings.WEBHOOK_DELIVERIES_DAYS)
    over = WebhookDelivery.objects.filter(finished_at__lt=until).exclude(state=State.WAITING)
    found = list(over.select_for_update(skip_locked=True).order_by("id").values_list("pk", flat=True)[:CLEARED_AT_ONCE])
    WebhookAttempt.objects.filter(delivery__in=found).delete()
    WebhookDelivery.objects.filter(pk__in=found).delete()
    if len(found) == CLEARED_AT_ONCE:
        outbox.append(actor, CLEAR_KIND, {})


def signed_headers(message_id: str, body: str, secrets: list[str], now: datetime) -> dict[str, str]:
    """The three header fields of the Standard Webhooks scheme, with one signature for each secret that holds."""
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(int(now.timestamp())),
        "webhook-signature": " ".join(Signer(each).sign(message_id, now.astimezone(UTC), body) for each in secrets),
    }


def _body(event: str, now: datetime, data: Mapping[str, Any]) -> str:
    return json.dumps({"type": event, "timestamp": now.isoformat(), "data": dict(data)}, separators=(",", ":"))


def _ask_for_attempt(actor: Actor, delivery: WebhookDelivery, due_at: datetime) -> None:
    outbox.append(actor, KIND, {"delivery": str(delivery.pk), "series": delivery.series}, due_at=due_at)


def _attempted(actor: Actor, webhook: Webhook, delivery: WebhookDelivery) -> tuple[WebhookAttempt, timedelta | None]:
    """With how long the receiver wishes to be left alone."""
    made, wish = WebhookAttempt(delivery=delivery, made_at=actor.now), None
    try:
        answer = _sent(webhook, delivery, actor.now)
    except (BadUrlError, InternalAddressError):
        made.outcome, made.error = Outcome.REFUSED, "internal or forbidden address"
    except (NotFoundError, UnansweredError) as error:
        made.outcome, made.error = Outcome.UNANSWERED, str(error)[:300]
    else:
        made.outcome, made.status = Outcome.ANSWERED, answer.status
        if answer.status in PATIENT and answer.retry_after_s is not None:
            wish = timedelta(seconds=answer.retry_after_s)
    return made, wish


def _sent(webhook: Webhook, delivery: WebhookDelivery, now: datetime) -> Answer:
    secrets = [opened(each) for each in holding_secrets(webhook, now)]
    headers = {
        "Content-Type": "application/json",
        "User-Agent": "Levelbook-Webhooks/1",
        **signed_headers(delivery.message_id, delivery.body, secrets, now),
    }
    policy = settings.WEBHOOK_POLICY
    return send(
        webhook.url,
        delivery.body.encode(),
        headers,
        networks=policy.networks,
        ports=policy.ports,
        allows_http=policy.allows_http,
    )


def _go_on(actor: Actor, delivery: WebhookDelivery, wish: timedelta | None) -> None:
    """Ask for the next attempt, or give up after the last: a manager sees it then, and may replay it."""
    if delivery.attempts > len(PAUSES):
        _finish(delivery, State.FAILED, actor.now)
        return
    pause = max(PAUSES[delivery.attempts - 1], min(wish or timedelta(0), LONGEST_WISH))
    delivery.next_attempt_at = actor.now + pause
    _ask_for_attempt(actor, delivery, delivery.next_attempt_at)


def _finish(delivery: WebhookDelivery, state: WebhookDelivery.State, now: datetime) -> None:
    delivery.state, delivery.finished_at, delivery.next_attempt_at = state, now, None
