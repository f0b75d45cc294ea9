"""The entries of the index for the pages of decisions."""

from __future__ import annotations

from django.utils.translation import gettext_lazy as _

from fleet.pages.surroundings import Entry, register_entries
from fleet.permissions import Permission

register_entries(
    Entry(120, "approvals_page", _("Approvals and rulings"), Permission.READ_WORKSHOP),
    Entry(325, "measurements_page", _("How well we measure"), Permission.READ_WORKSHOP),
    Entry(705, "outbox_import_page", _("File from a tablet"), Permission.SET_UP),
)
