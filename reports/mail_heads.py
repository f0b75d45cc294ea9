"""The e-mail with the signed head of all records: whoever keeps it can show later whether history was rewritten."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from django.conf import settings
from django.utils import timezone
from django.utils.translation import gettext as _

from fleet.checkpoint_keys import origin_of, signing_key
from fleet.looks.dates import day_and_time
from fleet.models import Checkpoint, Workshop
from fleet.signed_heads import verifier_key

from .letters import message_id, send_notice
from .mail import in_language
from .models import Notice
from .selectors.recipients import Recipient


def _of_recipient(size: int, recipient: Recipient) -> str:
    return recipient.language()


@in_language(_of_recipient)
def send_head(size: int, recipient: Recipient) -> None:
    """The head of one size, to keep; as text, and as a file that programs read."""
    head = Checkpoint.objects.filter(size=size).first()
    if head is None:
        return
    workshop = Workshop.objects.get()
    at = day_and_time(timezone.localtime(head.made_at, ZoneInfo(workshop.time_zone)))
    values = {"workshop": workshop.name, "size": head.size, "at": at}
    name = f"head-{head.size}.txt"
    parts = [
        _(
            "This is the signed head of all records of %(workshop)s: of the %(size)s ledger entries that there were on "
            "%(at)s. Keep this e-mail. As long as somebody has it, nobody can rewrite what was recorded by then "
            "unnoticed, not even whoever runs the service."
        )
        % values,
        head.note.strip("\n"),
        _("It is signed by this key:\n%(key)s")
        % {"key": verifier_key(origin_of(workshop.pk), signing_key().public_key())},
        _(
            "To check: save the attached file and give it to whoever runs the service. This command reads all records "
            "and says whether they go with it:\npython manage.py verify_records --workshop %(id)s --head %(file)s"
        )
        % {"id": workshop.pk, "file": name},
        _("Programs get the proof that a later head goes with this one (RFC 9162) at:\n%(url)s")
        % {"url": f"{settings.PUBLIC_URL}/api/v1/ledger/consistency/?first={head.size}"},
    ]
    send_notice(
        recipient,
        Notice.CHECKPOINT,
        message_id(f"head:{head.size}", workshop.pk, recipient.id),
        _("Signed head of %(size)s records – %(workshop)s") % values,
        "\n\n".join(parts) + "\n",
        attachment=(name, head.note.encode(), "text/plain"),
    )
