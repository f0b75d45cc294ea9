"""Webhooks: added, changed, given another secret, ended. Only managers do."""

from __future__ import annotations

import base64
import secrets
import uuid
from collections.abc import Collection, Mapping
from datetime import datetime, timedelta
from typing import Any, Final

from cryptography.fernet import Fernet
from django.conf import settings
from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet import ledger
from fleet.actor import Actor
from fleet.errors import Conflict, Invalid, NotFound
from fleet.models import Workshop
from fleet.permissions import Permission, require
from fleet.services.changes import locked, store
from fleet.sign_in.ciphers import cipher

from ..models import Webhook, WebhookSecret
from ..outbound.target import BadUrlError, InternalAddressError, NotFoundError, addresses_of, target_of

SECRET_BYTES: Final = 32
SECRET_PREFIX: Final = "whsec_"  # noqa: S105  (as the Standard Webhooks scheme names it)
MOST_WEBHOOKS: Final = 20
OVERLAP_HOURS: Final = 24
OVERLAP_HOURS_MAX: Final = 168
State = Webhook.State

INTERNAL: Final = gettext_lazy(
    "This address leads into an internal network, where nothing is sent. Use one that is reached from the internet, "
    "or ask whoever runs the service to allow that network (LEVELBOOK_WEBHOOK_NETWORKS)."
)
_REASONS: Final[Mapping[str, Any]] = {
    "url_form": gettext_lazy(
        "Must be a whole address like https://hooks.example.com/levelbook: visible characters of ASCII only, no "
        "backslash and no # part."
    ),
    "https_required": gettext_lazy(
        "Must begin with https://, so that nobody reads along. Give the receiver a certificate, or ask whoever runs "
        "the service to allow http (LEVELBOOK_WEBHOOK_HTTP)."
    ),
    "url_with_password": gettext_lazy(
        "Must hold no name or password before the host. The receiver knows messages by their signature."
    ),
    "port_refused": gettext_lazy(
        "This port is not one that messages are sent to. Leave it out, or ask whoever runs the service to allow it "
        "(LEVELBOOK_WEBHOOK_PORTS)."
    ),
}


def webhook_add(*, actor: Actor, record_id: uuid.UUID, url: str, events: Collection[str]) -> tuple[Webhook, str]:
    """A webhook and its secret, which is shown this once."""
    require(actor, Permission.SET_UP)
    _require_url(url)
    _require_room(actor)
    webhook = Webhook.objects.create(id=record_id, url=url, events=sorted(set(events)), created_at=actor.now)
    secret, plain = _new_secret(actor, webhook, record_id)
    ledger.append(actor, "webhook_added", webhook, rows=[secret])
    return webhook, plain


def webhook_update(
    *, actor: Actor, webhook_id: uuid.UUID, expected_versions: Collection[int], changes: Mapping[str, Any]
) -> Webhook:
    """Another address, other events, or active again after it was disabled."""
    require(actor, Permission.SET_UP)
    webhook = locked(Webhook.objects.all(), webhook_id, expected_versions)
    _require_not_ended(webhook)
    wanted = dict(changes)
    if wanted.get("url", webhook.url) != webhook.url:
        _require_url(wanted["url"])
    if "events" in wanted:
        wanted["events"] = sorted(set(wanted["events"]))
    if "active" in wanted:
        wanted["state"] = State.ACTIVE if wanted.pop("active") else State.DISABLED
    if wanted.get("state") == State.ACTIVE:
        wanted |= {"is_gone": False, "failing_since": webhook.failing_since if webhook.state == State.ACTIVE else None}
    if store(webhook, wanted):
        ledger.append(actor, "webhook_changed", webhook)
    return webhook


def webhook_end(*, actor: Actor, webhook_id: uuid.UUID) -> Webhook:
    """End it for good. Ended twice, nothing changes."""
    require(actor, Permission.SET_UP)
    webhook = _locked(webhook_id)
    if webhook.state != State.ENDED:
        store(webhook, {"state": State.ENDED, "is_gone": False})
        ledger.append(actor, "webhook_ended", webhook)
    return webhook


