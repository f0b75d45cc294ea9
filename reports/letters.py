"""E-mails as such: one recipient each, plain text with the same as simple HTML, known again when sent once more.

The people of a demo workshop are invented, so nothing is sent to them. What somebody may do without says at its end,
and in its header (RFC 2369, RFC 8058), how to.
"""

from __future__ import annotations

import re
import smtplib
import uuid
from html import escape
from typing import Final
from urllib.parse import urlsplit

from django.conf import settings
from django.core.mail import EmailMultiAlternatives
from django.utils.translation import get_language
from django.utils.translation import gettext as _

from fleet.models import Workshop
from fleet.outbox import Unreachable

from .selectors.notices import stop_code
from .selectors.recipients import Recipient, is_declined

_NAMESPACE: Final = uuid.UUID("5b0c7a52-6a1d-5c53-9e0f-3d3c3d1f6a10")
_ADDRESS: Final = re.compile(r"https?://[^\s<>\"]+")
_ITEM: Final = "- "

Attachment = tuple[str, bytes, str]
"""Name, content, type."""


def message_id(subject: str, *ids: uuid.UUID) -> str:
    """The same for every attempt to send the same thing to the same recipient."""
    name = ":".join((subject, *map(str, ids)))
    return f"<{uuid.uuid5(_NAMESPACE, name)}@{urlsplit(settings.PUBLIC_URL).hostname or 'levelbook'}>"


def send(address: str | None, identity: str, subject: str, text: str, *, attachment: Attachment | None = None) -> None:
    """What nobody may do without: an invitation, a link. Raises `Unreachable` where the mail server does not answer."""
    _hand_over(address, identity, subject, text, {}, attachment)


def send_notice(
    recipient: Recipient,
    kind: str,
    identity: str,
    subject: str,
    text: str,
    *,
    attachment: Attachment | None = None,
) -> None:
    """What the recipient may do without; nothing where they do."""
    if is_declined(recipient, kind):
        return
    stop = f"{settings.PUBLIC_URL}/notices/{stop_code(recipient, kind)}/"
    headers = {"List-Unsubscribe": f"<{stop}>", "List-Unsubscribe-Post": "List-Unsubscribe=One-Click"}
    ending = _("To get no more e-mails of this kind:\n%(url)s\n") % {"url": stop}
    _hand_over(recipient.address(), identity, subject, f"{text}\n{ending}", headers, attachment)


def html_of(subject: str, text: str) -> str:
    """The same words as a page that needs nothing from elsewhere.

    >>> "<ul><li>a &amp; b</li></ul>" in html_of("s", "- a & b")
    True
    """
    blocks = "".join(_block(each.splitlines()) for each in re.split(r"\n\s*\n", text.strip()))
    language = get_language() or settings.LANGUAGE_CODE
    return (
        f'<!DOCTYPE html><html lang="{language}"><head><meta charset="utf-8"><title>{escape(subject)}</title></head>'
        f"<body>{blocks}</body></html>"
    )


def _block(lines: list[str]) -> str:
    if all(line.startswith(_ITEM) for line in lines):
        return f"<ul>{''.join(f'<li>{_linked(line.removeprefix(_ITEM))}</li>' for line in lines)}</ul>"
    return f"<p>{'<br>'.join(_linked(line) for line in lines)}</p>"


def _linked(line: str) -> str:
    return _ADDRESS.sub(lambda found: f'<a href="{found[0]}">{found[0]}</a>', escape(line))


def _hand_over(
    address: str | None,
    identity: str,
    subject: str,
    text: str,
    headers: dict[str, str],
    attachment: Attachment | None,
) -> None:
    if not address or Workshop.objects.filter(is_demo=True).exists():
        return
    one_line = " ".join(subject.split())  # a line break would end the header
    message = EmailMultiAlternatives(
        subject=one_line,
        body=text,
        to=[address],
        headers={"Message-ID": identity, "Auto-Submitted": "auto-generated", **headers},
        attachments=[attachment] if attachment else None,
    )
    message.attach_alternative(html_of(one_line, text), "text/html")
    try:
        message.send()
    except OSError as error:  # what the mail server says is one, too
        if _may_pass(error):
            raise Unreachable(f"{type(error).__name__}: {error}") from error
        raise


def _may_pass(error: OSError) -> bool:
    """Whether trying later may help: not where the server has refused for good (RFC 5321, 4.2.1)."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return all(code < 500 for code, _said in error.recipients.values())
    if isinstance(error, smtplib.SMTPResponseException):
        return error.smtp_code < 500
    return not isinstance(error, smtplib.SMTPNotSupportedError)
