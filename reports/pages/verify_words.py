"""What the page that checks certificates says in words."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from django.utils.translation import gettext_lazy as _

from calibration.metrology.corners import AXLES, CORNERS

from ..drawing.words import axle_name, corner_name
from ..selectors.certificates import Verification

VERDICTS: Final = {
    "within": _("Every corner within tolerance, the measurement uncertainty taken into account."),
    "outside": _("At least one corner outside tolerance."),
    "undecided": _("Not decided: the measurement uncertainty leaves open whether every corner is within tolerance."),
    None: _("No verdict on the heights as they were left."),
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


def verdict_sentences(found: Verification) -> str:
    """As the paper says it: also of what cannot be adjusted there, and by whose targets it was judged."""
    told = [str(VERDICTS[found.verdict])]
    if found.verdict == "within" and found.not_within:
        text = _(
            "Within tolerance wherever it can be adjusted. Not within tolerance and not adjustable there: %(places)s."
        )
        told = [str(text) % {"places": _places(found.not_within)}]
    if found.by_concession:
        told.append(str(_("The targets were set by concession, instead of the specification’s.")))
    return " ".join(told)


def _places(names: Collection[str]) -> str:
    side = _("difference between left and right, %(axle)s")
    corners = [corner_name(each) for each in CORNERS if each in names]
    sides = [str(side) % {"axle": axle_name(each).lower()} for each in AXLES if each in names]
    return ", ".join([*corners, *sides])
