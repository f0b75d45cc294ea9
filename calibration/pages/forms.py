"""Forms of decisions: each covers the hash of what was shown."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.pages.typed import PlainText
from fleet.pages.workshop_page import RecordForm

from ..models import Decision, Ruling

REASON_LENGTH_MAX = 1000
HASH_PATTERN = r"^[0-9a-f]{64}$"


class _OverWhatWasShown(RecordForm):
    content_sha256 = forms.RegexField(
        HASH_PATTERN,
        widget=forms.HiddenInput,
        error_messages={"required": _("Load the page anew."), "invalid": _("Load the page anew.")},
    )


class DecisionForm(_OverWhatWasShown):
    """Approve or refuse, with a reason; nothing is chosen beforehand."""

    decision = forms.ChoiceField(
        label=_("Your decision"),
        widget=forms.RadioSelect,
        choices=[(Decision.Outcome.APPROVE, _("Approve")), (Decision.Outcome.REFUSE, _("Refuse"))],
        error_messages={"required": _("Choose one of the two.")},
    )
    reason = PlainText(
        label=_("Why"),
        max_length=REASON_LENGTH_MAX,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=_("Stays on record under your name, and stands on the certificate."),
        error_messages={"required": _("Give your reason in a sentence.")},
    )


class RulingForm(_OverWhatWasShown):
    """Accept a finding or let it stand, with a reason; nothing is chosen beforehand."""

    decision = forms.ChoiceField(
        label=_("Your ruling"),
        widget=forms.RadioSelect,
        choices=[
            (Ruling.Outcome.ACCEPT, _("Accept: it is explained, and no longer blocks")),
            (Ruling.Outcome.REJECT, _("Reject: it stands, and the job can only be mended, ended or reverted")),
        ],
        error_messages={"required": _("Choose one of the two.")},
    )
    reason = DecisionForm.base_fields["reason"]