def webhook_disable_gone(actor: Actor, webhook: Webhook) -> None:
    """The receiver has answered 410: it wants nothing any more."""
    if store(webhook, {"state": State.DISABLED, "is_gone": True}):
        ledger.append(actor, "webhook_disabled", webhook)


def webhook_rotate_secret(
    *, actor: Actor, record_id: uuid.UUID, webhook_id: uuid.UUID, overlap_hours: int = OVERLAP_HOURS
) -> tuple[Webhook, str]:
    """Another secret; the one before signs beside it for so many hours, so that the receiver has time to change."""
    require(actor, Permission.SET_UP)
    webhook = _locked(webhook_id)
    _require_not_ended(webhook)
    ends = actor.now + timedelta(hours=overlap_hours)
    old = list(holding_secrets(webhook, actor.now).filter(Q(expires_at__isnull=True) | Q(expires_at__gt=ends)))
    for each in old:
        each.expires_at = ends
        each.save(update_fields=["expires_at"])
    secret, plain = _new_secret(actor, webhook, record_id)
    ledger.append(actor, "webhook_secret_rotated", webhook, rows=[secret, *old])
    return webhook, plain


def shown_again(secret_id: uuid.UUID) -> tuple[Webhook, str]:
    """What a request answered whose first answer was lost on the way."""
    secret = WebhookSecret.objects.select_related("webhook").filter(pk=secret_id).first()
    if secret is None:
        raise NotFound
    return secret.webhook, opened(secret)


def holding_secrets(webhook: Webhook, now: datetime) -> Any:
    """Newest first."""
    return webhook.secrets.filter(Q(expires_at__isnull=True) | Q(expires_at__gt=now))


def opened(secret: WebhookSecret) -> str:
    return _cipher().decrypt(secret.sealed.encode()).decode()


def _new_secret(actor: Actor, webhook: Webhook, record_id: uuid.UUID) -> tuple[WebhookSecret, str]:
    plain = SECRET_PREFIX + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode()
    sealed = _cipher().encrypt(plain.encode()).decode()
    made = WebhookSecret.objects.create(id=record_id, webhook=webhook, sealed=sealed, created_at=actor.now)
    return made, plain


def _cipher() -> Fernet:
    return cipher("webhooks")


def _locked(webhook_id: uuid.UUID) -> Webhook:
    webhook = Webhook.objects.select_for_update(no_key=True).filter(pk=webhook_id).first()
    if webhook is None:
        raise NotFound
    return webhook


def _require_room(actor: Actor) -> None:
    """One at a time, else several take the last place."""
    Workshop.objects.select_for_update(no_key=True).get(pk=actor.workshop_id)
    if Webhook.objects.exclude(state=State.ENDED).count() >= MOST_WEBHOOKS:
        text = _("A workshop has at most %(most)s webhooks. End one that is not needed any more.")
        raise Conflict(text % {"most": MOST_WEBHOOKS}, code="too_many_webhooks")


def _require_not_ended(webhook: Webhook) -> None:
    if webhook.state == State.ENDED:
        raise Conflict(_("This webhook was ended. Add another one in its place."), code="webhook_ended")


def _require_url(url: str) -> None:
    """A name that has no address now is taken: that may come, and each message is checked anew."""
    policy = settings.WEBHOOK_POLICY
    try:
        target = target_of(url, ports=policy.ports, allows_http=policy.allows_http)
        addresses_of(target, allowed=policy.networks)
    except BadUrlError as error:
        raise Invalid.at("/url", error.code, _REASONS[error.code]) from error
    except InternalAddressError as error:
        raise Invalid.at("/url", "internal_address", INTERNAL) from error
    except NotFoundError:
        return
