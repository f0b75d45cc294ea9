"""What the page that checks certificates says in words."""

from __future__ import annotations

from typing import Final

from django.utils.translation import gettext_lazy as _

VERDICTS: Final = {
    "within": _("Every corner within tolerance, the measurement uncertainty taken into account."),
    "outside": _("At least one corner outside tolerance."),
    "undecided": _("Not decided: the measurement uncertainty leaves open whether every corner is within tolerance."),
    None: _("No verdict: the heights were not judged."),
}
CHECKS: Final = {
    "one_signature": _("The file has exactly one signature."),
    "whole_file_signed": _("The signature covers every byte of the file; nothing was added behind it."),
    "content_unchanged": _("The file is as it was when it was signed."),
    "signature_valid": _("The signature was made with the key of the signing certificate."),
    "signing_certificate_named": _("The ledger names this signing certificate."),
    "one_attachment": _("The file carries its record, and nothing else."),
    "record_in_form": _("The record has the form in which records are issued."),
    "document_recorded": _("The ledger entry was made of this document."),
    "renderer_recorded": _("The ledger entry names this layout of the pages."),
    "entry_unchanged": _("The ledger entry is as it was recorded."),
    "entry_in_tree": _("The workshop’s ledger as a whole contains the entry."),
    "head_of_workshop": _("The signed head is of this workshop’s ledger."),
    "head_signed": _("The head was signed with the key that the file names."),
    "key_known": _("That key is one of this service."),
}
"""By the names that `deploy/verify_certificate.py` gives its checks."""
