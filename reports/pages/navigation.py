"""The entries of the index for what this app and the one below show."""

from __future__ import annotations

from django.utils.translation import gettext_lazy as _

from fleet.pages.account import register_account_link
from fleet.pages.first_run import register_other_beginning
from fleet.pages.surroundings import Entry, register_entries
from fleet.permissions import Permission

register_entries(
    Entry(100, "today", _("Today"), Permission.READ_WORKSHOP),
    Entry(110, "vehicles_page", _("Vehicles"), Permission.READ_OWN_VEHICLES),
    Entry(122, "alerts_page", _("Alerts"), Permission.READ_OWN_VEHICLES),
    Entry(125, "due_page", _("Due"), Permission.READ_OWN_VEHICLES),
    Entry(130, "certificates_page", _("Certificates"), Permission.READ_OWN_VEHICLES),
    Entry(140, "parked_work_page", _("Parked work"), Permission.SET_UP),
    Entry(730, "imports_page", _("Vehicles and checks from files"), Permission.SET_UP),
    Entry(740, "webhooks_page", _("Webhooks"), Permission.SET_UP),
    Entry(745, "exports_page", _("Exports"), Permission.SET_UP),
)
register_other_beginning("archives_page", _("Take in the archive of another workshop"))
register_account_link("own_notices", _("Choose which e-mails you get"))
register_account_link("own_calendar", _("What is due, in your calendar program"))
