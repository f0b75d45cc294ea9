"""What changes fleet: one function for each business step, each in the caller's transaction of one workshop."""

from .acceptance import invitation_accept
from .bays import bay_add, bay_update
from .calendar_feeds import (
    calendar_feed_make,
    calendar_feed_reader,
    calendar_feed_withdraw,
    calendar_feed_workshop,
)
from .checkpoints import checkpoint_make, checkpoint_make_due
from .head_conflicts import CONSISTENT, head_conflict_acknowledge, heads_compare
from .instruments import Certificate, instrument_add, instrument_calibrate, instrument_withdraw
from .invitations import invitation_code, person_reinvite
from .operators import operator_add, operator_update
from .outbox_keys import outbox_key_current, outbox_private_key
from .password_links import (
    password_link_account,
    password_link_ask,
    password_link_code,
    password_link_make,
    password_reset,
)
from .people import (
    WrongPin,
    person_invite,
    person_update,
    pin_failure_note,
    pin_prove,
    pin_set,
    preferences_set,
)
from .sessions import session_begin, session_end
from .sign_in_events import account_event_note, old_refusals_clear, refusal_note, sign_in_event_note
from .signing_keys import new_signing_key_accept
from .tablets import (
    enrolment_offer,
    person_at_tablet,
    tablet_enrol,
    tablet_pin_failure_note,
    tablet_pin_prove,
    tablet_rename,
    tablet_renew_secret,
    tablet_revoke,
)
from .tokens import integrator_token_issue, token_issue, token_renew_secret, token_revoke
from .vehicle_facts import clock_findings, event_record, fitment_record
from .vehicle_models import specification_add, vehicle_model_add, vehicle_model_update
from .vehicles import vehicle_add, vehicle_update, vin_correct
from .workshops import FoundedWorkshop, workshop_create, workshop_update

__all__ = [
    "CONSISTENT",
    "Certificate",
    "FoundedWorkshop",
    "WrongPin",
    "account_event_note",
    "bay_add",
    "bay_update",
    "calendar_feed_make",
    "calendar_feed_reader",
    "calendar_feed_withdraw",
    "calendar_feed_workshop",
    "checkpoint_make",
    "checkpoint_make_due",
    "clock_findings",
    "enrolment_offer",
    "event_record",
    "fitment_record",
    "head_conflict_acknowledge",
    "heads_compare",
    "instrument_add",
    "instrument_calibrate",
    "instrument_withdraw",
    "integrator_token_issue",
    "invitation_accept",
    "invitation_code",
    "new_signing_key_accept",
    "old_refusals_clear",
    "operator_add",
    "operator_update",
    "outbox_key_current",
    "outbox_private_key",
    "password_link_account",
    "password_link_ask",
    "password_link_code",
    "password_link_make",
    "password_reset",
    "person_at_tablet",
    "person_invite",
    "person_reinvite",
    "person_update",
    "pin_failure_note",
    "pin_prove",
    "pin_set",
    "preferences_set",
    "refusal_note",
    "session_begin",
    "session_end",
    "sign_in_event_note",
    "specification_add",
    "tablet_enrol",
    "tablet_pin_failure_note",
    "tablet_pin_prove",
    "tablet_rename",
    "tablet_renew_secret",
    "tablet_revoke",
    "token_issue",
    "token_renew_secret",
    "token_revoke",
    "vehicle_add",
    "vehicle_model_add",
    "vehicle_model_update",
    "vehicle_update",
    "vin_correct",
    "workshop_create",
    "workshop_update",
]
